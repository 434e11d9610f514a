"""Labels of kept plants: what they say, their sizes on paper, their codes read back."""

from __future__ import annotations

import re

import pytest
from invented_season import invented_season
from printed import codes_seen, page_sizes, page_texts, print_pdf
from report_parts import HOSTILE

from crossproof.field.codes import parse_code, plant_name
from crossproof.field.kept_labels import build_labels, default_sheet, kept_labels_page
from crossproof.field.sheets import LabelSize, Paper, sheet_of
from crossproof.report.content.inputs import ReportInputs

SEASON = "2031"


@pytest.fixture(scope="module")
def season():
    made = invented_season(60)
    place = [f"house 1, tray {1 + i // 20}, pot {1 + i % 20}" for i in range(len(made.verdicts))]
    return ReportInputs(made.verdicts.assign(place=place, pod="2"))


def page(labels, sheet=None, season=SEASON):
    return kept_labels_page(labels, title="bean 2031", season=season, digest="abc123", sheet=sheet)


def kept(season):
    return season.verdicts[season.verdicts["decision"] == "keep"]


def test_they_put_the_mother_first_and_are_of_kept_plants_only(season):
    labels = build_labels(season, SEASON)
    assert {label.plant for label in labels} == set(kept(season)["plant"])
    html = page(labels)
    first = re.search(r'<p class="parents[^"]*"><b>([^<]+)</b> × ([^<]+)</p>', html)
    assert first.groups() == (labels[0].mother, labels[0].father)
    assert html.count('<li class="label') == len(labels)
    assert 'name="input-digest" content="abc123"' in html
    assert "keep remnant seed" in html
    assert "operator" not in html


@pytest.mark.browser
@pytest.mark.parametrize(("paper", "size"), [("a4", "63x36"), ("letter", "70x30"), ("roll", "50x25")])
def test_size_words_and_codes_on_paper(season, browser, tmp_path, paper, size):
    sheet = sheet_of(Paper(paper), LabelSize(*map(float, size.split("x"))))
    some = ReportInputs(season.verdicts.head(24))
    labels = build_labels(some, SEASON, sheet)
    pdf = print_pdf(browser, page(labels, sheet), tmp_path / "labels.pdf")
    assert all(s == pytest.approx((sheet.width, sheet.height), abs=0.3) for s in page_sizes(pdf))
    read = [plant_name(parse_code(s.text)) for s in codes_seen(pdf)]
    assert sorted(read) == sorted(label.plant for label in labels)
    text = " ".join(page_texts(pdf))
    for label in labels:
        for said in (label.plant, label.mother, label.place, f"cross {label.cross} · pod 2"):
            assert said in text, said
    assert text.count("season 2031") == len(labels)


@pytest.mark.browser
@pytest.mark.parametrize("size", ["63x36", "50x25"])
def test_nothing_is_cut_off(season, browser, tmp_path, size):
    sheet = sheet_of(Paper.A4, LabelSize(*map(float, size.split("x"))))
    context = browser.new_context()
    view = context.new_page()
    view.set_content(page(build_labels(season, SEASON, sheet), sheet))
    cut = view.evaluate(
        """[...document.querySelectorAll('.label, .label p')].filter(
            e => e.scrollHeight > e.clientHeight + 4 || e.scrollWidth > e.clientWidth + 1)
            .map(e => e.textContent + e.scrollHeight + '>' + e.clientHeight)"""
    )
    boxes = view.evaluate(
        """[...document.querySelectorAll('.label')].map(
            e => [e.offsetWidth, e.offsetHeight].map(x => x * 25.4 / 96))"""
    )
    context.close()
    assert cut == []
    assert all(b == pytest.approx([sheet.label.width, sheet.label.height], abs=0.3) for b in boxes)


def test_without_a_season_and_with_a_long_name_there_is_no_code_and_the_page_says_so(season):
    assert all(label.code == "" for label in build_labels(season, "spring"))
    assert "Without codes: a code holds the season" in page(build_labels(season), season="spring")
    long = ReportInputs(season.verdicts.head(8).assign(plant="x" * 130, decision="keep"))
    labels = build_labels(long, SEASON)
    assert {label.code for label in labels} == {""}
    assert f"{len(labels)} of them without a code" in page(labels)


def test_a_run_draws_a_bounded_number_of_codes(season):
    labels = build_labels(season, SEASON, codes=3)
    assert [bool(label.code) for label in labels[:5]] == [True, True, True, False, False]
    assert all(label.code for label in build_labels(season, SEASON, codes=None))


def test_a_season_without_kept_plants(season):
    assert "No plant is to be kept yet." in page(build_labels(ReportInputs(kept(season).head(0))))


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_never_become_markup(season, name):
    verdicts = season.verdicts.head(4).assign(
        plant=name, mother=name, father=name, cross_id=name, place=name, pod=name, decision="keep"
    )
    html = kept_labels_page(
        build_labels(ReportInputs(verdicts), SEASON), title=name, season=name, digest=name
    )
    assert "<script" not in html
    assert "\x1b" not in html
    assert "\u202e" not in html
    assert not re.search(r"\ssrc=|@import|<link", html.replace(name, ""))


def test_the_usual_sheet_holds_three_in_a_row():
    assert (default_sheet().columns, default_sheet().rows) == (3, 7)


@pytest.mark.browser
def test_no_accessibility_violation(season, browser, axe_source):
    context = browser.new_context(bypass_csp=True)
    view = context.new_page()
    view.set_content(page(build_labels(season, SEASON)))
    view.evaluate(axe_source)
    found = view.evaluate("axe.run(document, {resultTypes: ['violations']})")
    context.close()
    assert [x["id"] for x in found["violations"]] == []
