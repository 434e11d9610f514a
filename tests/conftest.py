"""Shared by all tests: the project, the material beside it, a browser, the accessibility checker."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder with reference values and real data, outside the project; skips where it is absent."""
    folder = Path(os.environ.get("CROSSPROOF_SHARED", ROOT.parent / "shared"))
    if not folder.is_dir():
        pytest.skip(f"{folder} is not on this machine")
    return folder


@pytest.fixture(scope="session")
def finished_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo season after a run on two cores; copy it before you change anything."""
    folder = tmp_path_factory.mktemp("finished") / "demo"
    left = ("results", ".crossproof", ".snakemake", "calibration.json")
    shutil.copytree(ROOT / "demo_genotypes", folder, ignore=shutil.ignore_patterns(*left))
    done = subprocess.run(
        [sys.executable, "-m", "crossproof.cli", "run", str(folder), "--cores", "2"],
        capture_output=True,
        text=True,
        timeout=280,
    )
    assert done.returncode == 1, done.stdout + done.stderr  # plates wait to be looked at
    return folder


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = (
        os.environ.get("CROSSPROOF_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
    if path is None:
        pytest.skip("no Chromium on this machine (apt install chromium, or name one in CROSSPROOF_CHROMIUM)")
    with playwright.sync_playwright() as p:
        running = p.chromium.launch(
            executable_path=path,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--disable-component-update",
            ],
        )
        yield running
        running.close()


@pytest.fixture(scope="session")
def axe_source() -> str:
    """The text of axe-core, from the development package that carries it or from a file named by hand."""
    package = importlib.util.find_spec("axe_playwright_python")
    places = [os.environ.get("CROSSPROOF_AXE", "")]
    if package is not None and package.origin is not None:
        places.append(str(Path(package.origin).with_name("axe.min.js")))
    for place in places:
        if place and Path(place).is_file():
            return Path(place).read_text(encoding="utf-8")
    pytest.skip(
        "axe-core is not here: pip install axe-playwright-python, or name axe.min.js in CROSSPROOF_AXE"
    )
