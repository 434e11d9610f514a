"""Statistical charts: Vega-Lite specifications turned into static SVG without any script.

Every chart is drawn in six stand-in colours (`INK`, `SOFT`, ...) that the style sheet maps to the colours of
the page, so that one drawing serves light, dark and print. Specifications are written as the nested
dictionaries that they are: a library that builds them takes as long as drawing them does.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.report.draw.letters import letters_for
from crossproof.text import shown

Json = dict[str, Any]
"""A part of a specification."""

VEGA_LITE = "6.4"
"""Version of Vega-Lite that the specifications are written for; the newest there is where it is missing."""

INK, SOFT, RULE = "#14202a", "#56646e", "#d5dcd8"
BLUE, YELLOW, RED = "#004488", "#ddaa33", "#bb5566"
_PAPER = "#fffffe"
_VERDICT_INK = {
    "hybrid": BLUE,
    "self": YELLOW,
    "outcross": RED,
    "off pedigree": _PAPER,
    "undetermined": "#eef2f0",
}
_PERCENT: Json = {"format": "%", "tickCount": 5}

_ENLARGED = 1.12
"""Charts are laid out small and shown larger: their letters then have the size of the page's small print."""

_NOISE = re.compile(r' (?:aria-[a-z]+|role|pointer-events|xmlns:xlink|class)="[^"]*"')

_THEME: Json = {
    "background": "transparent",
    "font": "Liberation Sans",
    # Left: a reader's font may be wider than the one that labels were measured in.
    "padding": {"left": 26, "top": 6, "right": 10, "bottom": 4},
    "axis": {
        "labelColor": SOFT,
        "titleColor": INK,
        "domainColor": SOFT,
        "tickColor": SOFT,
        "gridColor": RULE,
        "labelFontSize": 11,
        "titleFontSize": 11.5,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "labelLimit": 150,
        "domainWidth": 1,
    },
    "view": {"stroke": None},
    "header": {
        "labelColor": INK,
        "labelFontSize": 12,
        "labelFontWeight": "bold",
        "titleColor": SOFT,
    },
}


def draw(spec: ChartSpec) -> str:
    """A chart as SVG of its natural width; the page may make it smaller."""
    (drawn,) = draw_all([spec])
    return drawn


def draw_all(
    specs: Sequence[ChartSpec], before: Callable[[int], None] = lambda number: None
) -> tuple[str, ...]:
    """Charts as SVG, each of its natural width; `before` is called with the number of the next one."""
    written = [json.dumps(specification(spec)) for spec in specs]
    drawn = []
    with letters_for(written):
        for number, text in enumerate(written):
            before(number)
            drawn.append(_svg(text))
    return tuple(drawn)


def _svg(specification: str) -> str:
    import vl_convert

    have = vl_convert.get_vegalite_versions()
    version = VEGA_LITE if VEGA_LITE in have else have[-1]
    text = _NOISE.sub("", vl_convert.vegalite_to_svg(specification, vl_version=version))
    size = re.search(r'<svg[^>]*? width="([\d.]+)" height="([\d.]+)"', text)
    assert size is not None
    width = round(float(size.group(1)) * _ENLARGED)
    return text.replace(
        f' width="{size.group(1)}" height="{size.group(2)}"', f' width="{width}" aria-hidden="true"', 1
    )


def specification(spec: ChartSpec) -> Json:
    """A chart in Vega-Lite, data and looks included."""
    frame, options = spec.frame, dict(spec.options)
    drawn = _FORMS[spec.form](frame, options)
    tables = {"rows": frame, **{name: options[name] for name in ("limits",) if name in options}}
    return {"config": _THEME, "datasets": {n: _records(t) for n, t in tables.items()}, **drawn}


def _records(frame: pd.DataFrame) -> list[Json]:
    """Rows of a table: numbers that are none are null, and every text is as it may be shown.

    A NUL in a name would end the drawing library, and the process too.
    """
    columns = {}
    for name in frame.columns:
        if pd.api.types.is_numeric_dtype(frame[name]):
            columns[name] = [v if math.isfinite(v) else None for v in frame[name].tolist()]
        else:
            columns[name] = [shown(v) for v in frame[name]]
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _field(name: str, kind: str = "quantitative", **more: Any) -> Json:
    """A column of the data in a place of the drawing."""
    return {"field": name, "type": kind, **more}


def _layer(kind: str, look: Json, places: Json, *, only: str = "", rows: str = "rows") -> Json:
    """Marks of one kind; `only`: an expression that chooses rows, `rows`: the table."""
    layer: Json = {"data": {"name": rows}, "mark": {"type": kind, **look}, "encoding": places}
    return {**layer, "transform": [{"filter": only}]} if only else layer


def _dots(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """Rates by level: a filled dot with its interval, a hollow one for the raw rate.

    frame: level, rate, low, high, raw, n (all but level float).
    """
    upright = options.get("upright", False)
    order = [shown(level) for level in frame["level"]]
    top = float(
        options.get("top")
        or min(1.0, math.ceil(10 * _largest(frame, "high", "raw", "rate") + 1e-9) / 10 or 1.0)
    )
    value = {"scale": {"domain": [0, top], "nice": False}, "axis": _PERCENT, "title": options["title"]}
    slant = -40 if upright and sum(len(t) + 2 for t in order) > 64 else 0
    across, along = ("y", "x") if upright else ("x", "y")
    axis = {"labelAngle": slant, "grid": False}
    level = _field("level", "nominal", axis=axis, sort=order, title=options.get("level_title", ""))

    def placed(name: str) -> Json:
        return {along: level, across: _field(name, **value)}

    rule = {"strokeWidth": 2.4, "color": BLUE, "opacity": 0.55, "strokeCap": "round"}
    dot = {"filled": True, "size": 62, "color": BLUE, "opacity": 1}
    layers = [
        _layer("rule", rule, {**placed("low"), f"{across}2": {"field": "high"}}),
        _layer("point", dot, placed("rate")),
    ]
    if frame["raw"].notna().any():
        hollow = {"filled": False, "size": 46, "color": INK, "shape": "diamond", "strokeWidth": 1.2}
        layers.append(_layer("point", {**hollow, "opacity": 1}, placed("raw")))
    if (overall := options.get("overall")) is not None:
        line = _layer("rule", {"strokeDash": [3, 3], "color": SOFT}, {across: _field("overall", **value)})
        layers.insert(0, {**line, "data": {"values": [{"overall": overall}]}})
    size = {"width": 400, "height": 210} if upright else {"width": 330, "height": {"step": 19}}
    return {"layer": layers, **size}


def _largest(frame: pd.DataFrame, *columns: str) -> float:
    value = float(frame[list(columns)].max().max())
    return value if math.isfinite(value) else 1.0


def _funnel(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """People against the limits of chance; frame: operator, determined, rate; options: limits (frame)."""
    limits: pd.DataFrame = options["limits"]
    top = min(1.0, max(0.3, float(frame["rate"].max()) + 0.12))
    x = _field(
        "determined",
        title="plants with a verdict",
        scale={"domain": [0, float(limits["determined"].max())], "nice": False},
        axis={"tickCount": 6, "grid": False},
    )

    def placed(name: str) -> Json:
        scale = {"domain": [0, top], "clamp": True, "nice": False}
        return {"x": x, "y": _field(name, scale=scale, axis=_PERCENT, title=options["title"])}

    layers = []
    for bounds, dash in ((("low95", "high95"), [1, 0]), (("low998", "high998"), [5, 4])):
        for bound in bounds:
            line = {"color": SOFT, "strokeDash": dash, "strokeWidth": 1.1, "opacity": 0.9}
            layers.append(_layer("line", line, placed(bound), rows="limits"))
    layers.append(_layer("line", {"color": INK, "strokeWidth": 1.1}, placed("centre"), rows="limits"))
    points = {"filled": True, "color": BLUE, "size": 70, "opacity": 1}
    names = {"align": "left", "dx": 8, "dy": -6, "color": INK, "fontSize": 11}
    layers.append(_layer("point", points, placed("rate")))
    layers.append(_layer("text", names, {**placed("rate"), "text": _field("operator", "nominal")}))
    return {"layer": layers, "width": 430, "height": 260}


def _learning(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """One small panel per person; frame: operator, order (flowers so far), rate, low, high, so_far."""
    axis = {"tickCount": 3, "grid": False}
    x = _field("order", title="flowers so far", axis=axis, scale={"zero": True})
    top = min(1.0, float(frame["high"].fillna(frame["rate"]).quantile(0.9)) * 1.05 + 0.05)

    def placed(name: str) -> Json:
        scale = {"domain": [0, top], "clamp": True}
        return {"x": x, "y": _field(name, axis={"format": "%", "tickCount": 3}, scale=scale, title="")}

    layers = [
        _layer(
            "rule",
            {"color": BLUE, "opacity": 0.4, "strokeWidth": 2},
            {**placed("low"), "y2": {"field": "high"}},
        ),
        _layer("point", {"filled": True, "color": BLUE, "size": 24, "opacity": 1}, placed("rate")),
        _layer("line", {"color": INK, "strokeWidth": 1.6}, placed("so_far")),
    ]
    people = list(dict.fromkeys(shown(name) for name in frame["operator"]))
    return {
        "data": {"name": "rows"},
        "facet": _field("operator", "nominal", title=None, sort=people),
        "columns": min(4, len(people)),
        "spacing": 18,
        "resolve": {"axis": {"x": "independent"}},
        "spec": {"layer": [_without_data(layer) for layer in layers], "width": 165, "height": 96},
    }


def _without_data(layer: Json) -> Json:
    """A layer that takes the data of the panel it stands in."""
    return {name: part for name, part in layer.items() if name != "data"}


def _control(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """The season week by week; frame: week, rate, centre, low, high, outside (bool)."""
    weeks = [shown(week) for week in frame["week"]]
    x = _field("week", "nominal", title="week", sort=weeks, axis={"labelAngle": -40, "grid": False})
    top = min(1.0, max(float(frame["high"].max()), float(frame["rate"].max())) * 1.12 + 0.02)

    def placed(name: str) -> Json:
        scale = {"domain": [0, top], "nice": False}
        return {"x": x, "y": _field(name, axis=_PERCENT, scale=scale, title=options["title"])}

    limit = {"color": SOFT, "strokeDash": [5, 4], "strokeWidth": 1.1, "interpolate": "step"}
    outside = {"filled": True, "color": RED, "size": 110, "shape": "diamond", "stroke": INK}
    layers = [
        _layer("line", limit, placed("low")),
        _layer("line", limit, placed("high")),
        _layer("line", {"color": SOFT, "strokeWidth": 1.1}, placed("centre")),
        _layer("line", {"color": BLUE, "strokeWidth": 1.8}, placed("rate")),
        _layer(
            "point",
            {"filled": True, "color": BLUE, "size": 46, "opacity": 1},
            placed("rate"),
            only="!datum.outside",
        ),
        _layer("point", {**outside, "strokeWidth": 1, "opacity": 1}, placed("rate"), only="datum.outside"),
    ]
    return {"layer": layers, "width": 430, "height": 230}


def _heterozygosity(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """Plants by heterozygous share, one strip per verdict; frame: verdict, share, share_end, plants."""
    whole = "datum.value % 1 ? '' : datum.label"
    inks = {"domain": list(_VERDICT_INK), "range": list(_VERDICT_INK.values())}
    places = {
        "x": _field(
            "share",
            bin="binned",
            title="share of contrast markers that are heterozygous",
            scale={"domain": [0, 1]},
            axis={"format": "%", "tickCount": 6, "grid": False},
        ),
        "x2": {"field": "share_end"},
        "y": _field("plants", title="", axis={"tickCount": 2, "labelExpr": whole}),
        "color": _field("verdict", "nominal", scale=inks, legend=None),
    }
    heading = {"labelAngle": 0, "labelAlign": "left", "labelLimit": 110, "labelFontWeight": "normal"}
    order = list(dict.fromkeys(shown(verdict) for verdict in frame["verdict"]))
    bars = _layer("bar", {"stroke": INK, "strokeWidth": 0.6}, places)
    return {
        "data": {"name": "rows"},
        "facet": {"row": _field("verdict", "nominal", sort=order, title=None, header=heading)},
        "spacing": 6,
        "resolve": {"scale": {"y": "independent"}},
        "spec": {**_without_data(bars), "width": 400, "height": 50},
    }


def _forest(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """Odds ratios with intervals on a log axis; frame: name, odds_ratio, low, high."""
    ticks = {"values": [0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20], "format": "~g", "domain": True}
    names = [shown(name) for name in frame["name"]]
    y = _field("name", "nominal", sort=names, title="", axis={"labelLimit": 210, "grid": False})

    def across(name: str) -> Json:
        title = "odds of a self, times (1 = no difference)"
        return _field(name, scale={"type": "log"}, title=title, axis=ticks)

    one = _layer("rule", {"color": SOFT, "strokeDash": [3, 3]}, {"x": across("one")})
    rule = {"color": BLUE, "strokeWidth": 2.4, "opacity": 0.55}
    dot = {"filled": True, "color": BLUE, "size": 62, "opacity": 1}
    layers = [
        {**one, "data": {"values": [{"one": 1.0}]}},
        _layer("rule", rule, {"x": across("low"), "x2": {"field": "high"}, "y": y}),
        _layer("point", dot, {"x": across("odds_ratio"), "y": y}),
    ]
    return {"layer": layers, "width": 360, "height": {"step": 26}}


def _markers(frame: pd.DataFrame, options: Mapping[str, Any]) -> Json:
    """Markers by call rate and false heterozygotes.

    frame: call_rate, false_heterozygote, set_aside (bool).
    """
    places = {
        "x": _field(
            "call_rate",
            title="call rate",
            axis={"format": "%", "tickCount": 5, "grid": False},
            scale={"zero": False},
        ),
        "y": _field("false_heterozygote", title="homozygotes read as heterozygous", axis=_PERCENT),
    }
    used = {"color": BLUE, "size": 26, "strokeWidth": 1.1, "opacity": 0.75}
    aside = {"color": RED, "filled": True, "shape": "diamond", "size": 70, "stroke": INK}
    layers = [
        _layer("point", used, places, only="!datum.set_aside"),
        _layer("point", {**aside, "strokeWidth": 0.7, "opacity": 1}, places, only="datum.set_aside"),
    ]
    return {"layer": layers, "width": 430, "height": 230}


_FORMS: dict[ChartForm, Callable[[pd.DataFrame, Mapping[str, Any]], Json]] = {
    ChartForm.DOTS: _dots,
    ChartForm.FUNNEL: _funnel,
    ChartForm.LEARNING: _learning,
    ChartForm.CONTROL: _control,
    ChartForm.HETEROZYGOSITY: _heterozygosity,
    ChartForm.FOREST: _forest,
    ChartForm.MARKERS: _markers,
}
