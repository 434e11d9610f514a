"""`crossproof done`: scanned lists of what was done at the bench, compared with the decisions."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import openpyxl
import pandas as pd

from crossproof.errors import InputError, Problem, Severity, UsageError, error
from crossproof.field.returned import DONE_LIST, LOUD, Bench, counts, done_table, read_rows
from crossproof.io.config.season_config import find_config, read_config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.problems import Problems
from crossproof.io.records.raw_tables import gather
from crossproof.io.results.reading import PLANT_KEYS, read_table
from crossproof.io.results.tables import table_bytes
from crossproof.io.sheets.shape import Sheet
from crossproof.io.sheets.sheet import read_sheet
from crossproof.model.bench import Outcome
from crossproof.report.content.worklist import SCAN_HEADER_ROW, SCAN_SHEET
from crossproof.season.code_season import code_season
from crossproof.text import plain

RESULT = Path("results") / "done.csv"


@dataclass(frozen=True)
class Done:
    """The comparison as it was written, with warnings about the lists."""

    table: pd.DataFrame
    path: Path
    warnings: tuple[Problem, ...]


def compare_lists(where: Path, lists: Sequence[Path]) -> Done:
    """Read the lists against the decisions of the last run and write results/done.csv.

    Several lists are read as one. Raises InputError with every problem of every list, and then writes
    nothing; UsageError where the season has no results.
    """
    config = read_config(find_config(where), genotypes_come=True, wells_come=True)
    path = config.root / "results" / "verdicts.csv"
    if not path.exists():
        raise UsageError.at(
            "results/verdicts.csv", "This season has no results yet.", "Run it first: crossproof run"
        )
    verdicts = read_table(path, PLANT_KEYS)
    crosses = config.root / "results" / "crosses.csv"
    bench = Bench.of(verdicts, code_season(config))
    notes = Problems()
    sheets = [
        _scanning_sheet(p) or read_sheet(p, shown_as=p.name, known=_known()) for p in dict.fromkeys(lists)
    ]
    raw = gather(sheets, DONE_LIST, {}, notes)
    rows = read_rows(raw, bench, notes) if raw.whole else ()
    # Columns of the user's own are passed over here, and go nowhere.
    problems = [p for p in notes.listed() if p.severity is not Severity.NOTE]
    if not rows and not problems:
        problems = [error(lists[0].name, "The list has no rows.", "Scan the plants into it first.")]
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError(problems)
    table = done_table(rows, verdicts, read_table(crosses) if crosses.exists() else pd.DataFrame(), bench)
    write_bytes(config.root / RESULT, table_bytes(table))
    return Done(table, config.root / RESULT, tuple(problems))


def _known() -> tuple[str, ...]:
    return (*DONE_LIST.names, *(h for c in DONE_LIST.columns for h in c.also))


def _scanning_sheet(path: Path) -> Sheet | None:
    """What was scanned into the worklist itself, without its formulas; None for another file."""
    if not zipfile.is_zipfile(path):
        return None
    try:
        book = openpyxl.load_workbook(path)
    except Exception:  # whatever is wrong with the workbook is told by the reader of sheets
        return None
    if SCAN_SHEET not in book.sheetnames:
        return None
    page = book[SCAN_SHEET]
    headings = {str(page.cell(SCAN_HEADER_ROW, k).value): k for k in range(1, page.max_column + 1)}
    columns = [headings[name] for name in ("plant", "action") if name in headings]
    rows = range(SCAN_HEADER_ROW + 1, page.max_row + 1)
    cells = {r: tuple(str(page.cell(r, k).value or "").strip() for k in columns) for r in rows}
    used = {r: texts for r, texts in cells.items() if any(texts)}
    return Sheet(
        path.name,
        tuple(str(page.cell(SCAN_HEADER_ROW, k).value) for k in columns),
        tuple(used.values()),
        tuple(used),
        header_row=SCAN_HEADER_ROW,
    )


MOST_NAMED = 5

_WORDS = {
    Outcome.CULLED_NOT_TO_BE: "culled, and not to be culled",
    Outcome.KEPT_NOT_CULLED: "kept, and to be culled",
    Outcome.NOT_SAMPLED: "kept, and to be sampled again",
    Outcome.NOT_TOUCHED: "touched by nobody",
    Outcome.GONE: "gone",
    Outcome.AS_DECIDED: "as decided",
}


def summary(table: pd.DataFrame) -> tuple[tuple[str, ...], int]:
    """How many plants there are of each outcome, some names where somebody has to act, and the status."""
    said = []
    found = counts(table)
    for outcome, n in found:
        line = f"{n:>6}  {_WORDS[outcome]}"
        if outcome in LOUD:
            plants = table.loc[table["outcome"] == str(outcome), "plant"].tolist()
            more = " …" if n > MOST_NAMED else ""
            line += f": {plain(', '.join(plants[:MOST_NAMED]))}{more}"
        said.append(line)
    happened = {outcome for outcome, _ in found}
    if Outcome.CULLED_NOT_TO_BE in happened:
        said.append("What was culled cannot be undone: look for it in the waste now, and for seed in store.")
    return tuple(said), 1 if happened & set(LOUD) else 0
