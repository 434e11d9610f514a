"""A scanner that types, in the report: the decision in letters for two metres, and the field ready again."""

from __future__ import annotations

import pandas as pd
import pytest
from report_parts import HOSTILE

from crossproof.field.codes import code_of_plant
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.marks import PILE_WORDS
from crossproof.report.draw.html import render
from crossproof.report.facts.plants import plant_facts

pytestmark = pytest.mark.browser

SEASON = "2031"
FIELD = "#plants-search"
WORD = "#plants .scan-word"


def open_page(browser, tmp_path, inputs):
    path = tmp_path / "report.html"
    path.write_text(render(build_content(inputs)), encoding="utf-8")
    context = browser.new_context(viewport={"width": 1366, "height": 768})
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    return page


def decided(row):
    """The word of a plant's pile."""
    return PILE_WORDS[plant_facts(pd.DataFrame([row])).rows[0].pile][0].lower()


def code(row):
    return code_of_plant(SEASON, row["cross_id"], row["plant"]).text


@pytest.fixture(scope="module")
def plants(season):
    verdicts = season.verdicts.copy()
    verdicts["place"] = [f"house 1, tray {1 + i // 50}, pot {1 + i % 50}" for i in range(len(verdicts))]
    # Names that are hard to carry in a code, each of a cross of such a name.
    for i, name in enumerate(HOSTILE):
        if name.isprintable() and "\u202e" not in name:
            verdicts.loc[verdicts.index[i], ["plant", "cross_id"]] = [f"{name}-{i}", name]
    return verdicts


@pytest.fixture(scope="module")
def page(browser, plants, season, tmp_path_factory):
    inputs = ReportInputs(plants, crosses=season.crosses, code_season=SEASON)
    page = open_page(browser, tmp_path_factory.mktemp("scan"), inputs)
    yield page
    page.context.close()


def scan(page, text, field=FIELD):
    """As a keyboard wedge does it: keys one after another, then Enter."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")
    return page.locator(field)


def test_one_scan_after_another_without_a_hand_on_the_mouse(page, plants):
    page.focus(FIELD)
    for i in (0, 3, 17, 42, 99, len(HOSTILE) - 1):
        row = plants.iloc[i]
        if "\u202e" in row["plant"] or not row["plant"].isprintable():
            continue
        field = scan(page, code(row))
        assert page.inner_text(WORD).lower() == decided(row)
        assert page.inner_text("#plants .scan-plant") == row["plant"]
        assert row["place"] in page.inner_text("#plants .scan")
        assert field.input_value() == ""
        assert page.evaluate("document.activeElement.id") == "plants-search"


def test_every_plant_is_found_by_its_code(page, plants):
    seen = 0
    for row in plants.head(60).to_dict("records"):
        if not row["plant"].isprintable():
            continue
        page.fill(FIELD, code(row))
        page.press(FIELD, "Enter")
        assert page.inner_text("#plants .scan-plant") == row["plant"]
        seen += 1
    assert seen > 40


def test_a_locked_capital_key_does_not_matter(page, plants):
    row = plants.iloc[30]
    page.focus(FIELD)
    scan(page, code(row).swapcase())
    assert page.inner_text("#plants .scan-plant") == row["plant"]


@pytest.mark.parametrize(
    ("text", "word", "says"),
    [
        ("2030.C0007.3", "other season", "of season 2030, not of 2031"),
        ("2031.9999X.1", "not found", "Leave it standing"),
        ("https://example.org/x", "not found", "Scan again"),
        ("2031.C0007", "tag", "Scan a plant for its own decision."),
    ],
)
def test_what_is_no_plant_is_said_as_loudly(page, text, word, says):
    page.focus(FIELD)
    field = scan(page, text)
    assert page.inner_text(WORD).lower() == word
    assert says in page.inner_text("#plants .scan")
    assert page.get_attribute("#plants .scan", "data-decision") == "none"
    assert field.input_value() == ""


def test_words_to_search_by_stay_and_the_next_scan_takes_their_place(page, plants):
    page.fill(FIELD, "")
    page.focus(FIELD)
    mother = plants["mother"].iloc[5]
    field = scan(page, mother)
    assert field.input_value() == mother
    row = plants.iloc[50]
    scan(page, code(row))
    assert page.inner_text("#plants .scan-plant") == row["plant"]
    assert field.input_value() == ""


def test_a_plant_scanned_twice_is_told(page, plants):
    row = plants.iloc[77]
    page.focus(FIELD)
    scan(page, code(row))
    assert "Scanned before." not in page.inner_text("#plants .scan")
    scan(page, code(row))
    assert "Scanned before." in page.inner_text("#plants .scan")


def test_the_letters_are_read_from_two_metres(page, plants):
    row = plants.iloc[60]
    page.focus(FIELD)
    scan(page, code(row))
    pixels = page.evaluate(
        """() => {
            const style = getComputedStyle(document.querySelector('#plants .scan-word'));
            const pen = document.createElement('canvas').getContext('2d');
            pen.font = style.fontWeight + ' ' + style.fontSize + ' ' + style.fontFamily;
            return pen.measureText('E').actualBoundingBoxAscent;
        }"""
    )
    # 22 minutes of arc at 2 m are 2000 tan(22'/60) = 12.8 mm (ISO 9241-303 recommends 20 to 22, memory);
    # CSS has 96 pixels to the inch.
    assert pixels * 25.4 / 96 >= 12.8
    box = page.locator("#plants .scan").bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 1366


def test_the_plant_view_takes_codes_too(page, plants):
    row = plants.iloc[20]
    page.focus("#plant-search")
    field = scan(page, code(row), "#plant-search")
    page.wait_for_selector("#plant-stage h3")
    assert page.inner_text("#plant-view .scan-word").lower() == decided(row)
    assert page.inner_text("#plant-stage h3") == row["plant"]
    assert field.input_value() == ""
    assert page.evaluate("document.activeElement.id") == "plant-search"


def test_without_codes_a_name_that_is_scanned_is_found(browser, season, tmp_path):
    page = open_page(browser, tmp_path, ReportInputs(season.verdicts))
    page.focus(FIELD)
    row = season.verdicts.iloc[9]
    scan(page, row["plant"])
    assert page.inner_text(WORD).lower() == decided(row)
    page.context.close()


def test_the_shown_decision_has_no_accessibility_violation(browser, plants, season, axe_source, tmp_path):
    path = tmp_path / "report.html"
    path.write_text(render(build_content(ReportInputs(plants, code_season=SEASON))), encoding="utf-8")
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    page.evaluate(axe_source)
    for decision in ("keep", "cull", "retest", "hold"):
        some = plants[plants["decision"] == decision]
        page.focus(FIELD)
        scan(page, code(some.iloc[0]) if len(some) else "2031.no.1")
        found = page.evaluate("axe.run('.scan', {resultTypes: ['violations']})")
        assert [x["id"] for x in found["violations"]] == [], decision
    context.close()
