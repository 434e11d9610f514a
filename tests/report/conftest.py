"""Shared by the tests of the report: invented seasons made once."""

from __future__ import annotations

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
