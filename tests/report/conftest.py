"""Shared by the tests of the report: invented seasons made once, a browser, and the accessibility checker."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from invented_season import invented_season

from crossproof.report.content import Content, build_content
from crossproof.report.html import render


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
    """The text of axe-core; never part of the repository."""
    for place in (
        os.environ.get("CROSSPROOF_AXE", ""),
        "/tmp/axe/x/package/axe.min.js",
        "/tmp/axe-core/package/axe.min.js",
    ):
        if place and Path(place).is_file():
            return Path(place).read_text(encoding="utf-8")
    pytest.skip("axe-core is not here: npm pack axe-core, unpack it, and name axe.min.js in CROSSPROOF_AXE")
