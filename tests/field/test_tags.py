"""The printed tag: codes decode at 15 mm, nothing overlaps or leaves its tag, names stay text."""

from __future__ import annotations

import re

import numpy as np
import pypdfium2
import pytest
import zxingcpp
from printed import codes_seen, page_sizes, page_texts, print_pdf
from scipy import ndimage

from crossproof.errors import UsageError
from crossproof.field.sheets import Paper, read_size, sheet_of
from crossproof.field.tags import (
    POINT_MM,
    TAG_SIZES,
    cut_in_the_middle,
    em_width,
    fitted_names,
    form_of,
    points_for,
    tags_page,
)
from crossproof.io.records.issued_tags import IssuedTag
from crossproof.model.tag_numbers import TagNumber

HOSTILE = "<img src=x onerror=alert(1)>"
PAIRS = (
    ("Lark", "Wren"),
    ("KINGFISHER 12", "Robin"),
    ("Nuthatch-2027/004-B", "Goldcrest-2026/118"),
    ("", ""),
    (HOSTILE, "=1+1"),
    ("\u202eknaL", "W" * 80),
    ("A very long pedigree name of a bean (early) 2024/17-3", "イネの系統 12"),
)  # fmt: skip
"""Invented names, some of them hostile."""
TAGS = tuple(
    IssuedTag(
        TagNumber("2027", n + 1),
        f"P{n}",
        *pair,
        n % 4,
        "2027-W23" if n % 2 else "",
        "Ana Example",
        "house 1, bench 2",
    )
    for n, pair in enumerate(PAIRS)
)


OFTEN = ("90x50", "60x35", "150x25")
SIZES = [s if s in OFTEN else pytest.param(s, marks=pytest.mark.slow) for s in TAG_SIZES]


def paper_for(size):
    return Paper.A4 if read_size(size).width < 195 else Paper.ROLL


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_every_size_prints_true_and_its_codes_are_read(browser, tmp_path, size):
    sheet = sheet_of(paper_for(size), read_size(size))
    html = tags_page("bean 2027", TAGS, sheet, hole=8, note="")
    pdf = print_pdf(browser, html, tmp_path / "tags.pdf")
    assert {round(w, 0) for w, _ in page_sizes(pdf)} == {round(sheet.width, 0)}
    seen = codes_seen(pdf, 203)
    assert sorted(s.text for s in seen) == sorted(f"2027.{t.name}" for t in TAGS)
    # 21 of 29 modules of a code of 15 mm.
    assert all(s.width == pytest.approx(15 * 21 / 29, abs=0.5) for s in seen)
    assert all("Lark" in text or "Robin" in text for text in page_texts(pdf)[:1])


@pytest.mark.browser
def test_a_code_is_read_askew_out_of_focus_and_stained(browser, tmp_path):
    """What a telephone sees at seven in the morning; the amounts are chosen by us, without a source."""
    sheet = sheet_of(Paper.ROLL, read_size("90x50"))
    pdf = print_pdf(browser, tags_page("bean", TAGS[:1], sheet, hole=8), tmp_path / "tag.pdf")
    with pypdfium2.PdfDocument(pdf) as document:
        seen = document[0].render(scale=200 / 72, grayscale=True).to_numpy().astype(float)
    wanted = f"2027.{TAGS[0].name}"
    for angle in (0, 17, 90, 200):
        turned = ndimage.rotate(seen, angle, cval=255, order=1)
        for blur in (0.5, 1.2):
            for light in (1.0, 0.45):
                picture = np.clip(ndimage.gaussian_filter(turned, blur) * light, 0, 255).astype(np.uint8)
                assert [b.text for b in zxingcpp.read_barcodes(picture)] == [wanted], (angle, blur, light)
    [code] = codes_seen(pdf, 200)
    mm = 200 / 25.4
    middle = int((code.top + code.height / 2) * mm), int((code.left + code.width / 2) * mm)
    drop = int(1.3 * mm)  # a drop of soil 2.6 mm across, on a symbol of 10.9 mm
    stained = seen.copy()
    stained[middle[0] - drop : middle[0] + drop, middle[1] - drop : middle[1] + drop] = 40
    assert [b.text for b in zxingcpp.read_barcodes(stained.astype(np.uint8))] == [wanted]


@pytest.mark.browser
def test_the_page_is_accessible(browser, axe_source):
    sheet = sheet_of(Paper.A4, read_size("90x50"))
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.set_content(tags_page("bean", TAGS, sheet, hole=8, note="rule 4"))
    page.add_script_tag(content=axe_source)
    found = page.evaluate("axe.run()")["violations"]
    context.close()
    assert [(v["id"], [n["html"][:80] for n in v["nodes"][:2]]) for v in found] == []


@pytest.mark.browser
@pytest.mark.parametrize("size", SIZES)
def test_nothing_leaves_its_tag_or_covers_its_neighbour(browser, size):
    sheet = sheet_of(paper_for(size), read_size(size))
    context = browser.new_context()
    page = context.new_page()
    asked = []
    page.on("request", lambda r: asked.append(r.url))
    page.set_content(tags_page("bean", TAGS, sheet, hole=8, note="see rule 4"))
    boxes = page.evaluate(
        """() => [...document.querySelectorAll('.tag')].map(tag => {
            const box = e => { const r = document.createRange(); r.selectNodeContents(e);
                const b = r.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; };
            const of = s => { const e = tag.querySelector(s); return e && e.textContent ? box(e) : null; };
            const b = tag.getBoundingClientRect();
            return {tag: [b.left, b.top, b.right, b.bottom], number: of('.number b'),
                mother: of('.mother .name'),
                father: of('.father .name'), fields: (r => [r.left, r.top, r.right, r.bottom])
                (tag.querySelector('.fields').getBoundingClientRect()), foot: of('.foot'),
                letters: parseFloat(getComputedStyle(tag.querySelector('.name')).fontSize)}; })"""
    )
    injected = page.locator("img").count()
    context.close()
    assert injected == 0
    assert asked == []
    px = 96 / 25.4
    for tag, found in zip(TAGS, boxes, strict=True):
        left, top, right, bottom = found["tag"]
        assert (right - left) / px == pytest.approx(sheet.label.width, abs=0.05)
        assert (bottom - top) / px == pytest.approx(sheet.label.height, abs=0.05)
        for part in ("number", "mother", "father", "fields", "foot"):
            box = found[part]
            if box is not None:
                assert (box[0] >= left, box[1] >= top - 1) == (True, True), (tag.name, part)
                assert (box[2] <= right + 0.5, box[3] <= bottom + 0.5) == (True, True), (tag.name, part)
        if not tag.empty:
            assert found["mother"][3] <= found["father"][1] + 2, tag.name
            if form_of(sheet.label) == "card":
                assert found["father"][3] <= found["fields"][1] + 2, tag.name


@pytest.mark.browser
def test_parents_can_be_read_at_arms_length(browser):
    # A capital letter of 3.5 mm at 70 cm: height of 1/200 of the distance (common practice, no source).
    sheet = sheet_of(Paper.A4, read_size("90x50"))
    context = browser.new_context()
    page = context.new_page()
    page.set_content(tags_page("bean", TAGS, sheet, hole=8))
    names = page.locator(".mother .name")
    points = names.evaluate_all("all => all.map(e => parseFloat(getComputedStyle(e).fontSize) * .75)")
    context.close()
    assert min(points[:2]) >= 14
    assert points[2] >= 11  # 19 characters: 2.8 mm, read at 55 cm


def test_longer_names_are_smaller_and_wide_letters_count_as_wide():
    sizes = [points_for("m" * n, "Wren", 50, 17) for n in (3, 10, 20, 40, 60)]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] > sizes[-1]
    assert em_width("W") > em_width("i")
    assert em_width("") == 0
    assert points_for("", "", 50, 17) * POINT_MM * 2 * 1.14 + 1.6 <= 17


def test_a_name_too_long_keeps_both_ends():
    assert cut_in_the_middle("Nuthatch-2027/004-B", 19) == "Nuthatch-2027/004-B"
    assert cut_in_the_middle("Nuthatch-2027/004-B", 9) == "Nuth…04-B"
    mother, father, points = fitted_names("Nuthatch-2027/" * 9 + "004-B", "Wren", 20, 8)
    assert mother.endswith("004-B")
    assert mother.startswith("Nut")
    assert father == "Wren"
    assert points == 6


def test_nobody_is_named_on_a_tag_unasked():
    sheet = sheet_of(Paper.A4, read_size("90x50"))
    assert "Ana Example" not in tags_page("bean", TAGS, sheet)
    assert tags_page("bean", TAGS, sheet, people=True).count("person (Ana Example)") == len(TAGS)


def test_names_are_text_and_the_note_is_on_every_tag():
    html = tags_page(HOSTILE, TAGS, sheet_of(Paper.A4, read_size("90x50")), note=HOSTILE)
    assert "<img" not in html
    assert html.count("&lt;img src=x onerror=alert(1)&gt;") == 1 + 1 + 1 + len(TAGS)  # title, heading, mother
    assert "[U+202E]knaL" in html
    assert "style=" not in re.sub(r"<style>.*?</style>", "", html, flags=re.S)
    assert "biosafety or quarantine rules" in html
    assert "initials will do" in html


@pytest.mark.parametrize("size", ["50x30", "59x50", "100x20", "80x25"])
def test_a_tag_too_small_is_refused(size):
    with pytest.raises(UsageError, match="cannot hold the parents"):
        form_of(read_size(size))
