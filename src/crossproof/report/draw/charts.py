"""Statistical charts: Altair specifications turned into static SVG without any script.

Every chart is drawn in six stand-in colours (`INK`, `SOFT`, ...) that the style sheet maps to the colours of
the page, so that one drawing serves light, dark and print.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import altair as alt
import pandas as pd
import vl_convert
from altair.utils.schemapi import debug_mode

from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.text import shown

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
_PERCENT = alt.Axis(format="%", tickCount=5)

_ENLARGED = 1.12
"""Charts are laid out small and shown larger: their letters then have the size of the page's small print."""

_NOISE = re.compile(r' (?:aria-[a-z]+|role|pointer-events|xmlns:xlink|class)="[^"]*"')


def draw(spec: ChartSpec, *, checked: bool = False) -> str:
    """A chart as SVG of its natural width; the page may make it smaller.

    `checked` holds the specification against the library's schema first, which costs more than the drawing:
    the tests ask for it.
    """
    with debug_mode(checked):
        chart = _FORMS[spec.form](_harmless(spec.frame), dict(spec.options))
        return _svg(chart, checked)


def _harmless(frame: pd.DataFrame) -> pd.DataFrame:
    """Every text as it may be shown: a NUL in a name would end the drawing library, and the process too."""
    named = [c for c in frame.columns if not pd.api.types.is_numeric_dtype(frame[c])]
    return frame.assign(**{c: [shown(v) for v in frame[c]] for c in named})


def _svg(chart: Any, checked: bool) -> str:
    # In one call: each copies the whole chart, its data included.
    themed = chart.configure(
        background="transparent",
        font="Liberation Sans",
        # Left: a reader's font may be wider than the one that labels were measured in.
        padding={"left": 26, "top": 6, "right": 10, "bottom": 4},
        axis={
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
        view={"stroke": None},
        header={
            "labelColor": INK,
            "labelFontSize": 12,
            "labelFontWeight": "bold",
            "titleColor": SOFT,
        },
    )
    text = vl_convert.vegalite_to_svg(themed.to_json(validate=checked), vl_version=_vl_version())
    text = _NOISE.sub("", text)
    size = re.search(r'<svg[^>]*? width="([\d.]+)" height="([\d.]+)"', text)
    assert size is not None
    width = round(float(size.group(1)) * _ENLARGED)
    return text.replace(
        f' width="{size.group(1)}" height="{size.group(2)}"', f' width="{width}" aria-hidden="true"', 1
    )


def _vl_version() -> str:
    have = vl_convert.get_vegalite_versions()
    wanted = ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
    return wanted if wanted in have else have[-1]


def _dots(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """Rates by level: a filled dot with its interval, a hollow one for the raw rate.

    frame: level, rate, low, high, raw, n (all but level float).
    """
    upright = options.get("upright", False)
    order = list(frame["level"])
    top = float(
        options.get("top")
        or min(1.0, math.ceil(10 * _largest(frame, "high", "raw", "rate") + 1e-9) / 10 or 1.0)
    )
    value: dict[str, Any] = {
        "scale": alt.Scale(domain=[0, top], nice=False),
        "axis": _PERCENT,
        "title": options["title"],
    }
    place: dict[str, Any] = {"sort": order, "title": options.get("level_title", "")}
    slant = -40 if upright and sum(len(t) + 2 for t in order) > 64 else 0
    across, along = (alt.Y, alt.X) if upright else (alt.X, alt.Y)
    base = alt.Chart(frame)
    level = along("level:N", axis=alt.Axis(labelAngle=slant, grid=False), **place)
    low_name, high_name = ("y", "y2") if upright else ("x", "x2")
    where = {"x" if upright else "y": level}
    rule = base.mark_rule(strokeWidth=2.4, color=BLUE, opacity=0.55, strokeCap="round").encode(
        **where, **{low_name: across("low:Q", **value), high_name: _second(high_name)}
    )
    dot = base.mark_point(filled=True, size=62, color=BLUE, opacity=1).encode(
        **where, **{low_name: across("rate:Q", **value)}
    )
    layers = [rule, dot]
    if frame["raw"].notna().any():
        layers.append(
            base.mark_point(
                filled=False, size=46, color=INK, shape="diamond", strokeWidth=1.2, opacity=1
            ).encode(**where, **{low_name: across("raw:Q", **value)})
        )
    if options.get("overall") is not None:
        whole = pd.DataFrame({"overall": [options["overall"]]})
        line = alt.Chart(whole).mark_rule(strokeDash=[3, 3], color=SOFT)
        layers.insert(0, line.encode(**{low_name: across("overall:Q", **value)}))
    size = {"width": 400, "height": 210} if upright else {"width": 330, "height": {"step": 19}}
    return alt.layer(*layers).properties(**size)


def _largest(frame: pd.DataFrame, *columns: str) -> float:
    value = float(frame[list(columns)].max().max())
    return value if math.isfinite(value) else 1.0


def _second(name: str) -> Any:
    return alt.Y2("high:Q") if name == "y2" else alt.X2("high:Q")


def _funnel(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """People against the limits of chance; frame: operator, determined, rate; options: limits (frame)."""
    limits: pd.DataFrame = options["limits"]
    top = min(1.0, max(0.3, float(frame["rate"].max()) + 0.12))
    y: dict[str, Any] = {
        "scale": alt.Scale(domain=[0, top], clamp=True, nice=False),
        "axis": _PERCENT,
        "title": options["title"],
    }
    x: dict[str, Any] = {
        "title": "plants with a verdict",
        "scale": alt.Scale(domain=[0, float(limits["determined"].max())], nice=False),
        "axis": alt.Axis(tickCount=6, grid=False),
    }
    lines = []
    for low, high, dash, opacity in (("low95", "high95", [1, 0], 0.9), ("low998", "high998", [5, 4], 0.9)):
        for bound in (low, high):
            lines.append(
                alt.Chart(limits)
                .mark_line(color=SOFT, strokeDash=dash, strokeWidth=1.1, opacity=opacity)
                .encode(x=alt.X("determined:Q", **x), y=alt.Y(f"{bound}:Q", **y))
            )
    centre = (
        alt.Chart(limits)
        .mark_line(color=INK, strokeWidth=1.1)
        .encode(x=alt.X("determined:Q", **x), y=alt.Y("centre:Q", **y))
    )
    base = alt.Chart(frame).encode(x=alt.X("determined:Q", **x), y=alt.Y("rate:Q", **y))
    points = base.mark_point(filled=True, color=BLUE, size=70, opacity=1)
    names = base.mark_text(align="left", dx=8, dy=-6, color=INK, fontSize=11).encode(text="operator:N")
    return alt.layer(*lines, centre, points, names).properties(width=430, height=260)


def _learning(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """One small panel per person; frame: operator, order (flowers so far), rate, low, high, so_far."""
    x = alt.X(
        "order:Q", title="flowers so far", axis=alt.Axis(tickCount=3, grid=False), scale=alt.Scale(zero=True)
    )
    top = min(1.0, float(frame["high"].fillna(frame["rate"]).quantile(0.9)) * 1.05 + 0.05)
    y: dict[str, Any] = {
        "axis": alt.Axis(format="%", tickCount=3),
        "scale": alt.Scale(domain=[0, top], clamp=True),
        "title": "",
    }
    base = alt.Chart().encode(x=x)
    rule = base.mark_rule(color=BLUE, opacity=0.4, strokeWidth=2).encode(y=alt.Y("low:Q", **y), y2="high:Q")
    dot = base.mark_point(filled=True, color=BLUE, size=24, opacity=1).encode(y=alt.Y("rate:Q", **y))
    line = base.mark_line(color=INK, strokeWidth=1.6).encode(y=alt.Y("so_far:Q", **y))
    people = list(dict.fromkeys(frame["operator"]))
    return (
        alt.layer(rule, dot, line, data=frame)
        .properties(width=165, height=96)
        .facet(
            facet=alt.Facet("operator:N", title=None, sort=people), columns=min(4, len(people)), spacing=18
        )
        .resolve_axis(x="independent")
    )


def _control(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """The season week by week; frame: week, rate, centre, low, high, outside (bool)."""
    x = alt.X("week:N", title="week", sort=list(frame["week"]), axis=alt.Axis(labelAngle=-40, grid=False))
    top = min(1.0, max(float(frame["high"].max()), float(frame["rate"].max())) * 1.12 + 0.02)
    y: dict[str, Any] = {
        "axis": _PERCENT,
        "scale": alt.Scale(domain=[0, top], nice=False),
        "title": options["title"],
    }
    base = alt.Chart(frame).encode(x=x)
    limits = [
        base.mark_line(color=SOFT, strokeDash=[5, 4], strokeWidth=1.1, interpolate="step").encode(
            y=alt.Y(f"{b}:Q", **y)
        )
        for b in ("low", "high")
    ]
    centre = base.mark_line(color=SOFT, strokeWidth=1.1).encode(y=alt.Y("centre:Q", **y))
    line = base.mark_line(color=BLUE, strokeWidth=1.8).encode(y=alt.Y("rate:Q", **y))
    inside = base.transform_filter("!datum.outside").mark_point(filled=True, color=BLUE, size=46, opacity=1)
    outside = base.transform_filter("datum.outside").mark_point(
        filled=True, color=RED, size=110, shape="diamond", stroke=INK, strokeWidth=1, opacity=1
    )
    return alt.layer(
        *limits, centre, line, inside.encode(y=alt.Y("rate:Q", **y)), outside.encode(y=alt.Y("rate:Q", **y))
    ).properties(width=430, height=230)


def _heterozygosity(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """Plants by heterozygous share, one strip per verdict; frame: verdict, share, share_end, plants."""
    top: dict[str, Any] = {
        "scale": alt.Scale(domain=[0, 1]),
        "axis": alt.Axis(format="%", tickCount=6, grid=False),
    }
    bars = (
        alt.Chart(frame)
        .mark_bar(stroke=INK, strokeWidth=0.6)
        .encode(
            x=alt.X("share:Q", bin="binned", title="share of contrast markers that are heterozygous", **top),
            x2="share_end:Q",
            y=alt.Y(
                "plants:Q",
                title="",
                axis=alt.Axis(tickCount=2, labelExpr="datum.value % 1 ? '' : datum.label"),
            ),
            color=alt.Color(
                "verdict:N",
                scale=alt.Scale(domain=list(_VERDICT_INK), range=list(_VERDICT_INK.values())),
                legend=None,
            ),
        )
        .properties(width=400, height=50)
    )
    order = list(dict.fromkeys(frame["verdict"]))
    return bars.facet(
        row=alt.Row(
            "verdict:N",
            sort=order,
            title=None,
            header=alt.Header(labelAngle=0, labelAlign="left", labelLimit=110, labelFontWeight="normal"),
        ),
        spacing=6,
    ).resolve_scale(y="independent")


def _forest(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """Odds ratios with intervals on a log axis; frame: name, odds_ratio, low, high."""
    x: dict[str, Any] = {
        "scale": alt.Scale(type="log"),
        "title": "odds of a self, times (1 = no difference)",
        "axis": alt.Axis(values=[0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20], format="~g", domain=True),
    }
    y = alt.Y("name:N", sort=list(frame["name"]), title="", axis=alt.Axis(labelLimit=210, grid=False))
    base = alt.Chart(frame).encode(y=y)
    one = (
        alt.Chart(pd.DataFrame({"one": [1.0]}))
        .mark_rule(color=SOFT, strokeDash=[3, 3])
        .encode(x=alt.X("one:Q", **x))
    )
    rule = base.mark_rule(color=BLUE, strokeWidth=2.4, opacity=0.55).encode(
        x=alt.X("low:Q", **x), x2="high:Q"
    )
    dot = base.mark_point(filled=True, color=BLUE, size=62, opacity=1).encode(x=alt.X("odds_ratio:Q", **x))
    return alt.layer(one, rule, dot).properties(width=360, height={"step": 26})


def _markers(frame: pd.DataFrame, options: dict[str, Any]) -> Any:
    """Markers by call rate and false heterozygotes.

    frame: call_rate, false_heterozygote, set_aside (bool).
    """
    x = alt.X(
        "call_rate:Q",
        title="call rate",
        axis=alt.Axis(format="%", tickCount=5, grid=False),
        scale=alt.Scale(zero=False),
    )
    y = alt.Y("false_heterozygote:Q", title="homozygotes read as heterozygous", axis=_PERCENT)
    base = alt.Chart(frame).encode(x=x, y=y)
    used = base.transform_filter("!datum.set_aside").mark_point(
        color=BLUE, size=26, strokeWidth=1.1, opacity=0.75
    )
    aside = base.transform_filter("datum.set_aside").mark_point(
        color=RED, filled=True, shape="diamond", size=70, stroke=INK, strokeWidth=0.7, opacity=1
    )
    return alt.layer(used, aside).properties(width=430, height=230)


_FORMS: dict[ChartForm, Callable[[pd.DataFrame, dict[str, Any]], Any]] = {
    ChartForm.DOTS: _dots,
    ChartForm.FUNNEL: _funnel,
    ChartForm.LEARNING: _learning,
    ChartForm.CONTROL: _control,
    ChartForm.HETEROZYGOSITY: _heterozygosity,
    ChartForm.FOREST: _forest,
    ChartForm.MARKERS: _markers,
}
