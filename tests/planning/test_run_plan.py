"""A whole plan on invented data: tables, notes, page; the same input gives the same bytes."""

import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest
from invented_panel import panel_of, random_panel

from crossproof.errors import warning
from crossproof.io.results.tables import table_bytes
from crossproof.planning.inputs import PlannedCross, PlanSettings
from crossproof.planning.numbers import team_rates
from crossproof.planning.plan_columns import CROSS_COLUMNS, MARKER_COLUMNS, NUMBER_COLUMNS
from crossproof.planning.run_plan import make_plan
from crossproof.report.draw.plan_page import PLAN_FILES, plan_page, write_plan

SETTINGS = PlanSettings(draws=200, solver_seconds=5.0)
RATES = team_rates([3] * 20, [4] * 20, [2] * 20, [1] * 20, [3] * 20, SETTINGS.class_prior)
NAMES = ("crosses", "markers", "numbers", "samples", "weeks", "sisters")


def wish_list():
    return [
        PlannedCross("P1", "L00", "L01", 4, week="2031-W23", operator="Ana"),
        PlannedCross("P2", "L02", "L03", 6, flowers=12, week="2031-W24"),
        PlannedCross("P3", "L04", "L05", 4, seeds=9),
        PlannedCross("P4", "L00", "L06", 4),
    ]


@pytest.fixture(scope="module")
def panel():
    panel = random_panel(8, 40, 3)
    alleles = panel.blocks[0].consensus.argmax(axis=2) // 2
    alleles[:12, 6] = alleles[:12, 0]  # L06 is the sister of L00 on the panel, not at the candidates
    return panel_of(alleles, on_panel=np.arange(40) < 12)


@pytest.fixture(scope="module")
def plan(panel):
    return make_plan(settings=SETTINGS, panel=panel, planned=wish_list(), rates=RATES)


def test_tables_have_the_declared_columns(plan):
    assert list(plan.crosses.columns) == [c.name for c in CROSS_COLUMNS]
    assert list(plan.markers.columns) == [c.name for c in MARKER_COLUMNS]
    assert list(plan.numbers.columns) == [c.name for c in NUMBER_COLUMNS]
    assert list(plan.crosses["cross_id"]) == ["P1", "P2", "P3", "P4"]


def test_crosses_with_an_untyped_parent_wait_and_the_others_are_planned_as_ever(panel, plan):
    more = [
        PlannedCross("Q1", "L00", "Robin", row=6),
        *wish_list(),
        PlannedCross("Q2", "Crane", "Robin", seeds=20, week="2031-W23", row=7),
    ]
    found = (
        warning("planned.csv", "No genotypes.", "Type it.", row=6, column="father", value="Robin"),
        warning("planned.csv", "Elsewhere.", "Look.", row=3),
    )
    made = make_plan(settings=SETTINGS, panel=panel, planned=more, rates=RATES, problems=found)
    for name in NAMES[1:]:
        assert table_bytes(getattr(made, name)) == table_bytes(getattr(plan, name))
    first = table_bytes(plan.crosses)
    assert table_bytes(made.crosses).startswith(first)
    last = table_bytes(made.crosses)[len(first) :].decode().splitlines()
    empty = "," * (len(CROSS_COLUMNS) - 5)
    assert last == [
        f"Q1,L00,Robin,parent not typed,no{empty}",
        f"Q2,Crane,Robin,parent not typed,no{empty}",
    ]
    assert [n for n in made.notes if n not in plan.notes] == [
        "2 crosses cannot be planned yet, as parents have no genotypes on the panel: Robin, Crane. Have the "
        "line typed, or correct its name in the list of planned crosses."
    ]
    html = unescape(plan_page(made))
    assert "of 4 crosses can be proven on this panel" in html
    assert "2 crosses wait for a parent to be typed." in html
    assert "Crane, Robin" in html
    assert "planned.csv: Elsewhere. Look." in html
    assert "Type it." not in html  # in the table of those that wait


def test_a_list_of_nothing_but_untyped_parents_is_a_plan_too(panel):
    only = [PlannedCross("Q1", "Crane", "Robin")]
    made = make_plan(settings=SETTINGS, panel=panel, planned=only, rates=RATES)
    assert list(made.crosses["verifiable"]) == ["parent not typed"]
    assert len(made.numbers) == len(made.samples) == 0
    assert "0 of 0 crosses can be proven" in plan_page(made)


def test_sisters_are_not_verifiable_and_named_with_the_markers_that_help(plan):
    row = plan.crosses.set_index("cross_id").loc["P4"]
    assert row["verifiable"] == "no"
    assert row["contrast_markers"] == 0
    assert row["further_markers"] >= 3
    suggested = row["suggested_markers"].split(";")
    assert len(suggested) >= 3
    added = set(plan.markers.loc[plan.markers["add"], "marker"])
    assert set(suggested) <= added
    pair = plan.sisters[(plan.sisters["line"] == "L00") & (plan.sisters["other_line"] == "L06")]
    assert list(pair["contrast_markers"]) == [0]


def test_added_markers_do_make_it_verifiable(plan, panel):
    on = panel.on_panel | plan.markers["add"].to_numpy()
    mended = make_plan(settings=SETTINGS, panel=replace(panel, on_panel=on), planned=wish_list(), rates=RATES)
    row = mended.crosses.set_index("cross_id").loc["P4"]
    assert row["verifiable"] in ("yes", "borderline")
    assert min(row["p_hybrid"], row["p_self"]) >= SETTINGS.wanted


def test_samples_sheet_follows_the_input_contract(plan):
    assert list(plan.samples.columns) == [
        "sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant", "inbreeding",
    ]  # fmt: skip
    assert plan.samples["sample_id"].is_unique
    assert set(plan.samples["role"]) == {"parent", "progeny", "blank"}
    plants = plan.samples[plan.samples["role"] == "progeny"].groupby("cross_id")["plant"].nunique()
    assert plants["P3"] == 9
    assert plants["P1"] == plan.numbers.set_index("cross_id").loc["P1", "seeds_to_test"]


def test_flowers_said_are_the_flowers_of_the_week(plan):
    weeks = plan.weeks.set_index(["week", "operator"])
    assert weeks.loc[("2031-W24", ""), "flowers"] == 12
    assert ("2031-W23", "Ana") in weeks.index


def test_all_pairs_without_a_list():
    plan = make_plan(settings=SETTINGS, panel=random_panel(3, 20, 3), planned=None, rates=RATES)
    assert len(plan.crosses) == 3
    assert len(plan.samples) == 0
    assert plan.notes[0].startswith("There is no wish list")


def test_the_same_input_gives_the_same_bytes(plan, panel):
    again = make_plan(settings=SETTINGS, panel=panel, planned=wish_list(), rates=RATES)
    for name in NAMES:
        assert table_bytes(getattr(plan, name)) == table_bytes(getattr(again, name)), name
    assert plan_page(plan) == plan_page(again)


def test_another_cross_on_the_list_changes_no_other(plan, panel):
    more = [*wish_list(), PlannedCross("P5", "L01", "L07")]
    longer = make_plan(settings=SETTINGS, panel=panel, planned=more, rates=RATES)
    columns = [c for c in plan.crosses.columns if c not in ("further_markers", "suggested_markers")]
    assert table_bytes(plan.crosses[columns]) == table_bytes(longer.crosses[columns].head(4))


def test_without_records_the_assumptions_are_said(panel):
    nothing = team_rates([], [], [], [], [], SETTINGS.class_prior)
    plan = make_plan(settings=SETTINGS, panel=panel, planned=wish_list(), rates=nothing)
    assert any("are assumed" in note for note in plan.notes)
    assert "Stated assumptions stand in their place" in plan_page(plan)


def test_what_is_odd_in_the_wish_list_stands_on_the_page(panel):
    found = (warning("planned.csv", "The sheet has no rows.", "List the crosses you plan."),)
    html = plan_page(make_plan(settings=SETTINGS, panel=panel, planned=[], rates=RATES, problems=found))
    assert "No crosses are planned." in html
    assert "planned.csv: The sheet has no rows. List the crosses you plan." in html


def test_one_line_and_two_that_are_alike_are_told_in_plain_words():
    alone = make_plan(settings=SETTINGS, panel=panel_of([[0]] * 9), planned=None, rates=RATES)
    assert "Fewer than two lines have genotypes, so there is no cross to plan." in plan_page(alone)
    alike = panel_of([[0, 0]] * 9)
    crosses = [PlannedCross("P001", "L00", "L01")]
    told = make_plan(settings=SETTINGS, panel=alike, planned=crosses, rates=RATES)
    assert any(n.startswith("1 cross is on no plate: no number of seeds") for n in told.notes)
    assert any(n.startswith("1 cross needs further contrast markers") for n in told.notes)
    assert "for all targets, 1 cross apart that no number would do for" in plan_page(told)


def test_page_is_one_file_without_script_and_with_a_policy(plan, tmp_path):
    write_plan(plan, tmp_path / "plan", title="Nursery", digest="abc")
    for name in PLAN_FILES:
        assert (tmp_path / "plan" / name).stat().st_size > 0
    html = (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    assert "<script" not in html
    assert 'src="' not in html.replace('img src="data:', "")
    assert re.search(r"default-src 'none'; style-src 'sha256-[A-Za-z0-9+/=]{44}'", unescape(html))
    assert " style=" not in html
    assert 'content="abc"' in html


def test_names_cannot_break_the_page(panel):
    names = list(panel.lines)
    names[0], names[6] = '<img src=x onerror="alert(1)">', "</style><script>alert(1)</script>"
    evil = replace(panel, lines=tuple(names))
    crosses = [PlannedCross("<b>1</b>", names[0], names[6], week="2031-W23", operator='"><script>')]
    html = plan_page(make_plan(settings=SETTINGS, panel=evil, planned=crosses, rates=RATES), title="<i>x</i>")
    for text in ("<img", "<script", "<b>1", "<i>x", '"><script>'):
        assert text not in html
    assert "&lt;script&gt;alert(1)" in html
