"""The crossing book: walking order, pages, and a workbook that goes in unchanged as the crosses sheet."""

from __future__ import annotations

import datetime as dt
import io
import re

import openpyxl
import pytest
from nursery import make_nursery
from printed import page_sizes, page_texts, print_pdf

from crossproof.errors import InputError, Severity, UsageError
from crossproof.field.book import COLUMNS, book_page, make_book, stops_by_place
from crossproof.field.book_xlsx import LISTS, book_bytes, write_book
from crossproof.field.printing import empty_tags, open_field, write_issued
from crossproof.field.sheets import Paper
from crossproof.io.records.issued_tags import read_issued
from crossproof.io.records.season_records import read_season
from crossproof.io.sheets.columns import CROSSES

HOSTILE = """\
mother,father,operator,place
<script>alert(1)</script>,=1+1,"=HYPERLINK(""http://x"")",<b>house</b>
"@SUM(1)",Wren,-Ana,
"""
TODAY = dt.date(2027, 9, 1)


@pytest.fixture
def folder(tmp_path):
    """Printed tags of the invented plan, two empty ones, and a crosses sheet without rows."""
    root = make_nursery(tmp_path / "n")
    write_issued(root, empty_tags(open_field(root), 2).issued)
    (root / "crosses.csv").write_text(",".join(c.name for c in COLUMNS) + "\n")
    (root / "samples" / "plate1.csv").write_text("sample_id,role,line,batch\nS01,parent,Lark,B01\n")
    return root


def test_walking_order(folder):
    book = make_book(folder)
    assert [(r.place, r.cells["mother"], r.cells["father"]) for r in book.rows] == [
        ("house 1 bench 2", "Lark", "Robin"),
        ("house 1 bench 2", "Lark", "Wren"),
        ("house 1 bench 10", "Robin", "Wren"),
        ("", "Crane", "Lark"),
        ("", "", ""),
        ("", "", ""),
    ]
    assert [(place, [s.mother for s in stops]) for place, stops in stops_by_place(book)] == [
        ("house 1 bench 2", ["Lark"]),
        ("house 1 bench 10", ["Robin"]),
        ("", ["Crane", ""]),
    ]
    assert book.people == ("Ana", "Bo")
    assert book.lines == ("Crane", "Lark", "Robin", "Wren")


def test_what_the_crosses_sheet_knows_is_carried_over(folder):
    tag = read_issued(folder)[0].tags[0].name
    (folder / "crosses.csv").write_text(
        "Tag no,female,male,date,time,operator,temp,flowers,pods,bee net\n"
        f"{tag},Lark,Robin,7 June 2026,07:10,Cy,18.5,,1,yes\nX9,Wren,Lark,2026-06-08,,,,2,,no\n"
    )
    book = make_book(folder)
    rows = {r.tag: r.cells for r in book.rows}
    assert len(rows) == 7
    known = rows[tag]
    assert (known["date"], known["time"], known["operator"]) == ("2026-06-07", "07:10", "Cy")
    assert (known["temperature_c"], known["flowers"], known["pods"]) == ("18.5", "", "1")
    assert known["target_hybrids"] == ""  # the season's setting is nothing that somebody wrote
    assert (rows["X9"]["flowers"], rows["X9"]["bee net"]) == ("2", "no")
    assert book.own == ("bee net",)
    assert book.people == ("Ana", "Bo", "Cy")


def test_the_workbook_has_the_columns_of_the_crosses_sheet(folder):
    page = openpyxl.load_workbook(io.BytesIO(book_bytes(make_book(folder), 2027))).worksheets[0]
    heads = [c.value for c in page[1]]
    assert heads[:-1] == [c for c in CROSSES.names if c != "cross"]
    assert heads[-1] == "mother_place"


def fill(path, rows):
    """Type into a book as a technician does: dates as dates, times as times."""
    book = openpyxl.load_workbook(path)
    page = book.worksheets[0]
    place = {c.value: c.column for c in page[1]}
    at = {page.cell(r, 1).value: r for r in range(2, page.max_row + 1)}
    for tag, cells in rows.items():
        for name, value in cells.items():
            page.cell(at[tag], place[name]).value = value
    book.save(path)


def test_the_filled_workbook_goes_in_unchanged_as_the_crosses_sheet(folder):
    path = write_book(make_book(folder), folder / "field")
    tags = [t.name for t in read_issued(folder)[0].tags]
    day, hour = dt.date(2026, 6, 7), dt.time(7, 10)
    done = {"date": day, "time": hour, "operator": "Ana", "flowers": 2, "temperature_c": 18.5}
    fill(
        path,
        {
            tags[0]: {**done, "anthers_removed": 10, "pods": 1, "seeds": 4},
            tags[1]: done,
            tags[4]: {**done, "mother": "Robin", "father": "Wren"},
        },
    )
    config = folder / "config.yaml"
    config.write_text(config.read_text().replace("crosses: crosses.csv", "crosses: field/book.xlsx"))
    season = read_season(folder, today=TODAY)
    assert [p for p in season.problems if p.severity is Severity.ERROR] == []
    told = [p.problem for p in season.problems if p.file == "field/book.xlsx"]
    assert "3 tags have not been used yet; their rows are left out." in told
    assert not any("Only the first sheet" in t for t in told)
    crosses = season.crosses.set_index("cross_id")
    assert crosses.index.tolist() == [tags[0], tags[1], tags[4]]
    first = crosses.loc[tags[0]]
    assert (first["mother"], first["father"], first["date"], first["time"]) == (
        *("Lark", "Robin", "2026-06-07", "07:10"),
    )
    assert (first["flowers"], first["pods"], first["seeds"], first["anthers_removed"]) == (2, 1, 4, 10)
    assert first["mother_place"] == "house 1 bench 2"
    # Harvest: the next book holds all of it, and is read to the same records.
    again = write_book(make_book(folder), folder / "field")
    assert again.name == "book_2.xlsx"
    config.write_text(config.read_text().replace("field/book.xlsx", "field/book_2.xlsx"))
    columns = [c for c in season.crosses.columns if not c.startswith("_")]
    assert read_season(folder, today=TODAY).crosses[columns].equals(season.crosses[columns])


def test_a_filled_workbook_is_never_written_over(folder):
    first = write_book(make_book(folder), folder / "field")
    first.write_bytes(b"filled in")
    second = write_book(make_book(folder), folder / "field")
    assert (first.name, second.name, first.read_bytes()) == ("book.xlsx", "book_2.xlsx", b"filled in")


def test_cells_are_checked_while_they_are_typed(folder):
    book = openpyxl.load_workbook(io.BytesIO(book_bytes(make_book(folder), 2027)))
    page = book.worksheets[0]
    letters = {c.value: c.column_letter for c in page[1]}
    rules = {str(v.sqref).split(":")[0].rstrip("0123456789"): v for v in page.data_validations.dataValidation}
    of = {name: rules[letter] for name, letter in letters.items() if letter in rules}
    assert {n: of[n].type for n in ("mother", "father", "operator", "date", "time", "flowers", "pods")} == {
        **dict.fromkeys(("mother", "father", "operator"), "list"),
        **{"date": "date", "time": "time", "flowers": "whole", "pods": "whole"},
    }
    assert of["mother"].formula1 == f"'{LISTS}'!$A$2:$A$5"
    assert [c.value for c in book[LISTS]["A"]] == ["lines", "Crane", "Lark", "Robin", "Wren"]
    assert [c.value for c in book[LISTS]["B"] if c.value] == ["people", "Ana", "Bo"]
    assert (of["date"].formula2, of["date"].formula1) == ("TODAY()", "46023")  # 1 January 2026
    assert dt.date(1899, 12, 30) + dt.timedelta(days=46023) == dt.date(2026, 1, 1)
    assert (of["pods"].formula2, of["pods"].errorTitle) == (f"{letters['flowers']}2", "Pods before flowers")
    # With blanks ignored a spreadsheet lets any number pass whose limit is a blank cell.
    assert not of["pods"].allow_blank
    assert of["cross_id"].errorTitle == "Tag seen twice"
    assert of["anthers_removed"].formula2 == "10"
    assert all(len(v.error) <= 255 and len(v.errorTitle) <= 32 for v in rules.values())


def test_hostile_names_stay_names(tmp_path):
    folder = make_nursery(tmp_path / "n", HOSTILE)
    book = make_book(folder)
    for page in openpyxl.load_workbook(io.BytesIO(book_bytes(book, 2027))).worksheets:
        for row in page.iter_rows():
            assert all(c.data_type != "f" and c.hyperlink is None for c in row)
    html = book_page(book, Paper.A4)
    outside = re.sub(r"<style>.*?</style>", "", html, flags=re.S)
    assert "<script" not in outside
    assert "<b>" not in outside
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in outside


def test_the_same_book_is_the_same_bytes(folder):
    assert book_bytes(make_book(folder), 2027) == book_bytes(make_book(folder), 2027)


def test_without_tags_and_with_spoilt_records_there_is_no_book(folder):
    (folder / "crosses.csv").write_text("cross_id,mother,father,date\nX1,Lark,Wren,tomorrow\n")
    with pytest.raises(InputError, match="not in the form"):
        make_book(folder)
    (folder / "crosses.csv").write_text("cross_id,mother,father\n")
    (folder / "tags.csv").unlink()
    with pytest.raises(UsageError, match="No tags have been printed yet"):
        make_book(folder)


@pytest.mark.browser
@pytest.mark.parametrize(("paper", "size"), [(Paper.A4, (297, 210)), (Paper.LETTER, (279.4, 215.9))])
def test_pages_lie_across_the_paper_and_every_page_names_its_mother(browser, tmp_path, paper, size):
    rows = "".join(f"Lark,F{n:02d},house 1\n" for n in range(45)) + "Robin,Wren,house 2\n"
    folder = make_nursery(tmp_path / "n", f"mother,father,place\n{rows}")
    (folder / "crosses.csv").write_text("cross_id,mother,father\n")
    pdf = print_pdf(browser, book_page(make_book(folder), paper), tmp_path / "book.pdf")
    assert all(s == pytest.approx(size, abs=0.36) for s in page_sizes(pdf))
    texts = page_texts(pdf)
    assert len(texts) >= 4
    assert all("Lark" in t and "house 1" in t for t in texts[:-1])
    assert "Robin" in texts[-1]
    assert "house 2" in texts[-1]
    assert all("pods" in t and "initials will do" in t for t in texts)
    assert sum(t.count("× F") for t in texts) == 45


@pytest.mark.browser
def test_the_page_is_accessible(browser, axe_source, folder):
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    page.set_content(book_page(make_book(folder), Paper.A4))
    page.add_script_tag(content=axe_source)
    found = page.evaluate("axe.run()")["violations"]
    context.close()
    assert [(v["id"], [n["html"][:80] for n in v["nodes"][:2]]) for v in found] == []
