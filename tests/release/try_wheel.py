"""Install the wheel into fresh environments and run the demo there. Needs the package registry.

    python tests/release/try_wheel.py wheels    every Python there is, pinned libraries: same verdicts
    python tests/release/try_wheel.py minimum   the lowest libraries that are allowed: demo and tests

Exit status 0 all well; 1 something failed; 77 where no package can be fetched.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
PYTHONS = ("3.11", "3.12", "3.13")
TEST_TOOLS = ("pytest", "pytest-timeout", "hypothesis")
TESTS = (
    "tests/report", "tests/planning", "tests/exchange", "tests/steps", "tests/test_api.py",
    "tests/io/test_genotypes.py", "tests/io/sheets/test_sheets.py", "tests/io/vcf/test_vcf_text.py",
    "tests/io/vcf/test_bcf.py", "tests/io/tables/test_marker_tables.py",
    "tests/io/results/test_result_tables.py", "tests/rates/estimators/test_crossing_rates.py",
    "tests/rates/estimators/test_factors.py", "tests/rates/estimators/test_intervals.py",
    "tests/rates/estimators/test_logistic.py",
)  # fmt: skip
"""Where the libraries are called: tables, arrays, charts, workbooks, VCF, models."""
NO_REGISTRY = 77
QUIET = {"PIP_DISABLE_PIP_VERSION_CHECK": "1", "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}


class Failed(Exception):
    """A command that did not end well; its output was shown."""


def call(command: Sequence[str | Path], cwd: Path) -> str:
    """Run a command; its output. Raises Failed."""
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env={**environment, **QUIET},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    if done.returncode:
        print(done.stdout[-4000:], flush=True)
        raise Failed(" ".join(map(str, command[:4])))
    return done.stdout


def lowest() -> list[str]:
    """The dependencies of pyproject.toml, each at its lower bound."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    found = [re.fullmatch(r"([A-Za-z0-9_.-]+)>=([0-9.]+)(?:,.*)?", line) for line in declared]
    assert all(found), declared
    return [f"{match[1]}=={match[2]}" for match in found if match]


def pinned(names: Sequence[str]) -> list[str]:
    """Lines of requirements.lock."""
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line.partition("==")[0].lower() in names]


def python(version: str) -> Path | None:
    """A Python of this version: on the PATH, or among those of a version manager."""
    kept = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    there = [shutil.which(f"python{version}"), *sorted(kept.glob(f"{version}.*/bin/python"), reverse=True)]
    for path in filter(None, there):
        probe = "import sys, venv, ensurepip; print('%d.%d' % sys.version_info[:2])"
        done = subprocess.run([path, "-c", probe], capture_output=True, text=True)
        if done.stdout.strip() == version:
            return Path(path)
    return None


def wheel(folder: Path) -> Path:
    """The wheel of this source."""
    call([sys.executable, "-m", "build", "--no-isolation", "--wheel", "--outdir", folder, ROOT], folder)
    (path,) = folder.glob("*.whl")
    return path


def environment(base: Path, folder: Path) -> Path:
    """A fresh environment; the path of its Python."""
    call([base, "-m", "venv", folder], folder.parent)
    return folder / "bin" / "python"


def verdicts_of_demo(inside: Path, folder: Path) -> str:
    """SHA-256 of verdicts.csv of the demo, run with this Python outside the clone."""
    left = shutil.ignore_patterns("results", ".crossproof", ".snakemake", "calibration.json")
    season = shutil.copytree(ROOT / "demo_genotypes", folder / "demo", ignore=left)
    where = call([inside, "-c", "import crossproof; print(crossproof.__file__)"], folder).strip()
    assert Path(where).is_relative_to(inside.parents[1]), where
    call([inside.parent / "crossproof", "run", season, "--allow-findings"], folder)
    return hashlib.sha256((season / "results" / "verdicts.csv").read_bytes()).hexdigest()


def wheels(folder: Path) -> int:
    """The demo with every Python there is, libraries as pinned."""
    path, digests = wheel(folder), {}
    for version in PYTHONS:
        base = python(version)
        if base is None:
            print(f"Python {version}: not on this machine", flush=True)
            continue
        started = time.monotonic()
        own = folder / version
        own.mkdir()
        inside = environment(base, own / "venv")
        call([inside, "-m", "pip", "install", "-q", "-c", ROOT / "requirements.lock", path], own)
        digests[version] = verdicts_of_demo(inside, own)
        seconds = time.monotonic() - started
        print(f"Python {version}: verdicts.csv {digests[version][:16]} ({seconds:.0f} s)", flush=True)
        shutil.rmtree(own)
    print(f"{len(digests)} Pythons, {len(set(digests.values()))} different verdicts.csv")
    return 0 if len(set(digests.values())) == 1 else 1


def minimum(folder: Path) -> int:
    """The demo and some of the tests with the lowest libraries that are allowed."""
    base = next(filter(None, map(python, PYTHONS)))
    inside = environment(base, folder / "venv")
    path = wheel(folder)
    call([inside, "-m", "pip", "install", "-q", path, *lowest(), *pinned(TEST_TOOLS)], folder)
    print("\n".join(lowest()), flush=True)
    print(f"demo: verdicts.csv {verdicts_of_demo(inside, folder)[:16]}", flush=True)
    said = call([inside, "-m", "pytest", "-q", "-p", "no:cacheprovider", *TESTS], ROOT)
    print(said.strip().splitlines()[-1])
    return 0


def main() -> int:
    """Carry out the task named on the command line."""
    task = {"wheels": wheels, "minimum": minimum}[sys.argv[1]]
    with tempfile.TemporaryDirectory(prefix="crossproof-wheel-") as folder:
        probe = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--no-binary", ":none:"]
        try:
            call([*probe, "-d", folder, *pinned(["defusedxml"])], Path(folder))
        except Failed:
            print("No package can be fetched here: nothing was tried.")
            return NO_REGISTRY
        for left in Path(folder).iterdir():
            left.unlink()
        try:
            return task(Path(folder))
        except Failed as fault:
            print(f"failed: {fault}")
            return 1


if __name__ == "__main__":
    sys.exit(main())
