"""The outermost element of a drawing, and its texts; every name is escaped."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import escape

from crossproof.text import shown


def text(x: float, y: float, words: object, css: str = "", anchor: str = "start") -> str:
    """Words at a place; `css`: their class."""
    named = f' class="{css}"' if css else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{named}>{escape(shown(words))}</text>'


def svg(width: float, height: float, label: str, body: Sequence[str], css: str = "") -> str:
    """A drawing with the sentence that a screen reader says of it."""
    named = f' class="{css}"' if css else ""
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{escape(shown(label))}"{named}>'
        + "".join(body)
        + "</svg>"
    )
