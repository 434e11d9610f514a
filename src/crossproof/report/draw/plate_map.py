"""A plate drawn as SVG: every well with its mark, and a ring round the wells that a finding is about."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

from crossproof.model.plates import PLATE_FORMATS, PlateFormat, parse_well, row_letters, smallest_format
from crossproof.text import shown


@dataclass(frozen=True)
class WellMark:
    """What one well shows: the key of its mark, and words for who points at it."""

    well: str
    key: str
    title: str = ""
    ringed: bool = False


def plate_svg(wells: Iterable[WellMark], label: str, *, pitch: int = 26, letters: bool = True) -> str:
    """A plate map whose marks are the page's symbols (`m-<key>`); unreadable well names are left out."""
    placed = [(parse_well(w.well), w) for w in wells if _readable(w.well)]
    shape = smallest_format([p for p, _ in placed]) if placed else PLATE_FORMATS[0]
    left, top = 30, 24
    width, height = left + shape.columns * pitch + 8, top + shape.rows * pitch + 8
    parts = [
        f'<svg class="plate-map" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'aria-label="{escape(shown(label))}" xmlns="http://www.w3.org/2000/svg">',
        _tray(shape, left, top, pitch),
    ]
    if letters:
        parts += _edge_names(shape, left, top, pitch)
    size = pitch * 0.78
    off = (pitch - size) / 2
    for position, well in placed:
        x, y = left + position.column * pitch + off, top + position.row * pitch + off
        title = f"<title>{escape(shown(well.title))}</title>" if well.title else ""
        parts.append(
            f'<use href="#m-{well.key}" x="{x:.1f}" y="{y:.1f}" width="{size:.1f}" '
            f'height="{size:.1f}">{title}</use>'
        )
        if well.ringed:
            parts.append(
                f'<circle class="ring" cx="{x + size / 2:.1f}" cy="{y + size / 2:.1f}" '
                f'r="{pitch * 0.53:.1f}"/>'
            )
    parts.append("</svg>")
    return "".join(parts)


def _readable(well: str) -> bool:
    try:
        parse_well(well)
    except ValueError:
        return False
    return True


def _tray(shape: PlateFormat, left: int, top: int, pitch: int) -> str:
    # The cut corner is where a real plate carries its notch: it makes a turned plate visible as turned.
    w, h, cut = shape.columns * pitch, shape.rows * pitch, pitch * 0.5
    return (
        f'<path class="tray" d="M{left - 3 + cut} {top - 3}H{left + w + 3}V{top + h + 3}H{left - 3 + cut}'
        f'L{left - 3} {top + h + 3 - cut}V{top - 3 + cut}Z"/>'
    )


def _edge_names(shape: PlateFormat, left: int, top: int, pitch: int) -> list[str]:
    every = 1 if shape.columns <= 24 else 4
    parts = []
    for c in range(0, shape.columns, every):
        x = left + (c + 0.5) * pitch
        parts.append(f'<text class="edge" x="{x:.1f}" y="{top - 8}" text-anchor="middle">{c + 1}</text>')
    for r in range(0, shape.rows, 1 if shape.rows <= 16 else 4):
        y = top + (r + 0.5) * pitch + 4
        parts.append(
            f'<text class="edge" x="{left - 9}" y="{y:.1f}" text-anchor="end">{row_letters(r)}</text>'
        )
    return parts


def key_of_well(role: str, verdict: str) -> str:
    """The mark of a well from its role and its plant's verdict."""
    from crossproof.report.content.marks import VERDICT_MARKS, WELL_MARKS, verdict_of

    if role in WELL_MARKS:
        return WELL_MARKS[role].key
    return VERDICT_MARKS[verdict_of(verdict)].key
