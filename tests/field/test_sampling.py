"""Wells, pots and pages of a sampling round."""

from __future__ import annotations

import re

import pytest
from printed import codes_seen, page_sizes, page_texts, print_pdf

from crossproof.errors import UsageError
from crossproof.field.codes import parse_code, plant_name
from crossproof.field.sampling import SampledPlant, Trays, pipetting_order, plan_sampling
from crossproof.field.sampling_pages import map_page, sowing_list, tray_labels, tray_labels_page
from crossproof.field.seed_choice import Choice, HarvestedCross, Left, Seed
from crossproof.field.sheets import LabelSize, Paper, sheet_of
from crossproof.model.layouts import whole_plate_layouts
from crossproof.planning.inputs import PlanSettings

SEASON = "2031"
LINES = ("Lark", "Wren", "Finch", "Robin")


def choice(name: str, mother: str, father: str, n: int, **said) -> Choice:
    cross = HarvestedCross(name, mother, father, 40, 2, 4)
    seeds = tuple(Seed(i, "1" if i <= n / 2 else "2") for i in range(1, n + 1))
    return Choice(cross, seeds, rest=40 - n, **said)


CHOICES = (
    choice("0001N", "Lark", "Wren", 30),
    choice("0002J", "Lark", "Finch", 28),
    choice("0003Z", "Robin", "Wren", 35),
    Choice(HarvestedCross("0004S", "Robin", "", 4, 1, 4), left=Left.NO_FATHER, rest=4),
    choice("0005Q", "Finch", "Robin", 6),
)
AGAIN = {"0005Q": [SampledPlant("0005Q-9", "0005Q", "1", "house 2, tray 3, pot 1", new=False)]}
PARENTS = {c.cross.cross_id: (c.cross.mother, c.cross.father) for c in CHOICES}
SHEET = sheet_of(Paper.A4, LabelSize(60, 25))


@pytest.fixture(scope="module")
def plan():
    trays = Trays(pots=50, first=4, house="house 1")
    return plan_sampling(CHOICES, AGAIN, ["Dove"], PlanSettings(), trays, prefix="R1-")


def test_every_plant_has_a_well_with_its_parents_on_the_plate(plan):
    wanted = {f"{c.cross.cross_id}-{s.number}" for c in CHOICES for s in c.seeds} | {"0005Q-9"}
    assert {w.plant.name for w in plan.wells if w.plant} == wanted
    for plate in plan.plates:
        here = [w for w in plan.wells if w.well.plate == plate.name]
        lines = {w.well.line for w in here if w.well.role == "parent"}
        assert {p for w in here if w.plant for p in PARENTS[w.plant.cross_id]} <= lines
    assert "Dove" in {w.well.line for w in plan.wells}


def test_families_that_fit_a_plate_are_not_split(plan):
    assert len(plan.plates) == 2
    assert plan.split == ()


def test_a_family_larger_than_a_plate_is_split():
    big = plan_sampling([choice("B", "Lark", "Wren", 120)], {}, [], PlanSettings(), Trays(), prefix="R1-")
    assert big.split == ("B",)


def test_pots_follow_the_wells_so_that_one_walk_fills_the_plate(plan):
    for plate in plan.plates:
        wells = [w for w in plan.wells if w.well.plate == plate.name and w.plant and w.plant.new]
        by_pot = {}
        for w in sorted(wells, key=lambda w: pipetting_order(w.well)):
            tray, pot = map(int, re.fullmatch(r"house 1, tray (\d+), pot (\d+)", w.plant.place).groups())
            by_pot.setdefault((tray, pot), []).append(pipetting_order(w.well))
        # Each plant's later or earlier replicate aside, the pots in order are the wells in order.
        mains = [places for places in by_pot.values() if len(places) == 1]
        in_order = [by_pot[k][0] for k in sorted(by_pot) if len(by_pot[k]) == 1]
        assert in_order == sorted(p for places in mains for p in places)
    places = [p.place for p in plan.plants if p.new]
    assert len(set(places)) == len(places) == 99
    assert places[0] == "house 1, tray 4, pot 1"
    assert places[50] == "house 1, tray 5, pot 1"


def test_a_plate_turned_round_shows(plan):
    # Tube by tube, without the planner's arrays: what each well would hold if the plate were turned.
    for plate in plan.plates:
        there = {(w.row, w.column): w.identity for w in plate.wells}
        for layout in whole_plate_layouts(plate.plate):
            seen = 0
            for (r, c), identity in there.items():
                source = int(layout.source[r * 12 + c])
                seen += source < 0 or there.get(divmod(source, 12), "empty") != identity
            assert seen >= 2, layout.words


def test_what_is_sown_is_listed_pod_by_pod_with_what_stays_in_store(plan):
    rows = sowing_list(plan, PARENTS)
    first = rows[0]
    assert (first.cross, first.pod, first.seeds, first.rest) == ("0001N", "1", 15, 10)
    assert first.places == "house 1, tray 4, pots 1 to 15"
    assert sum(r.seeds for r in rows) == 99


@pytest.mark.browser
def test_map_and_walk_on_paper(plan, browser, tmp_path):
    notes = ("A note of the round.",)
    pdf = print_pdf(browser, map_page(plan, PARENTS, title="bean 2031", notes=notes), tmp_path / "map.pdf")
    assert {(round(w), round(h)) for w, h in page_sizes(pdf)} == {(297, 210)}
    texts = page_texts(pdf)
    # One page of sowing, and for each of the two plates a map and its walk.
    sows, maps, walks = ([t for t in texts if t.startswith(word)] for word in ("Sow", "Plate", "Walk"))
    assert (len(sows), len(maps), len(walks)) == (1, 2, 3)
    assert len(texts) == 6
    for plate, text in zip(plan.plates, maps, strict=True):
        here = [w for w in plan.wells if w.well.plate == plate.name]
        assert all(w.plant.name in text for w in here if w.plant)
        assert text.count("blank") == 3
    walk = " ".join(walks)
    assert "house 2, tray 3, pot 1 0005Q-9 (again)" in walk
    at = [walk.index(f"tray 4, pot {i} ") for i in range(1, 51)]
    assert at == sorted(at)


@pytest.mark.browser
@pytest.mark.parametrize(("paper", "size"), [("a4", "60x25"), ("letter", "63x30"), ("roll", "50x25")])
def test_tray_labels_are_read_back_from_paper(browser, tmp_path, paper, size):
    few = [choice("0001N", "Lark", "Wren", 5), choice("a cross", "Lark", "Finch", 4)]
    plan = plan_sampling(few, {}, [], PlanSettings(), Trays(), prefix="R1-")
    parents = {"0001N": ("Lark", "Wren"), "a cross": ("Lark", "Finch")}
    sheet = sheet_of(Paper(paper), LabelSize(*map(float, size.split("x"))))
    html = tray_labels_page(plan, parents, SEASON, sheet, title="bean 2031")
    pdf = print_pdf(browser, html, tmp_path / "labels.pdf")
    sizes = {(round(w, 1), round(h, 1)) for w, h in page_sizes(pdf)}
    assert len(sizes) == 1
    assert sizes.pop() == pytest.approx((sheet.width, sheet.height), abs=0.3)
    seen = codes_seen(pdf)
    names = [plant_name(parse_code(s.text)) for s in seen]
    assert sorted(names) == sorted(p.name for p in plan.plants if p.new)
    # 15 mm with the quiet zone of 4 modules on each side of 21 (25 for the longer name).
    assert {s.width == pytest.approx(15 * 21 / 29, abs=0.4) for s in seen if "0001N" in s.text} == {True}
    assert {s.width == pytest.approx(15 * 25 / 33, abs=0.4) for s in seen if "cross" in s.text} == {True}


def test_a_label_too_small_for_its_code_and_a_season_without_number_are_refused(plan):
    long_name = "a cross by a long name/2031"
    long = plan_sampling(
        [choice(long_name, "Lark", "Wren", 2)], {}, [], PlanSettings(), Trays(), prefix="R1-"
    )
    small = sheet_of(Paper.ROLL, LabelSize(25, 20))
    with pytest.raises(UsageError, match="mm, more than the label has room for"):
        tray_labels(long, {long_name: ("Lark", "Wren")}, SEASON, small)
    with pytest.raises(UsageError, match="four to six digits"):
        tray_labels(plan, PARENTS, "spring", SHEET)


def test_names_reach_the_pages_as_text_only():
    hostile = "<script>alert(1)</script>"
    bad = plan_sampling(
        [choice("X1", hostile, "Wren", 4)], {}, [], PlanSettings(), Trays(house=hostile), prefix="R1-"
    )
    parents = {"X1": (hostile, "Wren")}
    for html in (
        map_page(bad, parents, title=hostile, notes=[hostile]),
        tray_labels_page(bad, parents, SEASON, SHEET, title=hostile),
    ):
        assert "<script" not in html
        assert "&lt;script&gt;" in html


@pytest.mark.parametrize("wells", [384, 1536])
def test_larger_plates(wells, tmp_path):
    settings = PlanSettings(plate_wells=wells)
    plan = plan_sampling([choice("X1", "Lark", "Wren", 90)], {}, [], settings, Trays(), prefix="R1-")
    html = map_page(plan, {"X1": ("Lark", "Wren")}, title="", notes=())
    assert ("page map" in html) == (wells == 384)
    assert html.count('class="wells"') == 90
