"""Build the seasons of tests/bad_inputs/records: the base season, overlaid with what a case breaks."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import zipfile
from pathlib import Path
from typing import Any

import openpyxl

CORPUS = Path(__file__).parents[1] / "bad_inputs" / "records"
BASE = CORPUS / "base"
TODAY = dt.date(2031, 7, 1)
"""Invented: the day on which the seasons of the corpus are read."""


def build_season(folder: Path, case: Path, expected: dict[str, Any]) -> Path:
    """Copy the base season, then the files of a case over it, then make the files that are not committed."""
    shutil.copytree(BASE, folder)
    for source in sorted(p for p in case.rglob("*") if p.is_file() and p.name != "expected.yaml"):
        target = folder / source.relative_to(case)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    for made in expected.get("build", ()):
        target = folder / made["file"]
        target.unlink(missing_ok=True)
        if "text" in made:
            target.write_bytes(made["text"].encode(made["encoding"]))
        elif "link" in made:
            os.symlink(made["link"], target)
        elif "zip" in made:
            with zipfile.ZipFile(target, "w") as archive:
                for name, text in made["zip"].items():
                    archive.writestr(name, text)
        else:
            write_workbook(target, made["workbook"])
    return folder


def write_workbook(path: Path, sheets: list[dict[str, Any]]) -> None:
    """Write a workbook; a cell is text, a number, or {date|time|formula|error: text}."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, sheet in enumerate(sheets, 1):
        page = book.create_sheet(sheet.get("title", f"Sheet{number}"))
        for r, row in enumerate(sheet["rows"], 1):
            for c, value in enumerate(row, 1):
                if value is None or value == "":
                    continue
                cell = page.cell(r, c)
                if not isinstance(value, dict):
                    cell.value = value
                    if isinstance(value, str):
                        cell.data_type = "s"
                elif "date" in value:
                    cell.value = dt.date.fromisoformat(value["date"])
                elif "time" in value:
                    cell.value = dt.time.fromisoformat(value["time"])
                elif "formula" in value:
                    cell.value = value["formula"]
                else:
                    cell.value, cell.data_type = value["error"], "e"
        for merged in sheet.get("merged", ()):
            page.merge_cells(merged)
        for row in sheet.get("hidden_rows", ()):
            page.row_dimensions[row].hidden = True
        if sheet.get("hidden"):
            page.sheet_state = "hidden"
    with path.open("wb") as out:
        book.save(out)
