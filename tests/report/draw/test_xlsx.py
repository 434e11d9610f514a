"""The workbook as a spreadsheet program reads it back."""

import io
import re
import zipfile

import openpyxl
import pandas as pd
import pytest
from report_parts import HOSTILE

from crossproof.model.results import NextStep
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.marks import PILE_WORDS
from crossproof.report.content.sheets import BOX, tray_of
from crossproof.report.draw.xlsx import worklist_bytes
from crossproof.report.facts.plants import plant_facts


@pytest.fixture(scope="module")
def data(content):
    return worklist_bytes(content)


@pytest.fixture(scope="module")
def book(data):
    return openpyxl.load_workbook(io.BytesIO(data))


def table(sheet):
    rows = [[c.value for c in row] for row in sheet.iter_rows(min_row=3)]
    return rows[0], [r for r in rows[1:] if any(v not in (None, "") for v in r)]


def test_sheets_in_the_order_of_work(book):
    assert book.sheetnames == [
        "Start here",
        "Walk",
        "By cross",
        "Keep",
        "Cull",
        "Hold",
        "Parents to type",
        "Retest",
        "Retest plates",
        "Next steps",
        "Scan",
        "Codes",
    ]
    assert book["Codes"].sheet_state == "hidden"


@pytest.mark.parametrize(
    "name", ["Walk", "By cross", "Keep", "Cull", "Hold", "Parents to type", "Retest", "Next steps"]
)
def test_every_sheet_is_ready_to_print_filter_and_sign(book, name):
    sheet = book[name]
    head, _ = table(sheet)
    assert sheet.freeze_panes == "A4", "the headings stay"
    assert sheet.auto_filter.ref.startswith("A3:")
    assert sheet.print_title_rows == "$3:$3"
    assert (sheet.page_setup.orientation, sheet.page_setup.paperSize) == ("landscape", 9)
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0), (
        "one page wide, as many as it takes"
    )
    assert head[-1] == ("Remark" if name == "Walk" else "Done, by whom")
    last = f"${chr(64 + len(head))}${max(4, sheet.max_row)}"
    assert sheet.print_area.endswith(f"!$A$1:{last}"), "the table and nothing beside it"
    assert not sheet["A2"].value or sheet["A2"].alignment.wrap_text, "the note is printed in full"


def test_the_scanning_sheet_prints_one_page_wide(book):
    sheet = book["Scan"]
    assert sheet.print_area.endswith("!$A$1:$E$27")
    assert sheet.sheet_properties.pageSetUpPr.fitToPage


def in_order_of(season, **columns):
    verdicts = season.verdicts.head(4).assign(**columns)
    raw = worklist_bytes(build_content(ReportInputs(verdicts)))
    sheet = openpyxl.load_workbook(io.BytesIO(raw))["Walk"]
    head, rows = table(sheet)
    assert head[:3] + [head[6]] == ["Done", "Place", "Plant", "Sample well"]
    assert all(r[0] == BOX for r in rows if r[2]), "a box to tick for every plant"
    listed = [(r[1], *r[6].split()) if r[2] else (r[1],) for r in rows]
    return listed, sheet["A2"].value


def test_the_walk_follows_the_places_as_people_count_and_shows_the_wells(season):
    places = ["tray 10, pot 1", "tray 2, pot 11", "", "tray 2, pot 9"]
    rows, note = in_order_of(season, place=places, plate="P1", well=["A1", "A2", "A3", "A4"])
    assert [r[0].split(":")[0] for r in rows[:-1]] == [
        "tray 2",
        "tray 2, pot 9",
        "tray 2, pot 11",
        "tray 10",
        "tray 10, pot 1",
    ], "each tray has its heading, with what is to be done there"
    assert rows[-1][0] is None
    assert [r[2] for r in rows if len(r) == 3] == ["A4", "A2", "A1", "A3"]
    assert "1\u00a0plant without a place at the end" in note


def test_without_places_the_walk_follows_plate_row_and_column(season):
    wells = ["B1", "A10", "A2", "A1"]
    rows, note = in_order_of(season, place="", plate=["P10", "P2", "P2", "P10"], well=wells)
    assert [r[1:] for r in rows] == [("P2", "A2"), ("P2", "A10"), ("P10", "A1"), ("P10", "B1")]
    assert "no column place" in note


def test_piles_hold_their_plants_and_no_others(book, season):
    for name, decision in (("Keep", "keep"), ("Cull", "cull"), ("Hold", "hold")):
        _, rows = table(book[name])
        expected = season.verdicts.loc[season.verdicts["decision"] == decision, "plant"]
        assert {r[3] for r in rows} == set(expected)


def test_retests_make_a_samples_sheet_with_parents_and_a_blank(book, season):
    head, rows = table(book["Retest"])
    assert head[:9] == ["sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant"]
    assert head[9] == "place"
    retest = season.verdicts[season.verdicts["decision"] == "retest"]
    progeny = [r for r in rows if r[4] == "progeny"]
    assert {r[8] for r in progeny} == set(retest["plant"])
    assert {r[5] for r in rows if r[4] == "parent"} == set(retest["mother"]) | set(retest["father"])
    assert [r[3] for r in rows if r[4] == "blank"] == ["H12"]
    wells = [(r[2], r[3]) for r in rows]
    assert len(set(wells)) == len(wells), "no well is used twice"
    grid = [[c.value for c in row] for row in book["Retest plates"].iter_rows(min_row=4)]
    assert progeny[0][8] in {v for line in grid for v in line}


def test_plants_of_a_parent_never_typed_wait_for_its_tube_and_for_no_second_sample(season):
    verdicts = season.verdicts.copy()
    mother = verdicts["mother"].iloc[0]
    mine = verdicts["mother"] == mother
    verdicts.loc[mine, "decision"] = "retest"
    verdicts.loc[mine, "reason"] = "no parent data"
    names = sorted({*verdicts["mother"], *verdicts["father"]})
    lines = pd.DataFrame({"line": names, "wells_with_calls": ["0" if n == mother else "2" for n in names]})
    inputs = ReportInputs(verdicts, lines=lines)
    made = openpyxl.load_workbook(io.BytesIO(worklist_bytes(build_content(inputs))))
    _, parents = table(made["Parents to type"])
    crosses = verdicts[mine]["cross_id"].nunique()
    assert [r[:4] for r in parents] == [[mother, "no calls yet", crosses, int(mine.sum())]]
    _, rows = table(made["Retest"])
    assert not {r[8] for r in rows} & set(verdicts.loc[mine, "plant"])


@pytest.mark.parametrize(
    ("place", "tray"),
    [
        ("3-17", "3"),
        ("Tray 2, pot 5", "Tray 2"),
        ("House 1 / tray 12 / 4", "House 1 / tray 12"),
        ("B2:A7", "B2"),
        ("bench 4", ""),
        ("", ""),
        ("by the door", ""),
    ],
)
def test_the_tray_of_a_place_is_the_place_without_its_last_number(place, tray):
    assert tray_of(place) == tray


def test_a_line_typed_but_open_is_among_the_parents_to_type(season):
    verdicts = season.verdicts.head(3).assign(
        decision="retest", reason="parents unresolved", parents_to_type=["LX", "LX", "LX;LY"]
    )
    lines = pd.DataFrame({"line": ["LX", "LY"], "wells_with_calls": ["2", "1"]})
    made = openpyxl.load_workbook(
        io.BytesIO(worklist_bytes(build_content(ReportInputs(verdicts, lines=lines))))
    )
    _, parents = table(made["Parents to type"])
    assert [(r[0], r[1], r[3]) for r in parents] == [
        ("LX", "typed, but its progeny disagree with it", 3),
        ("LY", "typed, but its progeny disagree with it", 1),
    ]


def test_a_full_retest_plate_is_followed_by_another(season):
    verdicts = season.verdicts.assign(decision="retest")
    _, rows = table(
        openpyxl.load_workbook(io.BytesIO(worklist_bytes(build_content(ReportInputs(verdicts)))))["Retest"]
    )
    plates = {r[2] for r in rows}
    assert len(plates) == 2
    for plate in plates:
        here = [r for r in rows if r[2] == plate]
        assert len(here) <= 96
        assert sum(r[4] == "blank" for r in here) == 1
        lines = {r[5] for r in here if r[4] == "parent"}
        crosses = {r[6] for r in here if r[4] == "progeny"}
        made = season.crosses[season.crosses["cross_id"].isin(crosses)]
        assert set(made["mother"]) | set(made["father"]) == lines, "every cross has its parents beside it"


def test_every_cross_that_is_not_done_stands_once_in_the_order_of_the_steps(book, season):
    _, rows = table(book["Next steps"])
    steps = season.crosses.set_index("cross_id")["next_step"]
    assert {r[0]: r[3] for r in rows} == steps[steps != "done"].to_dict()
    assert len(rows) == len({r[0] for r in rows})
    order = [step.value for step in NextStep]
    assert [order.index(r[3]) for r in rows] == sorted(order.index(r[3]) for r in rows)
    assert sum(r[10] or 0 for r in rows) == season.crosses["flowers_to_repeat"].sum()
    assert all(not r[10] for r in rows if r[3] != "repeat"), "only what is to be repeated asks for flowers"


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_text(season, name):
    verdicts = season.verdicts.assign(plant=name, mother=name, decision="keep")
    raw = worklist_bytes(build_content(ReportInputs(verdicts)))
    sheet = openpyxl.load_workbook(io.BytesIO(raw))["Keep"]
    cells = [sheet.cell(4, 4), sheet.cell(4, 8)]
    formulas = [c.value for c in openpyxl.load_workbook(io.BytesIO(raw))["Scan"][4] if c.data_type == "f"]
    assert len(formulas) == 3
    assert all(name not in f for f in formulas), "no text of the user in them"
    assert all(c.data_type == "s" for c in cells), "text, neither formula nor number"
    with zipfile.ZipFile(io.BytesIO(raw)) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/sheet")]
        assert sum(b"<f>" in archive.read(n) for n in sheets) == 1, "the sheet to scan into"
        assert not any("externalLink" in n for n in archive.namelist())
    if name.isprintable() and name.isascii():
        assert cells[0].value == name


def test_the_same_season_gives_the_same_bytes(content, data):
    assert worklist_bytes(content) == data


def test_numbers_are_numbers(book):
    head, rows = table(book["By cross"])
    probability = head.index("Probability")
    assert all(isinstance(r[probability], float) and 0 < r[probability] <= 1 for r in rows)


def looked_up(book, formula, scanned):
    """What a spreadsheet shows for one of the sheet's formulas; written after the functions' definitions
    (ECMA-376 part 1, section 18.17.7), with no code of the project."""
    pattern = (
        r"""=IF\(\$A(\d+)="","",IFERROR\((UPPER\()?INDEX\(Codes!\$([A-D])\$1:\$[A-D]\$(\d+),"""
        r"""MATCH\(TRIM\(\$A(\d+)\),Codes!\$A\$1:\$A\$(\d+),0\)\)(?:\)|&""),"([^"]*)"\)\)"""
    )
    row, upper, column, end, same_row, same_end, absent = re.fullmatch(pattern, formula).groups()
    assert (row, end) == (same_row, same_end)
    if scanned == "":
        return ""
    for r in range(1, int(end) + 1):
        if str(book["Codes"][f"A{r}"].value).casefold() == scanned.strip().casefold():
            found = str(book["Codes"][f"{column}{r}"].value or "")
            return found.upper() if upper else found
    return absent


def test_a_code_scanned_into_the_workbook_shows_decision_name_and_place(season):
    verdicts = season.verdicts.assign(_code=["2031." + c + ".x" for c in season.verdicts["plant"]])
    verdicts = verdicts.assign(place="tray 1, pot 7")
    made = openpyxl.load_workbook(io.BytesIO(worklist_bytes(build_content(ReportInputs(verdicts)))))
    words = [PILE_WORDS[f.pile][0] for f in plant_facts(verdicts).rows]
    sheet = made["Scan"]
    assert [c.value for c in sheet[3]] == ["plant", "decision", "name", "place", "action"]
    for r in (4, 5, 503):
        decision, name, place = (sheet.cell(r, k).value for k in (2, 3, 4))
        assert f"$A{r}" in decision
        for i in (0, 17, len(verdicts) - 1):
            row = verdicts.iloc[i]
            for scanned in (row["_code"], f" {row['_code'].upper()} ", row["plant"]):
                assert looked_up(made, decision, scanned) == words[i].upper()
                assert looked_up(made, name, scanned) == row["plant"]
                assert looked_up(made, place, scanned) == "tray 1, pot 7"
        assert looked_up(made, decision, "2031.9999X.1") == "NOT FOUND"
        assert looked_up(made, decision, "") == looked_up(made, name, "nothing") == ""
    big = sheet.cell(4, 2).font
    # Capitals are some 0.7 of the size of the letters; 20 minutes of arc at 2 m are 11.6 mm (ISO 9241-303
    # recommends 20 to 22, memory).
    assert big.sz * 25.4 / 72 * 0.7 >= 11.6
    assert sheet.row_dimensions[4].height >= big.sz
    assert sheet.data_validations.dataValidation[0].formula1 == '"keep,cull,sample,gone"'
