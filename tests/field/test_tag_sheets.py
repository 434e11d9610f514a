"""Sheets of labels: what fits, and what a printer makes of it, measured on the printed page."""

from __future__ import annotations

import pytest
from printed import codes_seen, page_sizes, print_pdf

from crossproof.errors import UsageError
from crossproof.field.codes import Code
from crossproof.field.qr import least_width, modules_across, qr_svg
from crossproof.field.sheets import LabelSize, Paper, pages_of, read_size, sheet_of
from crossproof.model.tag_numbers import TagNumber


@pytest.mark.parametrize(
    ("paper", "size", "options", "columns", "rows"),
    [
        # By hand: 210 - 16 = 194 holds 2 x 90, 297 - 16 = 281 holds 5 x 50.
        (Paper.A4, "90x50", {}, 2, 5),
        # 215.9 - 16 = 199.9 holds 2 x 90, 279.4 - 16 = 263.4 holds 5 x 50.
        (Paper.LETTER, "90x50", {}, 2, 5),
        # Exactly full: 2 x 100 + 10 = 210 with margins of 0 is not allowed, so 5 each side and no gap.
        (Paper.A4, "100x41", {"margin": 5}, 2, 7),
        (Paper.A4, "63.5x38.1", {"margin": 5, "gap": 2.5}, 3, 7),
        (Paper.ROLL, "75x25", {}, 1, 1),
    ],
)
def test_as_many_labels_as_fit(paper, size, options, columns, rows):
    sheet = sheet_of(paper, read_size(size), **options)
    assert (sheet.columns, sheet.rows, sheet.per_page) == (columns, rows, columns * rows)
    across = 2 * sheet.margin_x + columns * sheet.label.width + (columns - 1) * sheet.gap
    down = 2 * sheet.margin_y + rows * sheet.label.height + (rows - 1) * sheet.gap
    assert across == pytest.approx(sheet.width)
    assert down == pytest.approx(sheet.height)


@pytest.mark.parametrize("text", ["90", "90x", "x50", "10x50", "90x500", "-90x50", "90x50in", "nanx50"])
def test_a_size_that_is_none_is_refused(text):
    with pytest.raises(UsageError, match="This is not the size of a label"):
        read_size(text)


def test_sizes_are_read_as_people_write_them():
    assert read_size("90x50") == read_size(" 90 X 50 mm") == read_size("90×50") == LabelSize(90, 50)


def test_what_does_not_fit_is_refused_with_a_remedy():
    with pytest.raises(UsageError, match=r"does not fit on a4 paper.*--paper roll"):
        sheet_of(Paper.A4, LabelSize(220, 50))
    with pytest.raises(UsageError, match="margin is at least 5 mm"):
        sheet_of(Paper.A4, LabelSize(90, 50), margin=0)


def test_pages_keep_the_order():
    assert pages_of([1, 2, 3, 4, 5], 2) == ((1, 2), (3, 4), (5,))
    assert pages_of([], 2) == ()


def test_a_code_too_long_for_its_size_is_refused():
    long = Code("2027", "é" * 18)
    assert least_width(long.text) > 15
    with pytest.raises(ValueError, match="needs at least"):
        qr_svg(long)


def test_a_tag_needs_29_modules():
    # ISO/IEC 18004, version 1: 21 modules and 4 of quiet zone on each side.
    assert modules_across("2027.0143J") == 29
    assert modules_across("2027.0143J.12") == 29


@pytest.mark.browser
@pytest.mark.parametrize("dots", [203, pytest.param(300, marks=pytest.mark.slow)])
@pytest.mark.parametrize(
    ("paper", "size"), [(Paper.A4, "90x50"), (Paper.LETTER, "63.5x38.1"), (Paper.ROLL, "60x30")]
)
def test_sizes_on_paper_are_the_sizes_asked_for(browser, tmp_path, paper, size, dots):
    from crossproof.field.sheets import field_template

    sheet = sheet_of(paper, read_size(size))
    tags = [str(TagNumber("2027", n)) for n in range(1, sheet.per_page + 2)]
    body = "".join(
        '<section class="page"><ul class="grid">'
        + "".join(f'<li class="label">{qr_svg(Code("2027", t), 15)}</li>' for t in page)
        + "</ul></section>"
        for page in pages_of(tags, sheet.per_page)
    )
    html = f"<!DOCTYPE html><style>{field_template('sheet.css')}{sheet.style()}</style><main>{body}</main>"
    pdf = print_pdf(browser, html, tmp_path / "sheet.pdf")
    # Chromium cuts pages to whole points (0.35 mm).
    assert page_sizes(pdf) == [pytest.approx((sheet.width, sheet.height), abs=0.36)] * 2
    seen = codes_seen(pdf, dots)
    assert {s.text for s in seen} == {f"2027.{t}" for t in tags}
    for s in seen:
        place = tags.index(s.text.removeprefix("2027.")) % sheet.per_page
        row, column = divmod(place, sheet.columns)
        module = 15 / 29
        left = sheet.margin_x + column * (sheet.label.width + sheet.gap) + 4 * module
        top = sheet.margin_y + row * (sheet.label.height + sheet.gap) + 4 * module
        # The reader finds the corners of the symbol to half a module or so.
        assert (s.left, s.top) == pytest.approx((left, top), abs=0.6)
        assert (s.width, s.height) == pytest.approx((21 * module, 21 * module), abs=0.6)
