"""The team leader's page: its figures, no names of people, one printed side."""

from __future__ import annotations

import re

import numpy as np
import pytest

from crossproof.model.results import NextStep
from crossproof.report.content.inputs import numbers, texts
from crossproof.report.draw.summary_page import MOST_REPEATS, summary_page


@pytest.fixture(scope="module")
def html(season) -> str:
    return summary_page(season)


def test_targets_are_those_of_the_table(season, html):
    target, found = numbers(season.crosses, "target"), numbers(season.crosses, "hybrids_found")
    aimed = np.nan_to_num(target) > 0
    assert f"<b>{int((found >= target)[aimed].sum())}/{int(aimed.sum())}</b>" in html
    repeat = texts(season.crosses, "next_step").count(NextStep.REPEAT)
    rows = re.search(r'id="repeat-table".*?</table>', html, re.S)
    assert (rows.group().count("<tr>") - 1 if rows else 0) == min(repeat, MOST_REPEATS)


def test_no_person_is_named(season, html):
    people = set(texts(season.operators, "operator")) | set(texts(season.crosses, "operator"))
    people -= {""}
    assert people
    assert not [p for p in people if re.search(rf"\b{re.escape(p)}\b", html)]


def test_cautions_stand_on_it_and_nothing_is_fetched(html):
    assert "Do not discard seed" in html
    assert "default-src &#39;none&#39;" in html
    assert "<script" not in html


def test_it_prints_on_one_side(html, browser, tmp_path):
    path = tmp_path / "summary.html"
    path.write_text(html, encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    pdf = page.pdf(format="A4")
    page.close()
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1
