"""QR codes (ISO/IEC 18004) as SVG of a size in millimetres, encoded by segno."""

from __future__ import annotations

from functools import lru_cache

import segno
from markupsafe import Markup, escape

from crossproof.field.codes import Code

QUIET = 4
"""Light modules around the symbol, as the standard demands."""
LEAST_MODULE_MM = 0.33
"""Smallest module: 2.6 dots of a label printer with 203 dots per inch. Common practice, no source."""
CODE_MM = 15.0
"""Usual width of a code with its quiet zone."""


def modules_across(text: str) -> int:
    """Modules across the code of a text, quiet zone included."""
    width, _ = _encoded(text).symbol_size(border=QUIET)
    return int(width)


def least_width(text: str) -> float:
    """Millimetres that the code of a text needs at least, quiet zone included."""
    return modules_across(text) * LEAST_MODULE_MM


def qr_svg(code: Code, width_mm: float = CODE_MM) -> Markup:
    """The code as SVG, `width_mm` wide and high with its quiet zone, black on white in every colour scheme.

    Raises ValueError where its modules would be too small to print.
    """
    qr = _encoded(code.text)
    if width_mm < least_width(code.text):
        raise ValueError(f"a code of {code.text!r} needs at least {least_width(code.text):.1f} mm")
    across, _ = qr.symbol_size(border=QUIET)
    path = "".join(
        f"M{x} {y}h{length}v1h-{length}z" for y, row in enumerate(qr.matrix) for x, length in _runs(row)
    )
    return Markup(
        f'<svg class="qr" role="img" aria-label="{escape(code.text)}" width="{width_mm:g}mm" '
        f'height="{width_mm:g}mm" viewBox="{-QUIET} {-QUIET} {across} {across}" shape-rendering="crispEdges">'
        f'<path fill="#fff" d="M{-QUIET} {-QUIET}h{across}v{across}h-{across}z"/>'
        f'<path fill="#000" d="{path}"/></svg>'
    )


@lru_cache(maxsize=16)  # a code is asked for its width before it is drawn
def _encoded(text: str) -> segno.QRCode:
    # Q: a quarter of the symbol may be dirty. No Micro QR, which few telephones read.
    return segno.make_qr(text, error="Q", boost_error=True)


def _runs(row: bytearray) -> list[tuple[int, int]]:
    """Start and length of the dark stretches of a row."""
    runs: list[tuple[int, int]] = []
    for x, dark in enumerate(row):
        if not dark:
            continue
        if runs and sum(runs[-1]) == x:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((x, 1))
    return runs
