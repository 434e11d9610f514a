"""Sheets typed into a table or sent as a file, checked alike; the sheet before is kept."""

from __future__ import annotations

import io
import re

import openpyxl
import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.season.work_folder import WorkFolder, season_lock
from crossproof.steps.checking import check_season


@pytest.fixture
def visitor(tmp_path):
    copy_of_demo(tmp_path / "demo")
    return Visitor(tmp_path)


def fields(page):
    """Names and values of all fields of the table's form."""
    found = dict(re.findall(r'<input name="(\w+)" value="([^"]*)"', page.text))
    hidden = dict(re.findall(r'<input type="hidden" name="(file|digest|first)" value="([^"]*)"', page.text))
    return {**found, **hidden}


def column(page, name):
    heads = re.findall(r'<th scope="col">(\w+)', page.text.split('class="typing"')[1])
    return heads.index(name) - 1


def test_sheets_are_listed(visitor):
    text = words(visitor.get("/season/demo/sheets"))
    assert "Crosses: crosses.csv 30 rows" in text
    assert "Wells: samples/B001.csv" in text
    assert "Markers: markers.csv" in text


def test_a_cell_that_is_typed_is_saved_and_the_sheet_before_kept(visitor, tmp_path):
    sheet = tmp_path / "demo" / "crosses.csv"
    before = sheet.read_bytes()
    page = visitor.get("/season/demo/sheets/edit?file=crosses.csv")
    form = fields(page)
    name = f"c0_{column(page, 'operator')}"
    answer = visitor.post("/season/demo/sheets/edit", {**form, name: "Ana  Maria", "what": "save"})
    assert answer.headers["location"] == "/season/demo/sheets?said=SAVED"
    changed = [
        (a, b) for a, b in zip(before.splitlines(), sheet.read_bytes().splitlines(), strict=True) if a != b
    ]
    assert len(changed) == 1
    assert b"Ana Maria" in changed[0][1]
    visitor.post("/season/demo/sheets/change", {"file": "crosses.csv", "what": "restore"})
    assert sheet.read_bytes() == before


def test_what_the_file_would_be_told_the_table_is_told(visitor, tmp_path):
    season = tmp_path / "demo"
    sheet = season / "crosses.csv"
    before = sheet.read_bytes()
    page = visitor.get("/season/demo/sheets/edit?file=crosses.csv")
    form = fields(page)
    name = f"c2_{column(page, 'flowers')}"
    answer = visitor.post("/season/demo/sheets/edit", {**form, name: "many", "what": "save"})
    assert answer.status_code == 422
    assert sheet.read_bytes() == before
    assert "Not saved yet: the sheet would have errors." in words(answer)
    assert re.search(rf'name="{name}" value="many"[^>]*aria-invalid="true"', answer.text)
    again = visitor.post("/season/demo/sheets/edit", {**form, name: "many", "what": "anyway"})
    assert again.status_code == 303
    [told] = [p for p in check_season(season) if p.value == "many"]
    assert told.problem in answer.text.replace("&#39;", "'")


def test_rows_are_added_and_emptied_ones_taken_away(visitor, tmp_path):
    sheet = tmp_path / "demo" / "crosses.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines()
    page = visitor.get("/season/demo/sheets/edit?file=crosses.csv")
    form = fields(page)
    width = max(int(n.split("_")[1]) for n in form if n.startswith("c0_")) + 1
    last = max(int(n[1:].split("_")[0]) for n in form if re.match(r"c\d", n))
    form |= {f"c{last}_{i}": "" for i in range(width)}
    form |= {"a0_0": "X900", f"a0_{column(page, 'mother')}": "LN01", f"a0_{column(page, 'father')}": "LN02"}
    answer = visitor.post("/season/demo/sheets/edit", {**form, "what": "anyway"})
    assert answer.status_code == 303
    now = sheet.read_text(encoding="utf-8").splitlines()
    assert now[:-1] == lines[:-1]
    assert now[-1].startswith("X900,")


def test_a_sheet_changed_meanwhile_is_not_written_over(visitor, tmp_path):
    form = fields(visitor.get("/season/demo/sheets/edit?file=crosses.csv"))
    sheet = tmp_path / "demo" / "crosses.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8") + "# more\n", encoding="utf-8")
    answer = visitor.post("/season/demo/sheets/edit", {**form, "c0_0": "Q77", "what": "save"})
    assert answer.status_code == 409
    assert "Q77" not in sheet.read_text(encoding="utf-8")


def test_nothing_is_saved_while_a_run_holds_the_season(visitor, tmp_path):
    form = fields(visitor.get("/season/demo/sheets/edit?file=markers.csv"))
    before = (tmp_path / "demo" / "markers.csv").read_bytes()
    with season_lock(WorkFolder(tmp_path / "demo")):
        answer = visitor.post("/season/demo/sheets/edit", {**form, "c0_1": "02", "what": "anyway"})
    assert answer.status_code == 409
    assert (tmp_path / "demo" / "markers.csv").read_bytes() == before


@pytest.mark.parametrize("name", ["config.yaml", "../crosses.csv", "/etc/passwd", "", "truth.csv"])
def test_only_sheets_of_the_season_can_be_typed_into(visitor, name):
    assert visitor.get("/season/demo/sheets/edit", params={"file": name}).status_code == 404


def test_a_workbook_that_is_sent_is_checked_and_used(visitor, tmp_path):
    season = tmp_path / "demo"
    book = openpyxl.Workbook()
    rows = [r.split(",") for r in (season / "crosses.csv").read_text(encoding="utf-8").splitlines()]
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    answer = visitor.post(
        "/season/demo/sheets/send", {"file": "crosses.csv"}, files={"sheet": ("crosses.xlsx", out.getvalue())}
    )
    where = answer.headers["location"]
    assert "None waits." in words(visitor.get("/season/demo")), "it is no file of the laboratory"
    text = words(visitor.get(where))
    assert "It would be crosses.csv: 30 rows. Nothing is written yet." in text
    assert "No errors in this sheet." in text
    answer = visitor.post(where.partition("?")[0], {"what": "take", "file": "crosses.csv"})
    assert answer.headers["location"].endswith("said=SAVED")
    now = [r.split(",") for r in (season / "crosses.csv").read_text(encoding="utf-8").splitlines()]
    assert now == rows


def test_the_first_sheet_of_wells_takes_the_invented_one_away(tmp_path):
    visitor = Visitor(tmp_path)
    visitor.post("/seasons", {"name": "s"})
    wells = b"sample_id,plate,well,role,line\nS1,P1,A1,parent,Lark\n"
    answer = visitor.post("/season/s/sheets/send", {"file": "+wells"}, files={"sheet": ("P1.csv", wells)})
    where = answer.headers["location"]
    assert "It would be samples/P1.csv: 1 row." in words(visitor.get(where))
    visitor.post(where.partition("?")[0], {"what": "take", "file": "+wells"})
    assert [p.name for p in (tmp_path / "s" / "samples").iterdir()] == ["P1.csv"]
    again = visitor.post("/season/s/sheets/send", {"file": "+wells"}, files={"sheet": ("P1.csv", wells)})
    assert visitor.get(again.headers["location"]).status_code == 409


def test_a_sheet_that_is_none_can_only_be_put_away(visitor):
    answer = visitor.post(
        "/season/demo/sheets/send",
        {"file": "crosses.csv"},
        files={"sheet": ("x.csv", b"\x00\xff\xfe binary")},
    )
    page = visitor.get(answer.headers["location"])
    assert page.status_code == 200
    assert "Use it" not in words(page)
    assert "Put it away" in words(page)


def test_a_trial_leaves_nothing_behind(visitor, tmp_path):
    form = fields(visitor.get("/season/demo/sheets/edit?file=crosses.csv"))
    visitor.post("/season/demo/sheets/edit", {**form, "c0_0": "", "what": "save"})
    assert not list((tmp_path / "demo" / ".crossproof" / "desk").glob("trial-*"))
