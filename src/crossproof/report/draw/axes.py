"""Scales, axes and marks of statistical charts, as SVG in stand-in colours.

Every chart is drawn in six colours (`INK`, `SOFT`, ...) that the style sheet maps to the colours of the page,
so that one drawing serves light, dark and print. A place is in pixels from the upper left corner of the
rectangle that data are drawn in; what stands around it makes the drawing larger.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from markupsafe import escape
from xlsxwriter.utility import xl_pixel_width

from crossproof.text import shown

INK, SOFT, RULE = "#14202a", "#56646e", "#d5dcd8"
BLUE, YELLOW, RED = "#004488", "#ddaa33", "#bb5566"
PAPER, PANEL = "#fffffe", "#eef2f0"

SMALL, TITLE = 11.0, 11.5
"""Sizes of letters."""
_TICK = 5.0
_GAP = 8.0
_PADDING = (26.0, 6.0, 10.0, 4.0)
"""Left, above, right, below; much on the left, as a reader's font may be wider than labels are measured."""
_ENLARGED = 1.12
"""Charts are laid out small and shown larger: their letters then have the size of the page's small print."""


@dataclass(frozen=True)
class Scale:
    """Values from `low` to `high` in pixels from `start` to `end`; what lies beyond is put at the end."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False

    def at(self, value: float) -> float:
        """Place of a value in pixels."""
        low, high = self.low, self.high
        if self.log:
            low, high, value = math.log(low), math.log(high), math.log(max(value, 1e-300))
        share = (value - low) / (high - low) if high > low else 0.5
        return self.start + min(max(share, 0.0), 1.0) * (self.end - self.start)


def ticks(low: float, high: float, count: int) -> list[float]:
    """About `count` round values from `low` to `high`: multiples of 1, 2 or 5 times a power of ten."""
    step = _step(low, high, count)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def rounded_out(low: float, high: float, count: int) -> tuple[float, float]:
    """The next multiples of the step of `ticks` below `low` and above `high`."""
    step = _step(low, high, count)
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def _step(low: float, high: float, count: int) -> float:
    wanted = max(high - low, 1e-12) / count
    power: float = 10.0 ** math.floor(math.log10(wanted))
    over = wanted / power
    return power * (
        10 if over >= math.sqrt(50) else 5 if over >= math.sqrt(10) else 2 if over >= math.sqrt(2) else 1
    )


def percents(values: Sequence[float]) -> list[str]:
    """Labels of shares, with as many decimals as tell neighbours apart."""
    step = min((b - a for a, b in itertools.pairwise(values)), default=1.0)
    decimals = max(0, -math.floor(math.log10(100 * step) + 1e-9))
    return [f"{100 * v:.{decimals}f}%" for v in values]


def plain_numbers(values: Sequence[float]) -> list[str]:
    """Labels of numbers."""
    return [f"{v:,.6g}" for v in values]


def text_width(words: str, size: float) -> float:
    """About how wide words are, in pixels: a spreadsheet's table of widths, for letters a sixth wider."""
    return float(xl_pixel_width(words)) * size / 12.5


def within(words: str, size: float, most: float) -> str:
    """Words cut to a width in pixels."""
    if text_width(words, size) <= most:
        return words
    while words and text_width(words + "…", size) > most:
        words = words[:-1]
    return words + "…"


class Pen:
    """A drawing in the making: its marks, and how far they reach."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.left = self.top = self.right = self.bottom = 0.0

    def reach(self, x: float, y: float) -> None:
        """Make the drawing reach a place."""
        self.left, self.right = min(self.left, x), max(self.right, x)
        self.top, self.bottom = min(self.top, y), max(self.bottom, y)

    def line(self, start: tuple[float, float], end: tuple[float, float], ink: str, look: str = "") -> None:
        """A straight line; `look`: further attributes of SVG."""
        (x1, y1), (x2, y2) = start, end
        self.reach(x1, y1)
        self.reach(x2, y2)
        self.parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}"{_after(look)}/>'
        )

    def path(self, places: Sequence[tuple[float, float]], ink: str, look: str = "") -> None:
        """A line through places, broken where one is not known (NaN)."""
        words, down = [], False
        for x, y in places:
            if math.isfinite(x) and math.isfinite(y):
                words.append(f"{'L' if down else 'M'}{x:.1f},{y:.1f}")
                self.reach(x, y)
                down = True
            else:
                down = False
        self.parts.append(f'<path d="{"".join(words)}" fill="none" stroke="{ink}"{_after(look)}/>')

    def dot(self, x: float, y: float, radius: float, ink: str, look: str = "") -> None:
        """A filled circle."""
        self.parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius}" fill="{ink}"{_after(look)}/>')

    def ring(self, x: float, y: float, radius: float, ink: str, look: str = "") -> None:
        """An open circle."""
        self.dot(x, y, radius, "none", f'stroke="{ink}"{_after(look)}')

    def diamond(self, x: float, y: float, radius: float, fill: str, edge: str, width: float) -> None:
        """A diamond with an edge."""
        r = radius
        self.parts.append(
            f'<path d="M{x - r:.1f},{y:.1f}L{x:.1f},{y - r:.1f}L{x + r:.1f},{y:.1f}L{x:.1f},{y + r:.1f}Z" '
            f'fill="{fill}" stroke="{edge}" stroke-width="{width}"/>'
        )

    def bar(self, x: tuple[float, float], y: tuple[float, float], fill: str) -> None:
        """A bar with a thin edge, from its upper left corner to its lower right one."""
        self.parts.append(
            f'<rect x="{x[0]:.1f}" y="{y[0]:.1f}" width="{x[1] - x[0]:.1f}" height="{y[1] - y[0]:.1f}" '
            f'fill="{fill}" stroke="{INK}" stroke-width="0.6"/>'
        )

    def text(
        self, x: float, y: float, words: object, size: float = SMALL, ink: str = SOFT, anchor: str = "start",
        *, bold: bool = False, angle: float = 0.0,
    ) -> None:  # fmt: skip
        """Words on a line, their start, middle or end at a place, turned by an angle in degrees."""
        said = shown(words)
        wide = text_width(said, size) * (1.08 if bold else 1.0)
        before = {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        turn = math.radians(angle)
        for along in (-before, wide - before):
            for up in (0.25 * size, -0.75 * size):
                self.reach(
                    x + along * math.cos(turn) - up * math.sin(turn),
                    y + along * math.sin(turn) + up * math.cos(turn),
                )
        look = ' font-weight="bold"' if bold else ""
        look += f' transform="rotate({angle:g} {x:.1f} {y:.1f})"' if angle else ""
        self.parts.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}" fill="{ink}"{look}>'
            f"{escape(said)}</text>"
        )

    def put(self, other: Pen, x: float, y: float) -> None:
        """Another drawing, its rectangle's corner at a place."""
        self.reach(x + other.left, y + other.top)
        self.reach(x + other.right, y + other.bottom)
        self.parts.append(f'<g transform="translate({x:g},{y:g})">{"".join(other.parts)}</g>')

    def svg(self) -> str:
        """The whole drawing, of its natural width; the page may make it smaller."""
        left, above, right, below = _PADDING
        x, y = self.left - left, self.top - above
        width, height = self.right + right - x, self.bottom + below - y
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{round(width * _ENLARGED)}" aria-hidden="true" '
            f'viewBox="{x:.0f} {y:.0f} {width:.0f} {height:.0f}" font-family="Liberation Sans">'
            + "".join(self.parts)
            + "</svg>"
        )


def _after(look: str) -> str:
    return f" {look}" if look else ""


Labels = Callable[[Sequence[float]], list[str]]


def axis_left(
    pen: Pen, scale: Scale, values: Sequence[float], labels: Labels, width: float, *, named: bool = True
) -> None:
    """An upright axis at 0 with lines over the width of the rectangle; `named`: with labels."""
    for value in values:
        pen.line((0, scale.at(value)), (width, scale.at(value)), RULE)
    pen.line((0, scale.start), (0, scale.end), SOFT)
    for value, label in zip(values, labels(values), strict=True) if named else ():
        pen.line((-_TICK, scale.at(value)), (0, scale.at(value)), SOFT)
        pen.text(-_TICK - 2, scale.at(value) + 3.7, label, anchor="end")


def axis_below(
    pen: Pen, scale: Scale, values: Sequence[float], labels: Labels, height: float, *, ruled: bool = False
) -> None:
    """A level axis below the rectangle; `ruled`: with lines over its height."""
    for value in values if ruled else ():
        pen.line((scale.at(value), 0), (scale.at(value), height), RULE)
    pen.line((scale.start, height), (scale.end, height), SOFT)
    for value, label in zip(values, labels(values), strict=True):
        pen.line((scale.at(value), height), (scale.at(value), height + _TICK), SOFT)
        pen.text(scale.at(value), height + _TICK + 11, label, anchor="middle")


def names_left(pen: Pen, names: Sequence[str], step: float, most: float = 150) -> None:
    """Names beside the rectangle, `step` pixels a row, cut to a width."""
    pen.line((0, 0), (0, step * len(names)), SOFT)
    for k, name in enumerate(names):
        pen.line((-_TICK, step * (k + 0.5)), (0, step * (k + 0.5)), SOFT)
        pen.text(-_TICK - 2, step * (k + 0.5) + 3.7, within(name, SMALL, most), anchor="end")


def names_below(pen: Pen, names: Sequence[str], width: float, height: float, *, slanted: bool) -> None:
    """Names below the rectangle, evenly over its width."""
    pen.line((0, height), (width, height), SOFT)
    for k, name in enumerate(names):
        x = width * (k + 0.5) / len(names)
        pen.line((x, height), (x, height + _TICK), SOFT)
        if slanted:
            pen.text(x + 3, height + _TICK + 8, within(name, SMALL, 150), anchor="end", angle=-40)
        else:
            pen.text(x, height + _TICK + 11, within(name, SMALL, 150), anchor="middle")


def title_below(pen: Pen, words: str, width: float) -> None:
    """What a level axis shows, below all that was drawn."""
    if words:
        pen.text(width / 2, pen.bottom + _GAP + 8, words, TITLE, INK, "middle")


def title_left(pen: Pen, words: str, height: float) -> None:
    """What an upright axis shows, left of all that was drawn."""
    if words:
        pen.text(pen.left - _GAP - 2, height / 2, words, TITLE, INK, "middle", angle=-90)
