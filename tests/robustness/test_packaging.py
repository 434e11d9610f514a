"""What a wheel holds, that it is built alike each time, and what the workflow engine's own linter says.

Slow: builds and a parse.
"""

from __future__ import annotations

import email
import hashlib
import os
import shutil
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pytest.importorskip("build")
    pytest.importorskip("hatchling")
    out = tmp_path_factory.mktemp("wheel")
    done = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--wheel", "--outdir", str(out), str(ROOT)],
        capture_output=True,
        text=True,
        timeout=200,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    (path,) = out.glob("*.whl")
    return path


def test_the_wheel_is_whole(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        (metadata,) = [n for n in names if n.endswith(".dist-info/METADATA")]
        said = email.message_from_bytes(archive.read(metadata))
        (points,) = [n for n in names if n.endswith(".dist-info/entry_points.txt")]
        commands = archive.read(points).decode()
    source = ROOT / "src" / "crossproof"
    wanted = {
        f"crossproof/{p.relative_to(source).as_posix()}"
        for p in source.rglob("*")
        if p.is_file() and "__pycache__" not in p.parts
    }
    flow = ROOT / "workflow"
    wanted |= {
        f"crossproof/workflow/{p.relative_to(flow).as_posix()}"
        for p in flow.rglob("*")
        if p.is_file() and "__pycache__" not in p.parts and ".snakemake" not in p.parts
    }
    assert wanted <= names, sorted(wanted - names)
    assert {"crossproof/py.typed", "crossproof/workflow/Snakefile"} <= names
    assert not [n for n in names if n.startswith(("tests/", "benchmarks/", "docs/", "demo_genotypes/"))]
    assert any(n.endswith("licenses/LICENSE") for n in names)
    assert "crossproof = crossproof.cli.__main__:start" in commands
    assert said["Name"] == "crossproof"
    assert said["License-Expression"] == "BSD-3-Clause"
    assert set(said["Requires-Python"].split(",")) == {">=3.11", "<3.14"}
    assert "Typing :: Typed" in said.get_all("Classifier")
    assert said.get_payload().startswith("# ")
    needs = " ".join(said.get_all("Requires-Dist"))
    for library in ("numpy", "pandas", "snakemake", "scikit-allel", "cyvcf2", "defusedxml"):
        assert library in needs


def test_a_season_is_made_and_checked_from_the_unpacked_wheel(wheel: Path, tmp_path: Path) -> None:
    """Outside the clone, with the libraries of this environment."""
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "site")
    call = (
        "import sys; sys.path.insert(0, sys.argv.pop(1));"
        "import crossproof, crossproof.runner.support as w;"
        "assert crossproof.__file__.startswith(sys.path[0]), crossproof.__file__;"
        "assert w.workflow_folder().is_relative_to(sys.path[0]), w.workflow_folder();"
        "from crossproof.cli import main; main()"
    )
    for arguments in (["new", "mine"], ["check", "mine"], ["run", "mine"]):
        done = subprocess.run(
            [sys.executable, "-c", call, str(tmp_path / "site"), *arguments],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=280,
            env={**os.environ, "PYTHONPATH": str(tmp_path / "site")},
        )
        assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "mine" / "results" / "report.html").is_file()


def test_the_workflow_lints_clean() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--lint", "--snakefile", "workflow/Snakefile"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=200,
    )
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert "Congratulations" in said


LEFT = shutil.ignore_patterns(
    ".git",
    ".venv",
    ".*_cache",
    ".hypothesis",
    "__pycache__",
    "results",
    ".crossproof",
    ".snakemake",
    "build",
    "dist",
)


def built(folder: Path, out: Path, umask: int) -> dict[str, str]:
    """SHA-256 of the sdist and the wheel of a source folder."""
    done = subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(folder)],
        capture_output=True,
        text=True,
        timeout=280,
        umask=umask,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1790000000"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(out.iterdir())}


def test_two_builds_are_the_same_to_the_byte(tmp_path: Path) -> None:
    """Another folder, time, order of files and rights; the same SOURCE_DATE_EPOCH."""
    pytest.importorskip("build")
    pytest.importorskip("hatchling")
    first = shutil.copytree(ROOT, tmp_path / "first", ignore=LEFT)
    once = built(first, tmp_path / "out1", 0o022)
    time.sleep(2.1)  # a zip file keeps times to two seconds
    second = tmp_path / "another folder" / "second"
    for path in sorted((p for p in first.rglob("*") if p.is_file()), reverse=True):
        target = second / path.relative_to(first)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)
        target.chmod(0o600 | (path.stat().st_mode & 0o100))
    again = built(second, tmp_path / "out2", 0o077)
    assert set(once) == {"crossproof-0.1.0.tar.gz", "crossproof-0.1.0-py3-none-any.whl"}
    assert once == again
