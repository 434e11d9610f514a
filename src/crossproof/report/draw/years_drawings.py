"""Drawings of the page over several seasons: a rate by season, levels against the others of their season."""

from __future__ import annotations

import math
from collections.abc import Sequence

from crossproof.report.draw.svg import svg, text

_WIDTH = 860.0


def rate_by_season(points: Sequence[tuple[str, float, float, float]], label: str) -> str:
    """A rate with its limits for every season; `points`: name, rate, low, high, NaN where not known."""
    height, left, right, top, bottom = 230.0, 64.0, 24.0, 14.0, 34.0
    known = [p[3] for p in points if math.isfinite(p[3])]
    most = min(1.0, max(0.1, math.ceil(max(known, default=1.0) * 10) / 10))
    tall = height - top - bottom

    def at(rate: float) -> float:
        return top + tall * (1 - min(rate, most) / most)

    out = []
    for k in range(5):
        share = most * k / 4
        y = at(share)
        out.append(f'<line class="grid" x1="{left}" x2="{_WIDTH - right}" y1="{y:.1f}" y2="{y:.1f}"/>')
        out.append(text(left - 8, y + 4, f"{share:.0%}", "small", "end"))
    step = (_WIDTH - left - right) / max(len(points), 1)
    for k, (name, rate, low, high) in enumerate(points):
        x = left + step * (k + 0.5)
        out.append(text(x, height - 10, name, "small", "middle"))
        if not math.isfinite(rate):
            out.append(text(x, at(0.0) - 6, "not known", "small", "middle"))
            continue
        out.append(f'<line class="axis" x1="{x:.1f}" x2="{x:.1f}" y1="{at(low):.1f}" y2="{at(high):.1f}"/>')
        out.append(f'<circle class="dot" cx="{x:.1f}" cy="{at(rate):.1f}" r="6"/>')
        out.append(text(x + 11, at(rate) + 4, f"{rate:.0%}", "small"))
    return svg(_WIDTH, height, label, out)


def beside_others(rows: Sequence[tuple[str, float, float, float, bool]], label: str) -> str:
    """Odds ratios with limits, one line each; `rows`: name, ratio, low, high, clear of chance."""
    row, left, right, top = 26.0, 300.0, 24.0, 10.0
    height = top + row * len(rows) + 46
    edge = math.log(16.0)

    def at(ratio: float) -> float:
        share = (max(-edge, min(edge, math.log(max(ratio, 1e-9)))) + edge) / (2 * edge)
        return left + (_WIDTH - left - right) * share

    bottom = top + row * len(rows)
    out = []
    for ratio in (0.0625, 0.25, 0.5, 1.0, 2.0, 4.0, 16.0):
        x = at(ratio)
        css = "axis" if ratio == 1.0 else "grid"
        out.append(f'<line class="{css}" x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{bottom:.1f}"/>')
        out.append(text(x, bottom + 18, f"{ratio:g}", "small", "middle"))
    for k, (name, ratio, low, high, clear) in enumerate(rows):
        y = top + row * (k + 0.5)
        out.append(text(left - 12, y + 4, name if len(name) <= 42 else name[:40] + "…", "", "end"))
        out.append(f'<line class="axis" x1="{at(low):.1f}" x2="{at(high):.1f}" y1="{y:.1f}" y2="{y:.1f}"/>')
        css = "dot" if clear else "dot-no"
        out.append(f'<circle class="{css}" cx="{at(ratio):.1f}" cy="{y:.1f}" r="5.5"/>')
    out.append(text((left + _WIDTH - right) / 2, height - 6, "odds against the others", "", "middle"))
    return svg(_WIDTH, height, label, out)
