"""Sheets: what is written is what is read, with true row numbers; anything else is refused, never guessed."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from season_builder import write_workbook

from crossproof.errors import Severity
from crossproof.io.problems import MOST
from crossproof.io.sheets import sheet as sheets
from crossproof.io.sheets import workbooks
from crossproof.io.sheets.sheet import parse_sheet, read_sheet

CELL = st.text(
    st.characters(exclude_categories=("Cs", "Cc", "Cn"), exclude_characters="\ufffd\ufeff"), max_size=8
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.lists(CELL, min_size=3, max_size=3), min_size=1, max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_text_sheets_round_trip(rows: list[list[str]], delimiter: str, end: str, encoding: str) -> None:
    header = ["cross_id", "mother", "notes"]
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerows([header, *rows])
    sheet = parse_sheet(out.getvalue().encode(encoding), shown_as="c.csv", known=header)
    expected = [[cell.strip() for cell in row] for row in rows]
    expected = [r for r in expected if any(r) and not (r[0].startswith("#") and not any(r[1:]))]
    assert sheet.problems == ()
    assert sheet.headings == tuple(header)
    assert [list(r) for r in sheet.rows] == expected


@settings(max_examples=200, deadline=None)
@given(
    st.binary(max_size=120)
    | st.text(alphabet='ab,;\t"\n\r# =|', max_size=60).map(str.encode)
    | st.binary(max_size=60).map(lambda b: b"PK\x03\x04" + b)
)
def test_any_bytes_are_read_or_refused_with_a_remedy(data: bytes) -> None:
    sheet = parse_sheet(data, shown_as="c.csv", known=("a", "b"))
    assert all(p.remedy and p.file == "c.csv" for p in sheet.problems)
    assert sheet.readable or any(p.severity is Severity.ERROR for p in sheet.problems)
    assert all(len(r) == len(sheet.headings) for r in sheet.rows)
    assert list(sheet.row_numbers) == sorted(set(sheet.row_numbers))


@pytest.fixture(scope="module")
def workbook_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("book") / "w.xlsx"
    write_workbook(path, [{"rows": [["cross_id", "mother"], ["X1", "Lark"], ["X2", 3]]}])
    return path.read_bytes()


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_damaged_workbooks_are_read_right_or_refused(workbook_bytes: bytes, data: st.DataObject) -> None:
    broken = bytearray(workbook_bytes)
    for _ in range(data.draw(st.integers(1, 4))):
        broken[data.draw(st.integers(4, len(broken) - 1))] = data.draw(st.integers(0, 255))
    sheet = parse_sheet(bytes(broken), shown_as="w.xlsx")
    if sheet.readable and not sheet.problems:
        assert sheet.headings == ("cross_id", "mother")
        assert sheet.rows == (("X1", "Lark"), ("X2", "3"))
    else:
        assert any(p.severity is not Severity.NOTE for p in sheet.problems)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.lists(CELL, min_size=2, max_size=2), min_size=1, max_size=4))
def test_workbook_text_round_trips(tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]) -> None:
    import xlsxwriter  # an independent writer, not the library that reads

    assume(not any(c.strip() in ("#", "=") for r in rows for c in r))
    path = tmp_path_factory.getbasetemp() / "round.xlsx"
    with xlsxwriter.Workbook(path) as book:
        page = book.add_worksheet()
        for r, row in enumerate([["cross_id", "mother"], *rows]):
            for c, cell in enumerate(row):
                page.write_string(r, c, cell)
    sheet = read_sheet(path, shown_as="round.xlsx")
    expected = [[cell.strip() for cell in row] for row in rows]
    expected = [r for r in expected if any(r) and not r[0].startswith("#")]
    assert [list(r) for r in sheet.rows] == expected


def test_numbers_dates_and_truth_values_of_a_workbook_become_text(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    cells = [7, 7.0, 0.1, 24.1, {"date": "2031-06-04"}, {"time": "09:30"}, True, "007", 1e15]
    write_workbook(path, [{"rows": [[f"c{i}" for i in range(len(cells))], cells]}])
    sheet = read_sheet(path, shown_as="w.xlsx")
    assert sheet.rows[0][:8] == ("7", "7", "0.1", "24.1", "2031-06-04", "09:30", "TRUE", "007")
    assert sheet.cell_kinds[0, 0] == "number"
    assert sheet.cell_kinds[0, 4] == "date"
    assert (0, 7) not in sheet.cell_kinds


def test_a_named_sheet_is_read_and_an_unknown_one_refused(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    write_workbook(path, [{"rows": [["a"]], "title": "One"}, {"rows": [["b"], ["x"]], "title": "Two"}])
    assert read_sheet(path, shown_as="w.xlsx", sheet="Two").headings == ("b",)
    missing = read_sheet(path, shown_as="w.xlsx", sheet="Three")
    assert [p.remedy for p in missing.problems] == ["Use one of: One, Two."]


def test_a_workbook_that_unpacks_without_end_is_refused_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbooks, "MAX_UNPACKED", 1024**2)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 2 * 1024**2)
    assert len(out.getvalue()) < 10_000
    sheet = parse_sheet(out.getvalue(), shown_as="bomb.xlsx")
    assert [p.problem for p in sheet.problems] == ["The workbook unpacks to 2 MB; at most 1 MB are read."]


def edited(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """A workbook with one member changed."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(out, "w") as target:
        for member in source.namelist():
            content = source.read(member)
            if member == name:
                assert old in content
                content = content.replace(old, new)
            target.writestr(member, content)
    return out.getvalue()


def test_rows_out_of_order_in_a_workbook_are_not_lost_in_silence(workbook_bytes: bytes) -> None:
    data = edited(workbook_bytes, "xl/worksheets/sheet1.xml", b'<row r="3"', b'<row r="2"')
    sheet = parse_sheet(data, shown_as="w.xlsx")
    assert any("out of order or appear twice" in p.problem for p in sheet.problems)


def test_a_row_number_beyond_any_sheet_ends_the_reading(workbook_bytes: bytes) -> None:
    data = edited(workbook_bytes, "xl/worksheets/sheet1.xml", b'<row r="3"', b'<row r="999999999"')
    sheet = parse_sheet(data, shown_as="w.xlsx")
    assert any(p.severity is Severity.ERROR for p in sheet.problems)


def test_a_file_larger_than_any_sheet_is_refused_unread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "MAX_BYTES", 10)
    path = tmp_path / "c.csv"
    path.write_text("cross_id,mother\n", encoding="utf-8")
    assert "more than a sheet" in read_sheet(path, shown_as="c.csv").problems[0].problem


def test_many_ragged_rows_are_listed_up_to_a_limit_and_then_counted() -> None:
    data = b"cross_id,mother,father\n" + b"X,Y\n" * (MOST + 7)
    problems = parse_sheet(data, shown_as="c.csv").problems
    assert len(problems) == MOST + 1
    assert problems[-1].problem.startswith("7 more rows")


def test_rows_without_the_headers_delimiter_say_so() -> None:
    sheet = parse_sheet(b"cross_id\tmother\tfather\nX1,Lark,Wren\n", shown_as="c.csv", known=["cross_id"])
    assert "The row seems to use the comma, the header the tab." in sheet.problems[0].remedy


def test_short_rows_of_a_workbook_are_only_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "w.xlsx"
    write_workbook(path, [{"rows": [["a", "b", "c"], ["x"], [], ["y", "", "z"]]}])
    sheet = read_sheet(path, shown_as="w.xlsx")
    assert sheet.problems == ()
    assert sheet.rows == (("x", "", ""), ("y", "", "z"))
    assert sheet.row_numbers == (2, 4)


def test_what_cannot_be_opened_is_a_problem_and_no_crash(tmp_path: Path) -> None:
    sheet = read_sheet(tmp_path, shown_as="folder")
    assert [p.problem for p in sheet.problems] == ["The file cannot be opened (Is a directory)."]
