"""Statistical charts: values read back off the drawings; Vega-Lite is the measure of axes and places."""

from __future__ import annotations

import json
import math
import re
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.report.draw.axes import BLUE, INK, RED, Scale, percents, rounded_out, ticks, within
from crossproof.report.draw.charts import draw


def marks(svg: str, tag: str, **having: str) -> list[dict[str, str]]:
    """Attributes of the elements of a kind, in the order in which they are drawn; `words`: their text."""
    found = [
        {**e.attrib, "words": e.text or ""}
        for e in ET.fromstring(svg).iter(f"{{http://www.w3.org/2000/svg}}{tag}")
    ]
    return [a for a in found if all(a.get(k.replace("_", "-")) == v for k, v in having.items())]


def scale_read(labels: list[tuple[float, float]]):
    """Value of a place, from labels of an axis (place, value)."""
    places, values = zip(*labels, strict=True)
    slope, start = np.polyfit(places, values, 1)
    return lambda place: slope * place + start


def upright_shares(svg: str):
    """Share of a height, from the labels beside an upright axis."""
    labels = [t for t in marks(svg, "text", text_anchor="end") if re.fullmatch(r"[\d.]+%", t["words"])]
    return scale_read([(float(t["y"]) - 3.7, float(t["words"][:-1]) / 100) for t in labels])


def level_values(svg: str, pattern: str = r"[\d.,]+", by: float = 1.0):
    """Value of a place along a level axis, from its labels."""
    labels = [t for t in marks(svg, "text", text_anchor="middle") if re.fullmatch(pattern, t["words"])]
    return scale_read([(float(t["x"]), float(t["words"].strip("%").replace(",", "")) * by) for t in labels])


def rates(n: int, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    low, rate, high, raw = np.sort(rng.uniform(0.05, 0.88, (4, n)), axis=0)
    return pd.DataFrame(
        {"level": [f"L{k}" for k in range(n)], "rate": rate, "low": low, "high": high, "raw": raw, "n": 9}
    )


@pytest.mark.parametrize("upright", [True, False])
def test_rates_are_where_the_axis_says(upright: bool) -> None:
    frame = rates(6, 1)
    frame.loc[2, ["low", "high"]] = np.nan
    frame.loc[3, "raw"] = np.nan
    svg = draw(ChartSpec(ChartForm.DOTS, frame, {"title": "t", "upright": upright, "overall": 0.4}))
    read = upright_shares(svg) if upright else level_values(svg, r"\d+%", 0.01)
    along, end = ("cy", "y") if upright else ("cx", "x")
    dots = [read(float(d[along])) for d in marks(svg, "circle", fill=BLUE)]
    assert dots == pytest.approx(frame["rate"].tolist(), abs=0.002)
    bars = [(read(float(b[f"{end}1"])), read(float(b[f"{end}2"]))) for b in marks(svg, "line", stroke=BLUE)]
    known = frame.drop(index=2)
    assert bars == [pytest.approx(pair, abs=0.002) for pair in zip(known["low"], known["high"], strict=True)]
    assert len(marks(svg, "path", stroke=INK)) == 5
    dashed = marks(svg, "line", stroke_dasharray="3,3")
    assert [read(float(d[f"{end}1"])) for d in dashed] == pytest.approx([0.4], abs=0.002)


def test_places_and_labels_are_those_of_vega_lite() -> None:
    """Another program lays out the same rates: equal labels at equal places, dots at equal places."""
    vega = pytest.importorskip("vl_convert")
    frame = rates(7, 2)
    top = min(1.0, math.ceil(10 * frame[["high", "raw", "rate"]].max().max()) / 10)
    value = {
        "field": "rate", "type": "quantitative", "scale": {"domain": [0, top], "nice": False},
        "axis": {"format": "%", "tickCount": 5},
    }  # fmt: skip
    theirs = vega.vegalite_to_svg(
        json.dumps(
            {
                "data": {"values": frame.to_dict("records")},
                "mark": {"type": "point", "filled": True},
                "encoding": {
                    "x": value,
                    "y": {"field": "level", "type": "nominal", "sort": frame["level"].tolist()},
                },
                "width": 330,
                "height": {"step": 19},
            }
        )
    )
    ours = draw(ChartSpec(ChartForm.DOTS, frame, {"title": "t"}))
    points = re.findall(
        r'aria-roledescription="point"[^>]*transform="translate\(([\d.]+),([\d.]+)\)"', theirs
    )
    points = points or re.findall(
        r'transform="translate\(([\d.]+),([\d.]+)\)"[^>]*aria-roledescription="point"', theirs
    )
    assert len(points) == len(frame)
    drawn = [(float(d["cx"]), float(d["cy"])) for d in marks(ours, "circle")]
    assert drawn == [pytest.approx((float(x), float(y)), abs=0.06) for x, y in points]
    labels = re.findall(r'<text[^>]*transform="translate\(([-\d.]+),[-\d.]+\)"[^>]*>(\d+%)</text>', theirs)
    mine = [(float(t["x"]), t["words"]) for t in marks(ours, "text") if t["words"].endswith("%")]
    # Vega moves the outermost labels inwards; ours stand at their ticks.
    assert [words for _, words in mine] == [words for _, words in labels]
    assert [x for x, _ in mine[1:-1]] == pytest.approx([float(x) for x, _ in labels[1:-1]], abs=0.6)


@pytest.mark.parametrize(
    ("low", "high", "count", "expected"),
    [
        # The examples of d3-array's documentation, https://d3js.org/d3-array/ticks (`memory`).
        (1, 9, 5, [2, 4, 6, 8]),
        (1, 9, 20, [1 + 0.5 * k for k in range(17)]),
        (0, 1, 6, [0, 0.2, 0.4, 0.6, 0.8, 1]),
        (0, 0.047, 5, [0, 0.01, 0.02, 0.03, 0.04]),
        (7, 7, 5, [7]),
    ],
)  # fmt: skip
def test_round_values_of_an_axis(low: float, high: float, count: int, expected: list[float]) -> None:
    assert ticks(low, high, count) == pytest.approx(expected)


def test_ends_and_labels_of_an_axis() -> None:
    assert rounded_out(0.847, 0.998, 5) == pytest.approx((0.84, 1.0))
    assert rounded_out(0, 66, 10) == (0, 70)
    assert percents([0, 0.2, 0.4]) == ["0%", "20%", "40%"]
    assert percents([0.994, 0.996]) == ["99.4%", "99.6%"]
    assert percents([1.0]) == ["100%"]
    assert Scale(1, 100, 0, 200, log=True).at(10) == pytest.approx(100)
    assert Scale(0, 1, 100, 0).at(1.7) == 0
    assert within("short", 11, 150) == "short"
    assert re.fullmatch(r"a+…", within("a" * 200, 11, 150))


def test_people_and_limits_of_chance() -> None:
    limits = pd.DataFrame({"determined": [10.0, 20, 40], "centre": 0.3})
    limits = limits.assign(low95=[0.1, 0.15, 0.2], high95=[0.5, 0.45, 0.4])
    limits = limits.assign(low998=[0.0, 0.1, 0.15], high998=[0.6, 0.5, 0.45])
    frame = pd.DataFrame({"operator": ["Ana", "<b>"], "determined": [12.0, 33.0], "rate": [0.25, 0.5]})
    svg = draw(ChartSpec(ChartForm.FUNNEL, frame, {"limits": limits, "title": "selfs"}))
    share, plants = upright_shares(svg), level_values(svg)
    dots = marks(svg, "circle", fill=BLUE)
    assert [share(float(d["cy"])) for d in dots] == pytest.approx([0.25, 0.5], abs=0.002)
    assert [plants(float(d["cx"])) for d in dots] == pytest.approx([12, 33], abs=0.1)
    assert {"Ana", "<b>"} <= {t["words"] for t in marks(svg, "text")}
    centre = marks(svg, "path", stroke=INK)[0]["d"]
    ends = [tuple(map(float, p.split(","))) for p in re.findall(r"[\d.]+,[\d.]+", centre)]
    assert [share(y) for _, y in ends] == pytest.approx([0.3] * 3, abs=0.002)
    assert [plants(x) for x, _ in ends] == pytest.approx([10, 20, 40], abs=0.1)
    assert len(marks(svg, "path", stroke_dasharray="5,4")) == 2


def test_weeks_outside_their_limits_are_marked_and_unknown_ones_leave_a_gap() -> None:
    frame = pd.DataFrame({"week": ["W1", "W2", "W3", "W4"], "rate": [0.3, 0.7, np.nan, 0.2], "centre": 0.3,
                          "low": 0.1, "high": 0.5, "outside": [False, True, False, False]})  # fmt: skip
    svg = draw(ChartSpec(ChartForm.CONTROL, frame, {"title": "selfs"}))
    share = upright_shares(svg)
    assert [share(float(d["cy"])) for d in marks(svg, "circle")] == pytest.approx([0.3, 0.2], abs=0.002)
    (outside,) = marks(svg, "path", fill=RED)
    assert share(float(outside["d"].partition(",")[2].partition("L")[0])) == pytest.approx(0.7, abs=0.002)
    (line,) = marks(svg, "path", stroke=BLUE)
    assert line["d"].count("M") == 2, "broken where a week is not known"


def test_plants_by_heterozygous_share() -> None:
    frame = pd.DataFrame({"verdict": ["hybrid", "hybrid", "self"], "share": [0.9, 0.95, 0.0],
                          "share_end": [0.95, 1.0, 0.05], "plants": [30, 60, 0]})  # fmt: skip
    svg = draw(ChartSpec(ChartForm.HETEROZYGOSITY, frame))
    bars = marks(svg, "rect")
    assert [b["fill"] for b in bars] == [BLUE, BLUE], "no bar where there is no plant"
    assert float(bars[1]["height"]) == pytest.approx(2 * float(bars[0]["height"]), abs=0.1)
    along = level_values(svg, r"\d+%", 0.01)
    assert [along(float(b["x"])) for b in bars] == pytest.approx([0.9, 0.95], abs=0.002)


def test_odds_stand_on_a_log_axis() -> None:
    frame = pd.DataFrame(
        {"name": ["a", "b"], "odds_ratio": [0.5, 4.0], "low": [0.2, np.nan], "high": [1.1, np.nan]}
    )
    svg = draw(ChartSpec(ChartForm.FOREST, frame))
    labels = [t for t in marks(svg, "text", text_anchor="middle") if re.fullmatch(r"[\d.]+", t["words"])]
    read = scale_read([(float(t["x"]), math.log(float(t["words"]))) for t in labels])
    assert [math.exp(read(float(d["cx"]))) for d in marks(svg, "circle")] == pytest.approx([0.5, 4], rel=0.01)
    (bar,) = marks(svg, "line", stroke=BLUE)
    assert math.exp(read(float(bar["x1"]))) == pytest.approx(0.2, rel=0.01)


def test_markers_and_learning() -> None:
    frame = pd.DataFrame({"call_rate": [0.9, 0.95, 0.99], "false_heterozygote": [0.0, 0.02, 0.01],
                          "set_aside": [False, False, True]})  # fmt: skip
    svg = draw(ChartSpec(ChartForm.MARKERS, frame))
    wrong, called = upright_shares(svg), level_values(svg, r"[\d.]+%", 0.01)
    rings = marks(svg, "circle", stroke=BLUE)
    assert [called(float(d["cx"])) for d in rings] == pytest.approx([0.9, 0.95], abs=0.001)
    assert [wrong(float(d["cy"])) for d in rings] == pytest.approx([0.0, 0.02], abs=0.001)
    assert len(marks(svg, "path", fill=RED)) == 1
    alike = draw(ChartSpec(ChartForm.MARKERS, frame.assign(call_rate=1.0, false_heterozygote=0.0)))
    assert len(marks(alike, "circle", stroke=BLUE)) == 2
    people = pd.DataFrame({"operator": ["A", "A", "B"], "order": [3.0, 8, 5], "rate": [0.2, 0.4, 0.6]})
    people = people.assign(low=[0.1, 0.2, 0.5], high=[0.5, 0.6, 0.8], so_far=[0.2, 0.3, 0.6])
    svg = draw(ChartSpec(ChartForm.LEARNING, people))
    share = upright_shares(svg)
    assert [share(float(d["cy"])) for d in marks(svg, "circle")] == pytest.approx([0.2, 0.4, 0.6], abs=0.006)
    assert [t["words"] for t in marks(svg, "text", font_weight="bold")] == ["A", "B"]


def test_a_drawing_holds_all_that_was_drawn() -> None:
    """Long names, slanted or beside the axis, lie within the drawing."""
    frame = rates(4, 3).assign(
        level=["a name of some length", "another, longer than the first", "x", "a fourth"]
    )
    for upright in (True, False):
        svg = draw(ChartSpec(ChartForm.DOTS, frame, {"title": "true success per flower", "upright": upright}))
        x, y, width, height = map(float, ET.fromstring(svg).attrib["viewBox"].split())
        assert x < -26
        assert y < 0
        assert width > 400
        assert height > (290 if upright else 95)


UNKNOWN = {
    ChartForm.DOTS: ("level", "rate", "low", "high", "raw", "n"),
    ChartForm.FUNNEL: ("operator", "determined", "rate"),
    ChartForm.LEARNING: ("operator", "order", "rate", "low", "high", "so_far"),
    ChartForm.CONTROL: ("week", "rate", "centre", "low", "high", "outside"),
    ChartForm.HETEROZYGOSITY: ("verdict", "share", "share_end", "plants"),
    ChartForm.FOREST: ("name", "odds_ratio", "low", "high"),
    ChartForm.MARKERS: ("call_rate", "false_heterozygote", "set_aside"),
}


@pytest.mark.parametrize("form", ChartForm)
def test_what_is_not_known_is_not_drawn(form: ChartForm) -> None:
    named = {"level", "operator", "week", "verdict", "name"}
    row = {
        c: "x" if c in named else False if c in ("outside", "set_aside") else np.nan for c in UNKNOWN[form]
    }
    limits = pd.DataFrame(
        {c: [np.nan] for c in ("determined", "centre", "low95", "high95", "low998", "high998")}
    )
    for frame in (pd.DataFrame([row]), pd.DataFrame([row]).iloc[:0]):
        svg = draw(ChartSpec(form, frame, {"title": "t", "limits": limits}))
        assert "nan" not in svg.replace("name", "")
        assert not marks(svg, "circle")
        assert not marks(svg, "rect")
