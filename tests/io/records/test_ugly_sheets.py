"""Sheets that a careless hand or an odd program left behind: said plainly, and no row lost in silence."""

from __future__ import annotations

import os
import shutil
import time
import zipfile
from pathlib import Path

import openpyxl
import pytest
from season_builder import BASE, TODAY

from crossproof.errors import InputError, Problem, Severity
from crossproof.io.config.season_config import read_config
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.raw_tables import RawTable
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CROSSES
from crossproof.io.sheets.sheet import MAX_CELL, parse_sheet

HEAD = "cross_id,mother,father,date,time,operator,notes\n"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    shutil.copytree(BASE, tmp_path / "season")
    return tmp_path / "season"


def crosses(folder: Path, text: str) -> Season:
    (folder / "crosses.csv").write_text(text, encoding="utf-8")
    return read_season(folder, today=TODAY)


def of_severity(season: Season, severity: Severity) -> list[Problem]:
    return [p for p in season.problems if p.severity is severity]


def said(problems: tuple[Problem, ...] | list[Problem]) -> str:
    return "\n".join(p.sentence() for p in problems)


@pytest.mark.parametrize(
    ("first", "last"), [('"windy', 'dry"'), ('"', '"'), ('"windy', 'x,y"'), ('"a\r\n', '"')]
)
def test_quotes_that_pair_over_rows_are_an_error_that_names_the_row(
    season: Path, first: str, last: str
) -> None:
    rows = [
        f"X001,Lark,Wren,2031-06-04,09:30,Ana,{first}",
        "X002,Wren,Lark,2031-06-05,10:15,Ben,",
        "X003,Wren,Lark,2031-06-05,10:15,Ben,",
        f"X004,Wren,Lark,2031-06-05,10:15,Ben,{last}",
    ]
    found = crosses(season, HEAD + "\n".join(rows) + "\n")
    wrong = [p for p in of_severity(found, Severity.ERROR) if p.file == "crosses.csv"]
    assert [(p.row, "rows between them" in p.problem) for p in wrong] == [(2, True)]
    assert "X002" in wrong[0].value


def test_two_rows_that_became_one_are_an_error(season: Path) -> None:
    found = crosses(
        season,
        HEAD + 'X001,Lark,Wren,2031-06-04,09:30,"Ana,windy\n' + 'X002,Wren,Lark,2031-06-05,10:15,Ben",\n',
    )
    wrong = [p for p in of_severity(found, Severity.ERROR) if "rows between them" in p.problem]
    assert [p.row for p in wrong] == [2]


def test_a_long_note_over_lines_is_asked_about_and_read(season: Path) -> None:
    found = crosses(
        season, HEAD + 'X001,Lark,Wren,2031-06-04,09:30,Ana,"late, hot\nrain, then sun"\nX002,Wren,Lark,,,,\n'
    )
    assert found.crosses["cross_id"].tolist() == ["X001", "X002"]
    assert found.crosses["notes"][0] == "late, hot\nrain, then sun"
    assert [p.row for p in of_severity(found, Severity.WARNING) if "line breaks" in p.problem] == [2]
    assert of_severity(found, Severity.ERROR) == []


def test_a_note_over_lines_without_a_comma_needs_no_word(season: Path) -> None:
    found = crosses(season, HEAD + 'X001,Lark,Wren,2031-06-04,09:30,Ana,"late\nrain"\nX002,Wren,Lark,,,,\n')
    assert not any("quotes" in p.problem for p in found.problems)


def test_a_long_note_is_read_and_a_huge_one_is_called_what_it_is(season: Path) -> None:
    row = "X001,Lark,Wren,2031-06-04,09:30,Ana,{}\nX002,Wren,Lark,2031-06-05,10:15,Ben,\n"
    found = crosses(season, HEAD + row.format("x" * 200_000))
    assert len(found.crosses["notes"][0]) == 200_000
    assert of_severity(found, Severity.ERROR) == []
    for cell in ("x" * (MAX_CELL + 1), '"' + "x" * (MAX_CELL + 1) + '"'):
        wrong = of_severity(crosses(season, HEAD + row.format(cell)), Severity.ERROR)
        assert [(p.row, p.problem) for p in wrong if p.file == "crosses.csv"] == [
            (2, "A cell of this row has more than 1,000,000 characters.")
        ]


def test_a_mark_that_is_never_closed_in_a_large_sheet_is_called_so() -> None:
    rows = "".join(f"X{i},Lark,Wren,,,,\n" for i in range(80_000))
    found = parse_sheet((HEAD + 'A,Lark,Wren,,,,"\n' + rows).encode(), shown_as="crosses.csv").problems
    assert [p.row for p in found] == [2]
    assert "never closed" in found[0].problem


def test_a_tag_and_a_typed_line_may_have_one_name(season: Path) -> None:
    text = (season / "samples" / "plate1.csv").read_text(encoding="utf-8")
    text = text.replace("Lark", "1").replace("Wren", "2").replace("X001", "1").replace("X002", "2")
    (season / "samples" / "plate1.csv").write_text(text, encoding="utf-8")
    found = crosses(season, HEAD + "1,1,2,2031-06-04,09:30,Ana,\n2,2,1,2031-06-05,10:15,Ben,\n")
    assert found.problems == ()
    assert found.crosses["mother"].tolist() == ["1", "2"]


def test_one_number_for_different_parents_in_two_batches(season: Path) -> None:
    config = (season / "config.yaml").read_text(encoding="utf-8")
    (season / "config.yaml").write_text(
        config + "  - {batch: B02, path: genotypes/plate2.csv, layout: wide}\n"
    )
    (season / "genotypes" / "plate2.csv").write_text("sample_id,m1\nS01,A/A\n")
    (season / "samples" / "plate2.csv").write_text(
        "sample_id,batch,plate,well,role,line,cross_id,pod,plant\n"
        "S01,B02,plate2,A1,parent,Wren,,,\n"  # S01 of B01 is Lark
        "S02,B02,plate2,B1,parent,Wren,,,\n"  # as S02 of B01: one plant
        "S03,B02,plate2,C1,progeny,,X002,,\n"  # S03 of B01 has a plant name of its own
        "S06,B02,plate2,D1,progeny,,X001,,\n"  # S06 of B01 is a blank
    )
    found = read_season(season, today=TODAY)
    assert of_severity(found, Severity.ERROR) == []
    plants = found.samples.set_index(["batch", "sample_id"])["plant"].to_dict()
    assert plants["B01", "S01"] == "S01 (B01)"
    assert plants["B02", "S01"] == "S01 (B02)"
    assert plants["B01", "S02"] == plants["B02", "S02"] == "S02"
    assert plants["B01", "S03"] == "X001-1"


def test_one_name_for_two_lines_in_one_batch_is_still_refused(season: Path) -> None:
    text = (season / "samples" / "plate1.csv").read_text(encoding="utf-8").replace("S02", "S01")
    (season / "samples" / "plate1.csv").write_text(text, encoding="utf-8")
    found = read_season(season, today=TODAY)
    assert "appears twice in the batch" in said(of_severity(found, Severity.ERROR))


@pytest.mark.parametrize(
    ("date", "both"), [("26-05-18", ("2018-05-26", "2026-05-18")), ("04-06-27", ("2027-06-04", "2004-06-27"))]
)
def test_a_short_date_may_begin_with_the_year(season: Path, date: str, both: tuple[str, str]) -> None:
    found = crosses(season, HEAD + f"X001,Lark,Wren,{date},09:30,Ana,\nX002,Wren,Lark,,,,\n")
    told = said(of_severity(found, Severity.ERROR))
    assert all(day in told for day in both)


@pytest.mark.parametrize(
    ("time", "remedy"),
    [
        (
            "0.34",
            "It is 08:10 as a share of a day and 00:34 as hours and minutes",
        ),  # 0.34 x 24 h = 8 h 9.6 min
        ("0,34", "It is 08:10"),
        ("0.75", "Write 18:00"),
        ("0.5", "Write 12:00"),
        (".999999", "Write 23:59"),
    ],
)
def test_a_share_of_a_day_is_not_hours_and_minutes(season: Path, time: str, remedy: str) -> None:
    found = crosses(season, HEAD + f'X001,Lark,Wren,2031-06-04,"{time}",Ana,\nX002,Wren,Lark,,,,\n')
    wrong = [p for p in of_severity(found, Severity.ERROR) if p.column == "time"]
    assert len(wrong) == 1
    assert remedy in wrong[0].remedy


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("L\u0430rk", "Cyrillic small letter a in place of Latin small letter a"),
        ("Lark\u200b", "an invisible character (U+200B)"),
    ],
)
def test_a_name_that_looks_the_same_is_told_apart_in_words(season: Path, name: str, why: str) -> None:
    found = crosses(season, HEAD + f"X001,{name},Wren,2031-06-04,09:30,Ana,\nX002,Wren,Lark,,,,\n")
    assert why in said([p for p in found.problems if "Did you mean" in p.remedy])


def test_accents_stored_in_two_ways_are_one_name(season: Path) -> None:
    for file in ("crosses.csv", "samples/plate1.csv"):
        text = (season / file).read_text(encoding="utf-8")
        accent = "L\u00e4rk" if file == "crosses.csv" else "La\u0308rk"
        (season / file).write_text(text.replace("Lark", accent), encoding="utf-8")
    assert read_season(season, today=TODAY).problems == ()


def problems_of_config(folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as refused:
        read_config(folder)
    return refused.value.problems


def test_what_is_no_file_is_called_what_it_is(season: Path) -> None:
    (season / "crosses.csv").unlink()
    os.mkfifo(season / "crosses.csv")
    assert "is a pipe" in said(problems_of_config(season))
    (season / "crosses.csv").unlink()
    (season / "crosses.csv").symlink_to("crosses.csv")
    told = said(problems_of_config(season))
    assert "a link that leads to no file" in told
    assert "Did you mean" not in told


def test_a_dead_link_among_the_sheets_of_wells_is_said(season: Path) -> None:
    (season / "samples" / "plate2.csv").symlink_to("gone.csv")
    told = said(problems_of_config(season))
    assert "samples/plate2.csv" in told
    assert "a link that leads to no file, not a sheet of wells" in told


def test_a_genotype_file_that_may_not_be_read_is_set_aside(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = os.access
    monkeypatch.setattr(
        os, "access", lambda path, mode, **more: Path(path).name != "plate1.csv" and asked(path, mode, **more)
    )
    (entry,) = read_config(season).genotypes
    assert entry.absent is not None
    assert entry.absent.problem == "You do not have permission to read the file."


def workbook(folder: Path, *changes: tuple[str, str, str]) -> Season:
    """The crosses sheet as a workbook, with texts of its parts replaced."""
    book = openpyxl.Workbook()
    for line in (HEAD + "X001,Lark,Wren,2031-06-04,09:30,Ana,\nX002,Wren,Lark,,,,\n").splitlines():
        book.active.append(line.split(","))
    book.save(folder / "whole.xlsx")
    with zipfile.ZipFile(folder / "whole.xlsx") as old, zipfile.ZipFile(folder / "crosses.csv", "w") as new:
        for name in old.namelist():
            text = old.read(name)
            for part, before, after in changes:
                if name == part:
                    assert before.encode() in text
                    text = text.replace(before.encode(), after.encode())
            new.writestr(name, text)
    (folder / "whole.xlsx").unlink()
    return read_season(folder, today=TODAY)


def test_a_strict_workbook_is_called_what_it_is(season: Path) -> None:
    usual = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    strict = "http://purl.oclc.org/ooxml/spreadsheetml/main"
    found = workbook(season, ("xl/workbook.xml", usual, strict))
    wrong = of_severity(found, Severity.ERROR)
    assert ["strict form of Open XML" in p.problem for p in wrong if p.file == "crosses.csv"] == [True]


def test_a_cell_that_a_workbook_holds_twice_is_refused(season: Path) -> None:
    found = workbook(season, ("xl/worksheets/sheet1.xml", 'r="C2"', 'r="B2"'))
    wrong = [p for p in of_severity(found, Severity.ERROR) if "appears twice in the workbook" in p.problem]
    assert [(p.row, p.value) for p in wrong] == [(2, "B2")]
    assert "Cell B2" in wrong[0].problem


def test_a_fault_far_down_a_sheet_costs_no_more_than_one_at_its_top() -> None:
    # 160,000 rows with one tag took three quarters of a minute, with a list as long as the sheet for each.
    raw = RawTable(
        CROSSES, {"cross_id": ["X001"] * 1_000_000}, files=["a.csv"] * 1_000_000, rows=list(range(1_000_000))
    )
    notes = Problems()
    start = time.process_time()
    for i in range(999_000, 1_000_000):
        raw.note(notes, i, "cross_id", Fault("It appears twice.", "Delete it."))
        raw.note(notes, i, "no such column", Fault("It is missing.", "Add it."))
    assert time.process_time() - start < 1.0
    assert [p.value for p in notes.listed()[:2]] == ["X001", ""]


@pytest.mark.slow
def test_a_workbook_of_many_short_rows_is_read_in_proportion(tmp_path: Path) -> None:
    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet()
    page.append(["cross_id", "mother"])
    for _ in range(200_000):
        page.append([1])
    book.save(tmp_path / "b.xlsx")
    start = time.process_time()
    sheet = parse_sheet(
        (tmp_path / "b.xlsx").read_bytes(), shown_as="crosses.csv", known=("cross_id", "mother")
    )
    assert len(sheet.rows) == 200_000
    assert time.process_time() - start < 15
