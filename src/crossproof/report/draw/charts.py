"""Statistical charts as static SVG, drawn from their rows.

Drawn here and not by a charting library: those that give SVG without a browser start a JavaScript engine or
load as much as a whole report costs otherwise. `tests/report/draw/test_charts.py` compares places and labels
with those of Vega-Lite.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from crossproof.report.content.blocks import ChartForm, ChartSpec
from crossproof.report.draw.axes import (
    BLUE,
    INK,
    PANEL,
    PAPER,
    RED,
    SOFT,
    YELLOW,
    Pen,
    Scale,
    axis_below,
    axis_left,
    names_below,
    names_left,
    percents,
    plain_numbers,
    rounded_out,
    ticks,
    title_below,
    title_left,
)
from crossproof.text import shown

Options = Mapping[str, Any]

_VERDICT_INK = {"hybrid": BLUE, "self": YELLOW, "outcross": RED, "off pedigree": PAPER, "undetermined": PANEL}
_RULE = 'stroke-width="2.4" stroke-linecap="round" opacity="0.55"'
_LIMIT, _FAR_LIMIT = 'stroke-width="1.1"', 'stroke-width="1.1" stroke-dasharray="5,4"'
_DASHED = 'stroke-dasharray="3,3"'
_ODDS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_SLANT_FROM = 64
"""Letters of all names below an axis from which on they are slanted."""


def draw(spec: ChartSpec) -> str:
    """A chart as SVG of its natural width; the page may make it smaller."""
    pen = Pen()
    _FORMS[spec.form](pen, spec.frame, spec.options)
    return pen.svg()


def _columns(frame: pd.DataFrame, *names: str) -> list[list[float]]:
    """Columns of numbers, NaN where one is none or has no end."""
    out = []
    for name in names:
        values = frame[name].to_numpy(dtype=np.float64, na_value=np.nan)
        out.append(np.where(np.isfinite(values), values, np.nan).tolist())
    return out


def _known(*values: float) -> bool:
    return all(map(math.isfinite, values))


def _largest(frame: pd.DataFrame, *columns: str) -> float:
    value = float(frame[list(columns)].max().max())
    return value if math.isfinite(value) else 1.0


def _dots(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """Rates by level: a filled dot with its interval, a hollow one for the raw rate.

    frame: level, rate, low, high, raw, n (all but level float).
    """
    levels = [shown(level) for level in frame["level"]]
    largest = math.ceil(10 * _largest(frame, "high", "raw", "rate") + 1e-9) / 10 or 1.0
    top = float(options.get("top") or min(1.0, largest))
    values = ticks(0, top, 5)
    upright = options.get("upright", False)
    width, height = (400.0, 210.0) if upright else (330.0, 19.0 * len(levels))
    scale = Scale(0, top, height, 0) if upright else Scale(0, top, 0, width)
    step = (width if upright else height) / max(len(levels), 1)
    if upright:
        axis_left(pen, scale, values, percents, width)
        slanted = sum(len(t) + 2 for t in levels) > _SLANT_FROM
        names_below(pen, levels, width, height, slanted=slanted)
    else:
        axis_below(pen, scale, values, percents, height, ruled=True)
        names_left(pen, levels, step)

    def place(k: float, value: float) -> tuple[float, float]:
        along, across = step * (k + 0.5), scale.at(value)
        return (along, across) if upright else (across, along)

    if (overall := options.get("overall")) is not None:
        pen.line(place(-0.5, overall), place(len(levels) - 0.5, overall), SOFT, _DASHED)
    rates, lows, highs, raws = _columns(frame, "rate", "low", "high", "raw")
    for k, (low, high) in enumerate(zip(lows, highs, strict=True)):
        if _known(low, high):
            pen.line(place(k, low), place(k, high), BLUE, _RULE)
    for k, rate in enumerate(rates):
        if _known(rate):
            pen.dot(*place(k, rate), 3.9, BLUE)
    for k, raw in enumerate(raws):
        if _known(raw):
            pen.diamond(*place(k, raw), 3.4, "none", INK, 1.2)
    title_below(pen, options.get("level_title", "") if upright else options["title"], width)
    title_left(pen, options["title"] if upright else options.get("level_title", ""), height)


def _funnel(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """People against the limits of chance; frame: operator, determined, rate; options: limits (frame)."""
    limits: pd.DataFrame = options["limits"]
    width, height = 430.0, 260.0
    most = _largest(limits, "determined")
    x = Scale(0, most, 0, width)
    top = min(1.0, max(0.3, float(frame["rate"].max()) + 0.12))
    y = Scale(0, top, height, 0)
    axis_left(pen, y, ticks(0, top, 5), percents, width)
    axis_below(pen, x, ticks(0, most, 6), plain_numbers, height)
    (at,) = _columns(limits, "determined")
    bounds = _columns(limits, "low95", "high95", "low998", "high998")
    for values, look in zip(bounds, (_LIMIT, _LIMIT, _FAR_LIMIT, _FAR_LIMIT), strict=True):
        pen.path(_through(x, y, at, values), SOFT, look)
    pen.path(_through(x, y, at, _columns(limits, "centre")[0]), INK, _LIMIT)
    for name, n, rate in zip(frame["operator"], *_columns(frame, "determined", "rate"), strict=True):
        if _known(n, rate):
            pen.dot(x.at(n), y.at(rate), 4.2, BLUE)
            pen.text(x.at(n) + 8, y.at(rate) - 4, name, ink=INK)
    title_below(pen, "plants with a verdict", width)
    title_left(pen, options["title"], height)


def _through(x: Scale, y: Scale, at: Sequence[float], values: Sequence[float]) -> list[tuple[float, float]]:
    """Places of values, NaN where one is not known."""
    known = zip(at, values, strict=True)
    return [(x.at(a), y.at(v)) if _known(a, v) else (math.nan, math.nan) for a, v in known]


def _learning(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """One small panel per person; frame: operator, order (flowers so far), rate, low, high, so_far."""
    width, height, across, down = 165.0, 96.0, 183.0, 176.0
    people = list(dict.fromkeys(shown(name) for name in frame["operator"]))
    whose = np.array([shown(name) for name in frame["operator"]], dtype=object)
    top = min(1.0, float(frame["high"].fillna(frame["rate"]).quantile(0.9)) * 1.05 + 0.05)
    most = rounded_out(0, _largest(frame, "order"), 3)[1]
    x, y = Scale(0, most, 0, width), Scale(0, top, height, 0)
    columns = min(4, len(people))
    for place, person in enumerate(people):
        inner = Pen()
        axis_left(inner, y, ticks(0, top, 3), percents, width, named=place % columns == 0)
        axis_below(inner, x, ticks(0, most, 3), plain_numbers, height)
        inner.text(width / 2, -10, person, 12, INK, "middle", bold=True)
        inner.text(width / 2, height + 34, "flowers so far", 11.5, INK, "middle")
        _one_person(inner, frame[whose == person], x, y)
        pen.put(inner, across * (place % columns), down * (place // columns))


def _one_person(pen: Pen, mine: pd.DataFrame, x: Scale, y: Scale) -> None:
    """Rates of one person with their intervals, and the rate so far."""
    order, rates, lows, highs, so_far = _columns(mine, "order", "rate", "low", "high", "so_far")
    for at, low, high in zip(order, lows, highs, strict=True):
        if _known(at, low, high):
            pen.line((x.at(at), y.at(low)), (x.at(at), y.at(high)), BLUE, 'stroke-width="2" opacity="0.4"')
    for at, rate in zip(order, rates, strict=True):
        if _known(at, rate):
            pen.dot(x.at(at), y.at(rate), 2.4, BLUE)
    along = sorted(zip(order, so_far, strict=True))
    pen.path(_through(x, y, [a for a, _ in along], [v for _, v in along]), INK, 'stroke-width="1.6"')


def _control(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """The season week by week; frame: week, rate, centre, low, high, outside (bool)."""
    width, height = 430.0, 230.0
    weeks = [shown(week) for week in frame["week"]]
    top = min(1.0, max(float(frame["high"].max()), float(frame["rate"].max())) * 1.12 + 0.02)
    y = Scale(0, top, height, 0)
    axis_left(pen, y, ticks(0, top, 5), percents, width)
    names_below(pen, weeks, width, height, slanted=True)
    x = Scale(0, len(weeks), 0, width)
    at = [k + 0.5 for k in range(len(weeks))]
    rates, centre, lows, highs = _columns(frame, "rate", "centre", "low", "high")
    for limit in (lows, highs):
        pen.path(_steps(_through(x, y, at, limit)), SOFT, _FAR_LIMIT)
    pen.path(_through(x, y, at, centre), SOFT, _LIMIT)
    pen.path(_through(x, y, at, rates), BLUE, 'stroke-width="1.8"')
    for k, (rate, outside) in enumerate(zip(rates, frame["outside"], strict=True)):
        if _known(rate) and outside:
            pen.diamond(x.at(at[k]), y.at(rate), 5.2, RED, INK, 1)
        elif _known(rate):
            pen.dot(x.at(at[k]), y.at(rate), 3.4, BLUE)
    title_below(pen, "week", width)
    title_left(pen, options["title"], height)


def _steps(places: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """A line through places that changes half way between them."""
    out = list(places[:1])
    for (x0, y0), (x1, y1) in itertools.pairwise(places):
        out += [((x0 + x1) / 2, y0), ((x0 + x1) / 2, y1), (x1, y1)]
    return out


def _heterozygosity(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """Plants by heterozygous share, one strip per verdict; frame: verdict, share, share_end, plants."""
    width, height, down = 400.0, 50.0, 56.0
    x = Scale(0, 1, 0, width)
    verdicts = [shown(verdict) for verdict in frame["verdict"]]
    names = list(dict.fromkeys(verdicts))
    for place, name in enumerate(names):
        mine = frame[np.array(verdicts, dtype=object) == name]
        inner = Pen()
        most = rounded_out(0, max(_largest(mine, "plants"), 1.0), 10)[1]
        y = Scale(0, most, height, 0)
        axis_left(inner, y, [v for v in ticks(0, most, 2) if v % 1 == 0], plain_numbers, width)
        for start, end, plants in zip(*_columns(mine, "share", "share_end", "plants"), strict=True):
            if plants > 0:
                inner.bar((x.at(start), x.at(end)), (y.at(plants), height), _VERDICT_INK.get(name, PANEL))
        if place == len(names) - 1:
            axis_below(inner, x, ticks(0, 1, 6), percents, height)
            title_below(inner, "share of contrast markers that are heterozygous", width)
        else:
            inner.line((0, height), (width, height), SOFT)
        inner.text(-44, height / 2 + 4, name, 12, INK, "end")
        pen.put(inner, 0, down * place)


def _forest(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """Odds ratios with intervals on a log axis; frame: name, odds_ratio, low, high."""
    names = [shown(name) for name in frame["name"]]
    width, step = 360.0, 26.0
    height = step * len(names)
    ratios, lows, highs = _columns(frame, "odds_ratio", "low", "high")
    known = [v for v in (*ratios, *lows, *highs) if v > 0]
    x = Scale(min([*known, 0.8]) / 1.15, max([*known, 1.25]) * 1.15, 0, width, log=True)
    axis_below(pen, x, [v for v in _ODDS if x.low <= v <= x.high], plain_numbers, height, ruled=True)
    names_left(pen, names, step, most=260)
    pen.line((x.at(1), 0), (x.at(1), height), SOFT, _DASHED)
    for k, (ratio, low, high) in enumerate(zip(ratios, lows, highs, strict=True)):
        y = step * (k + 0.5)
        if _known(low, high):
            pen.line((x.at(low), y), (x.at(high), y), BLUE, _RULE)
        if _known(ratio):
            pen.dot(x.at(ratio), y, 3.9, BLUE)
    title_below(pen, "odds of a self, times (1 = no difference)", width)


def _markers(pen: Pen, frame: pd.DataFrame, options: Options) -> None:
    """Markers by call rate and false heterozygotes.

    frame: call_rate, false_heterozygote, set_aside (bool).
    """
    width, height = 430.0, 230.0
    called, wrong = _columns(frame, "call_rate", "false_heterozygote")
    known = [v for v in called if _known(v)] or [0.0, 1.0]
    low, high = min(known), max(known)
    low, high = rounded_out(*((low, high) if high > low else (low - 0.01, high + 0.01)), 5)
    most = rounded_out(0, max([v for v in wrong if _known(v)] or [0.0]) or 0.01, 5)[1]
    x, y = Scale(low, high, 0, width), Scale(0, most, height, 0)
    axis_left(pen, y, ticks(0, most, 5), percents, width)
    axis_below(pen, x, ticks(low, high, 5), percents, height)
    rows = list(zip(called, wrong, frame["set_aside"], strict=True))
    for a, b, aside in rows:
        if _known(a, b) and not aside:
            pen.ring(x.at(a), y.at(b), 2.5, BLUE, 'stroke-width="1.1" opacity="0.75"')
    for a, b, aside in rows:
        if _known(a, b) and aside:
            pen.diamond(x.at(a), y.at(b), 4.2, RED, INK, 0.7)
    title_below(pen, "call rate", width)
    title_left(pen, "homozygotes read as heterozygous", height)


_FORMS: dict[ChartForm, Callable[[Pen, pd.DataFrame, Options], None]] = {
    ChartForm.DOTS: _dots,
    ChartForm.FUNNEL: _funnel,
    ChartForm.LEARNING: _learning,
    ChartForm.CONTROL: _control,
    ChartForm.HETEROZYGOSITY: _heterozygosity,
    ChartForm.FOREST: _forest,
    ChartForm.MARKERS: _markers,
}
