"""Small drawn parts, held as they are: marks, plate maps, the chain, a finding, a label, a chart."""

import re
import xml.etree.ElementTree as ET

import jsonschema
import pandas as pd
import pytest
from report_parts import HOSTILE, flat

from crossproof.model.results import Verdict
from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.report.content.marks import VERDICT_MARKS, all_marks, symbol_svg
from crossproof.report.draw import charts
from crossproof.report.draw.chain import Link, chain_svg
from crossproof.report.draw.html import digest, unique_ids
from crossproof.report.draw.plate_map import WellMark, plate_svg


def test_symbol_of_a_self():
    assert symbol_svg(VERDICT_MARKS[Verdict.SELF]) == (
        '<symbol id="m-self" viewBox="0 0 24 24" class="mark mark-self"><path d="M3 3H21V21H3Z"/>'
        '<text x="12" y="16.6" text-anchor="middle" font-size="13">S</text></symbol>'
    )


def test_marks_differ_in_letter_and_never_use_the_multiplication_sign():
    letters = [m.letter for m in all_marks()]
    assert len(set(letters)) == len(letters)
    assert not set("×xX") & set(letters), "breeders read it as crossed"
    drawn = [m for v, m in VERDICT_MARKS.items() if v is not Verdict.UNDETERMINED]
    assert len({m.path for m in drawn}) == len(drawn), "every class has a shape of its own"
    assert len({m.colour for m in drawn}) == len(drawn)


def test_small_plate():
    svg = plate_svg(
        [WellMark("A1", "hybrid", "N1, hybrid"), WellMark("B2", "self", ringed=True)],
        "Plate 1",
        pitch=20,
        letters=False,
    )
    assert svg == (
        '<svg class="plate-map" viewBox="0 0 278 192" width="278" height="192" role="img" '
        'aria-label="Plate 1" '
        'xmlns="http://www.w3.org/2000/svg">'
        '<path class="tray" d="M37.0 21H273V187H37.0L27 177.0V31.0Z"/>'
        '<use href="#m-hybrid" x="32.2" y="26.2" width="15.6" height="15.6"><title>N1, hybrid</title></use>'
        '<use href="#m-self" x="52.2" y="46.2" width="15.6" height="15.6"></use>'
        '<circle class="ring" cx="60.0" cy="54.0" r="10.6"/></svg>'
    )


@pytest.mark.parametrize(("well", "columns"), [("H12", 12), ("P24", 24), ("AF48", 48)])
def test_plate_grows_to_the_standard_that_holds_its_wells(well, columns):
    width = int(re.search(r'width="(\d+)"', plate_svg([WellMark(well, "open")], "p", pitch=10)).group(1))
    assert width == 30 + 10 * columns + 8


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_plate_names_stay_text(name):
    root = ET.fromstring(plate_svg([WellMark("A1", "open", name)], name))
    assert {e.tag.rpartition("}")[2] for e in root.iter()} <= {"svg", "path", "text", "use", "title"}


def test_chain_narrows_as_flowers_are_lost():
    links = [Link("flower", "10", "flowers", "", "", 1.0), Link("plant", "2", "hybrids", "20 %", "", 0.2)]
    svg = chain_svg(links, "t")
    assert 'd="M0.0 94.0H240.0V162.0H0.0Z"' in svg, "full width: 34 above and below the middle, 128"
    assert "H960.0V134.8H720.0Z" in svg, "a fifth of it at the end"
    assert "branch-unknown" in chain_svg([links[0], Link("plant", "?", "hybrids", "", "", None)], "t")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_levels_stay_text_in_charts(name):
    frame = pd.DataFrame(
        {"level": [name, "plain"], "rate": [0.4, 0.5], "low": 0.3, "high": 0.6, "raw": 0.45, "n": 10}
    )
    svg = charts.draw(ChartSpec(ChartForm.DOTS, frame, {"title": "rate", "upright": False}))
    tags = {e.tag.rpartition("}")[2] for e in ET.fromstring(svg).iter()}
    assert tags <= {"svg", "g", "path", "rect", "line", "text", "defs", "clipPath"}
    assert "style=" not in svg, "a style attribute would break the page's policy"


def test_charts_are_vega_lite(content):
    """By the schema of Vega-Lite, which altair carries."""
    altair = pytest.importorskip("altair")
    for block in flat(content):
        if hasattr(block, "spec"):
            altair.Chart.from_dict(charts.specification(block.spec), validate=True)
    wrong = charts.specification(next(b.spec for b in flat(content) if hasattr(b, "spec"))) | {
        "layer": [{"mark": "no such mark"}]
    }
    with pytest.raises(jsonschema.ValidationError):
        altair.Chart.from_dict(wrong, validate=True)


def test_charts_use_stand_in_colours_only(content):
    known = {
        "#14202a",
        "#56646e",
        "#d5dcd8",
        "#004488",
        "#ddaa33",
        "#bb5566",
        "#fffffe",
        "#eef2f0",
        "none",
        "transparent",
    }
    for block in flat(content):
        if hasattr(block, "spec"):
            svg = charts.draw(block.spec)
            used = {c.lower() for c in re.findall(r'(?:fill|stroke)="([^"]+)"', svg)}
            assert used <= known, block.id


def test_ids_of_two_charts_do_not_meet():
    svg = '<svg><clipPath id="clip0"/><g clip-path="url(#clip0)"/><use href="#clip0"/></svg>'
    assert unique_ids(svg, "by-hour") == (
        '<svg><clipPath id="by-hour-clip0"/><g clip-path="url(#by-hour-clip0)"/><use '
        'href="#by-hour-clip0"/></svg>'
    )


def test_policy_digest_is_the_published_one():
    """The example of the Content Security Policy specification, level 3."""
    assert digest("alert('Hello, world.');") == "sha256-qznLcsROx4GACP2dm0UCKCzCG+HiZ1guq6ZZDob/Tng="
