"""The page in a real browser: silent, without requests, usable by keyboard, accessible, printable."""

import re

import pytest
from report_parts import HOSTILE

from crossproof.report.content.content import build_content
from crossproof.report.content.explain import find_plant, sentences
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.draw.html import render

pytestmark = pytest.mark.browser


class Visit:
    """A page that remembers what it said and what it asked for."""

    def __init__(self, browser, file, **options):
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.said, self.asked = [], []
        self.page.on("console", lambda m: self.said.append(m.text))
        self.page.on("pageerror", lambda e: self.said.append(str(e)))
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.goto(file.as_uri())
        self.page.wait_for_function("document.documentElement.dataset.ready === 'yes'")
        self.page.wait_for_timeout(150)

    def texts(self, selector):
        return self.page.locator(selector).all_inner_texts()


@pytest.fixture(scope="module")
def report_file(tmp_path_factory, page_html):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page_html, encoding="utf-8")
    return path


@pytest.fixture
def visit(browser, report_file):
    opened = []

    def go(file=report_file, **options):
        opened.append(Visit(browser, file, **options))
        return opened[-1]

    yield go
    for v in opened:
        v.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_opens_without_a_word_and_without_a_request(visit, report_file, scheme):
    v = visit(color_scheme=scheme, viewport={"width": 1280, "height": 900})
    for section in ("do", "plates", "crosses", "crossing", "people", "panel", "plant", "method", "inputs"):
        v.page.locator(f"#{section}").scroll_into_view_if_needed()
    v.page.wait_for_timeout(200)
    assert v.said == []
    assert v.asked == [report_file.as_uri()]


def test_plants_sort_and_filter(visit, season):
    page = (v := visit()).page
    page.select_option("#plants-table + .none, #plants .pager select", "250")
    page.click("[data-pile=cull]")
    rows = v.texts("#plants-table tbody tr")
    assert len(rows) == int((season.verdicts["decision"] == "cull").sum())
    assert all("Cull" in r for r in rows)
    page.click("[data-pile=all]")
    page.click("#plants-table th:has-text('Called') button")
    called = [int(float(re.sub(r"[^\d.]", "", t))) for t in v.texts("#plants-table tbody td:nth-child(8)")]
    assert called == sorted(called)
    assert page.get_attribute("#plants-table th:has-text('Called')", "aria-sort") == "ascending"
    page.click("#plants-table th:has-text('Called') button")
    again = [int(float(re.sub(r"[^\d.]", "", t))) for t in v.texts("#plants-table tbody td:nth-child(8)")]
    assert again == sorted(again, reverse=True)
    name = season.verdicts["plant"].iloc[17]
    page.fill("#plants-search", name.lower())
    page.wait_for_timeout(200)
    assert v.texts("#plants-table tbody th") == [name]


def test_a_card_opens_its_pile(visit, season):
    page = (v := visit()).page
    page.click("[data-pick=keep]")
    assert page.get_attribute("[data-pile=keep]", "aria-pressed") == "true"
    kept = int((season.verdicts["decision"] == "keep").sum())
    assert f"of {kept}" in v.texts("#plants .pager [role=status]")[0]


def test_a_cross_opens_to_its_plants_by_keyboard(visit, season):
    page = (v := visit()).page
    page.fill("#crosses-search", "C0007")
    page.wait_for_timeout(200)
    page.focus("#crosses-table .open-row")
    page.keyboard.press("Enter")
    assert page.get_attribute("#crosses-table .open-row", "aria-expanded") == "true"
    inside = set(v.texts("#crosses-table .chips .link"))
    assert inside == set(season.verdicts.loc[season.verdicts["cross_id"] == "C0007", "plant"])


@pytest.mark.parametrize("place", [0, 3, 42, 99])
def test_a_plant_opens_with_the_words_of_explain(visit, season, place):
    v = visit()
    name = season.verdicts["plant"].iloc[place]
    v.page.fill("#plant-search", name)
    v.page.wait_for_timeout(200)
    v.page.keyboard.press("Enter")
    v.page.wait_for_selector(".strip")
    assert v.texts("#plant-stage h3") == [name]
    assert v.texts("#plant-stage .says p") == sentences(find_plant(season.verdicts, name))


def test_the_address_of_a_plant_opens_it_and_its_markers_are_those_of_explain(browser, report_file, season):
    from crossproof.report.content.explain import marker_rows

    row = find_plant(season.verdicts, season.verdicts["plant"].iloc[8])
    v = Visit(browser, report_file)
    v.page.evaluate("name => { location.hash = '#plant=' + encodeURIComponent(name); }", row["plant"])
    v.page.wait_for_selector(f"#plant-stage h3:has-text('{row['plant']}')")
    v.page.wait_for_selector(".strip")
    v.page.click("#plant-stage summary")
    v.page.wait_for_selector("#plant-stage details tbody tr")
    shown = [t.split("\t") for t in v.texts("#plant-stage details tbody tr")]
    expected = marker_rows(season.calls, row["plant"], row["mother"], row["father"])
    assert [[c for k, c in enumerate(r) if k in (0, 2, 3, 4, 6)] for r in shown] == [
        [m.marker, m.mother, m.father, m.plant, m.reading] for m in expected
    ]
    v.context.close()


def test_an_old_browser_still_shows_the_words(browser, report_file):
    context = browser.new_context()
    context.add_init_script("delete window.DecompressionStream")
    page = context.new_page()
    page.goto(report_file.as_uri())
    page.wait_for_selector("#plant-stage p:has-text('too old to unpack')")
    assert page.locator("#plant-stage .says p").count() >= 4
    context.close()


def test_a_well_of_the_map_leads_to_its_plant(visit, season):
    page = (v := visit()).page
    page.click(".gallery button >> nth=1")
    assert v.texts(".plate-detail h4") == ["Plate P02"]
    page.locator(".plate-map .spot").first.click()
    first = season.verdicts[(season.verdicts["plate"] == "P02")]["plant"]
    assert v.texts("#plant-stage h3")[0] in set(first)


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_no_accessibility_violation(visit, axe_source, scheme, width):
    v = visit(color_scheme=scheme, viewport={"width": width, "height": 900}, bypass_csp=True)
    v.page.locator("#crosses-table .open-row").first.click()
    if scheme == "light":
        v.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    v.page.wait_for_selector(".strip")
    v.page.evaluate(axe_source)
    found = v.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert len(found["passes"]) > 30, "the checker ran"
    assert [(x["id"], x["nodes"][0]["html"][:120]) for x in found["violations"]] == []


def test_no_page_of_the_print_cuts_a_table(visit, season):
    """A4 less its margins is 184 mm, 695 CSS pixels: nothing may be wider."""
    v = visit(viewport={"width": 695, "height": 980})
    v.page.emulate_media(media="print")
    v.page.evaluate("dispatchEvent(new Event('beforeprint'))")
    maps = v.page.locator(".plates-printed .plate-map")
    assert [m.is_visible() for m in maps.all()] == [True, True], "both plates are printed"
    assert len(v.texts("#plants-table tbody tr")) == len(season.verdicts), (
        "every row is printed, not one page"
    )
    v.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    v.page.wait_for_timeout(200)
    too_wide = v.page.evaluate(
        """() => [...document.querySelectorAll('table, figure, svg')].filter(e => e.checkVisibility())
        .filter(e => e.getBoundingClientRect().right > 696)
        .map(e => e.id || e.className.baseVal || e.className)"""
    )
    assert too_wide == []
    assert v.page.evaluate("document.documentElement.scrollWidth") <= 696
    v.page.evaluate("dispatchEvent(new Event('afterprint'))")
    pdf = v.page.pdf(format="A4", prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF")
    assert 8 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 30
    assert len(v.texts("#plants-table tbody tr")) == 25, "the screen is as it was"


def test_narrow_screens_do_not_scroll_sideways(visit):
    v = visit(viewport={"width": 360, "height": 740})
    assert v.page.evaluate("document.documentElement.scrollWidth") <= 360


def test_hostile_names_are_shown_as_text(browser, season, tmp_path):
    from crossproof.text import shown

    n = len(HOSTILE)
    verdicts = season.verdicts.head(n).assign(
        plant=list(HOSTILE),
        mother=list(HOSTILE),
        operator=list(HOSTILE),
        reason=list(HOSTILE),
        plate="P<b>1</b>",
    )
    crosses = season.crosses.head(n).assign(cross_id=list(HOSTILE), mother=list(HOSTILE))
    path = tmp_path / "hostile.html"
    path.write_text(
        render(build_content(ReportInputs(verdicts, crosses=crosses, calls=season.calls))), encoding="utf-8"
    )
    v = Visit(browser, path)
    assert v.said == []
    names = set(
        v.page.evaluate("[...document.querySelectorAll('#plants-table tbody th')].map(e => e.textContent)")
    )
    assert names == {shown(x) for x in HOSTILE}
    crossed = v.page.evaluate(
        "[...document.querySelectorAll('#crosses-table tbody th')].map(e => e.textContent)"
    )
    assert set(crossed) == {shown(x) for x in HOSTILE}
    v.page.locator("#plants-table .link").first.click()
    v.page.wait_for_timeout(200)
    assert v.page.evaluate("document.querySelectorAll('main script, main b script').length") == 0
    assert v.said == []
    assert v.asked == [path.as_uri()]
    v.context.close()
