"""What is wrong with a season's files: by cause, each with the rows in question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.folder import SeasonPlace
from crossproof.desk.memory import config_of
from crossproof.desk.pages import desk_of, season_page
from crossproof.errors import InputError, Problem
from crossproof.io.records.causes import Cause
from crossproof.io.sheets.shape import Sheet
from crossproof.io.sheets.sheet import read_sheet

MOST_ROWS = 8
"""Rows of one cause that are shown."""
MOST_CAUSES = 200


@dataclass(frozen=True)
class RowShown:
    """One row of a sheet: its number, its cells, and which of them the problem is about (-1: none)."""

    number: int
    cells: tuple[str, ...]
    column: int


@dataclass(frozen=True)
class Excerpt:
    """The rows of one sheet that a cause is about."""

    file: str
    headings: tuple[str, ...]
    rows: tuple[RowShown, ...]


@dataclass(frozen=True)
class CauseShown:
    """A cause and the rows it is about; `sheet`: the file where it can be mended in the desk."""

    cause: Cause
    excerpts: tuple[Excerpt, ...]
    more: int


def problems(request: Request) -> Response:
    """All causes, the worst first."""
    desk = desk_of(request)
    place = desk.season(request)
    checked = desk.checks.of(place)
    shown: list[CauseShown] = []
    if checked is not None:
        sheets = _Sheets(place)
        shown = [cause_shown(c, sheets) for c in checked.causes[:MOST_CAUSES]]
    return season_page(
        request, "problems.html.j2", place, "problems", checked=checked, causes=shown,
        more=max(0, len(checked.causes) - MOST_CAUSES) if checked else 0,
    )  # fmt: skip


class _Sheets:
    """The season's sheets by name, each read once and only when a row of it is shown."""

    def __init__(self, place: SeasonPlace) -> None:
        self._read: dict[str, Sheet | None] = {}
        try:
            config = config_of(place)
        except InputError:
            self._known = {}
            return
        paths = [config.crosses_file, *config.sample_files, config.markers_file, config.corrections_file]
        self._known = {config.shown(p): p for p in paths if p is not None}

    def get(self, name: str) -> Sheet | None:
        if name not in self._known:
            return None
        if name not in self._read:
            sheet = read_sheet(self._known[name], shown_as=name)
            self._read[name] = sheet if sheet.readable else None
        return self._read[name]


def cause_shown(cause: Cause, sheets: _Sheets) -> CauseShown:
    """A cause with its first rows, as they stand in the sheet."""
    chosen: dict[str, list[Problem]] = {}
    left = MOST_ROWS
    for problem in cause.problems:
        if problem.row is not None and left and sheets.get(problem.file) is not None:
            chosen.setdefault(problem.file, []).append(problem)
            left -= 1
    excerpts = []
    for file, found in chosen.items():
        sheet = sheets.get(file)
        assert sheet is not None
        rows = tuple(r for r in (_row(sheet, p) for p in found) if r is not None)
        if rows:
            excerpts.append(Excerpt(file, sheet.headings, rows))
    with_rows = sum(p.row is not None for p in cause.problems)
    return CauseShown(cause, tuple(excerpts), with_rows - sum(len(e.rows) for e in excerpts))


def _row(sheet: Sheet, problem: Problem) -> RowShown | None:
    if problem.row not in sheet.row_numbers:
        return None
    at = sheet.row_numbers.index(problem.row)
    return RowShown(problem.row, sheet.rows[at], _column(sheet.headings, problem.column))


def _column(headings: Sequence[str], name: str) -> int:
    from crossproof.io.sheets.headings import heading_key

    keys = [heading_key(h) for h in headings]
    return keys.index(heading_key(name)) if heading_key(name) in keys else -1


ROUTES = [Route("/season/{season}/problems", problems)]
