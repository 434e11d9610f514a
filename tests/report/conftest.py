"""Shared by the tests of the report: invented seasons made once, a browser, and the accessibility checker."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from invented_season import invented_season

from crossproof.report.content.content import Content, build_content
from crossproof.report.draw.html import render


@pytest.fixture(scope="session")
def season():
    return invented_season(100)


@pytest.fixture(scope="session")
def content(season) -> Content:
    return build_content(season)


@pytest.fixture(scope="session")
def page_html(content) -> str:
    return render(content)


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
