"""What printer and telephone make of a page: printed by Chromium, drawn at a printer's dots, decoded."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pypdfium2
import zxingcpp

POINT_MM = 25.4 / 72


@dataclass(frozen=True)
class Seen:
    """A code that was read on a printed page; place and size of the symbol without quiet zone, in mm."""

    page: int
    text: str
    left: float
    top: float
    width: float
    height: float


def print_pdf(browser: Any, html: str, path: Path) -> Path:
    """The page as Chromium prints it, at the size that its own style sheet names."""
    context = browser.new_context()
    try:
        page = context.new_page()
        page.set_content(html)
        page.pdf(path=str(path), prefer_css_page_size=True, print_background=True)
    finally:
        context.close()
    return path


def page_sizes(pdf: Path) -> list[tuple[float, float]]:
    """Width and height of each page in mm."""
    with pypdfium2.PdfDocument(pdf) as document:
        return [(p.get_width() * POINT_MM, p.get_height() * POINT_MM) for p in document]


def page_texts(pdf: Path) -> list[str]:
    """The text of each page, as one line."""
    with pypdfium2.PdfDocument(pdf) as document:
        return [" ".join(p.get_textpage().get_text_bounded().split()) for p in document]


def codes_seen(pdf: Path, dots_per_inch: int = 300) -> list[Seen]:
    """Every code that can be read on the printed pages."""
    seen = []
    with pypdfium2.PdfDocument(pdf) as document:
        for number, page in enumerate(document):
            picture = page.render(scale=dots_per_inch / 72, grayscale=True).to_numpy()
            mm = 25.4 / dots_per_inch
            for found in zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode):
                p = found.position
                left, top = p.top_left.x * mm, p.top_left.y * mm
                width, height = (p.top_right.x - p.top_left.x) * mm, (p.bottom_left.y - p.top_left.y) * mm
                seen.append(Seen(number, found.text, left, top, width, height))
    return seen
