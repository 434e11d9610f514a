"""`make demo` where clone, environment and season lie in folders whose names hold every odd character."""

from __future__ import annotations

import os
import shutil
import string
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from crossproof.runner.support import ONE_THREAD, set_step_command

ROOT = Path(__file__).parents[2]
ODD = "my nursery " + "".join(c for c in string.punctuation if c != "/") + " éö"
"""Every printable character of ASCII that a file name can hold and a shell might act on."""

LOOPS = Path("src", "crossproof", "inference", "family")


@pytest.fixture(scope="module")
def clone(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A copy of the project and an environment that has the packages of this one, both in odd places."""
    place = tmp_path_factory.mktemp("odd")
    # Python itself refuses an environment whose path holds the colon that separates the folders of PATH.
    clone, environment = place / ODD / f"clone {ODD}", place / f"venv {ODD.replace(':', '')}"
    clone.mkdir(parents=True)
    left = ("__pycache__", "results", ".crossproof", ".snakemake", "calibration.json")
    for name in ("src", "workflow", "demo_genotypes"):
        ignored = shutil.ignore_patterns(*(left if name == "demo_genotypes" else left[:1]))
        shutil.copytree(ROOT / name, clone / name, ignore=ignored)
    # What this installation has compiled serves the copy as well, whose files are as old.
    for compiled in (ROOT / LOOPS / "__pycache__").glob("*.nb[ic]"):
        (clone / LOOPS / "__pycache__").mkdir(exist_ok=True)
        shutil.copy2(compiled, clone / LOOPS / "__pycache__")
    for name in ("Makefile", "pyproject.toml", ".requirements.hashes", "Snakefile"):
        shutil.copy(ROOT / name, clone / name)
    subprocess.run(
        [sys.executable, "-m", "venv", "--without-pip", str(environment)], check=True, capture_output=True
    )
    packages = next(environment.glob("lib/python*/site-packages"))
    # This project's own entry comes after the copy's, which therefore is the one that is imported.
    (packages / "a.pth").write_text(f"{clone / 'src'}\n{sysconfig.get_path('purelib')}\n", encoding="utf-8")
    (environment / ".ready").touch()
    return clone, environment


def in_clone(clone: tuple[Path, Path], *command: str) -> subprocess.CompletedProcess[str]:
    folder, environment = clone
    given = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONPATH", "CROSSPROOF_STEP")}
    return subprocess.run(
        command,
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=280,
        env={**given, "VENV": str(environment)},
    )


def test_make_demo(clone: tuple[Path, Path]) -> None:
    done = in_clone(clone, "make", "demo")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "Keep " in done.stdout
    assert (clone[0] / "demo_genotypes" / "results" / "report.html").exists()
    assert "ResourceWarning" not in done.stderr


def test_set_up_compiles_once_what_a_run_would_compile(clone: tuple[Path, Path]) -> None:
    """Which it tells by the files of the loops: a newer one compiles again."""
    stamp = clone[1] / ".loops"
    stamp.unlink(missing_ok=True)
    said = []
    for _ in range(2):
        done = in_clone(clone, "make", "ready")
        assert done.returncode == 0, done.stderr[-3000:]
        said.append("Compiling loops" in done.stdout)
    assert said == [True, False]
    assert any((clone[0] / LOOPS / "__pycache__").glob("kernel_solve.solve-*.nbi"))
    os.utime(stamp, (0, 0))
    assert "Compiling loops" in in_clone(clone, "make", "ready").stdout


def test_a_plain_snakemake(clone: tuple[Path, Path]) -> None:
    """Its jobs start a Python each, by a command that holds the odd path; a few steps are enough to show it.

    The workflow itself lies elsewhere: Snakemake takes braces in the path of a Snakefile for wildcards.
    """
    season = clone[0] / "demo_genotypes"
    shutil.rmtree(season / ".crossproof", ignore_errors=True)
    done = in_clone(
        clone, str(clone[1] / "bin" / "python"), "-m", "snakemake", ".crossproof/work/panel/slices.json",
        "--cores", "2",
        "--snakefile", str(ROOT / "workflow" / "Snakefile"), "--configfile", str(season / "config.yaml"),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]


def test_the_step_command_is_read_by_a_shell_as_it_was_meant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    python = tmp_path / ODD / "python"
    python.parent.mkdir()
    python.write_text('#!/bin/sh\nprintf "%s\\n" "$@"\n')
    python.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(python))
    for name in ("CROSSPROOF_STEP", *ONE_THREAD):
        monkeypatch.setenv(name, "")
    monkeypatch.delenv("CROSSPROOF_WORKER", raising=False)
    set_step_command("none")
    said = subprocess.run(
        ["bash", "-c", 'eval "$CROSSPROOF_STEP verify --bucket 3"'], capture_output=True, text=True
    )
    assert said.stdout.splitlines() == ["-m", "crossproof.steps", "verify", "--bucket", "3"], said.stderr
