"""Sheets: typed into a table, or sent as a file, with the same checks either way."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from crossproof.desk.faults import Refused
from crossproof.desk.folder import SeasonPlace
from crossproof.desk.pages import Said, base_of, desk_of, go_to, season_page
from crossproof.desk.sheets import (
    TABLES,
    SheetKind,
    SheetPlace,
    as_text,
    has_before,
    new_wells,
    problems_with,
    restore,
    rows_of,
    sheet_named,
    sheets_of,
    take_examples_away,
    take_sheet_away,
    write_sheet,
)
from crossproof.desk.uploads import (
    Box,
    files_of,
    form_of,
    harmless_name,
    keep,
    put_away,
    text_of,
    waiting_file,
)
from crossproof.errors import InputError, Problem, Severity
from crossproof.io.sheets.headings import heading_key
from crossproof.io.sheets.sheet import parse_sheet
from crossproof.io.sheets.text_rows import TextRows
from crossproof.planning.planned import PLANNED_COLUMNS
from crossproof.season.templates import sheet_text

AT_ONCE = 50
"""Rows of a table on one page."""
EMPTY_ROWS = 5
"""Rows below the last, to type new ones into."""
MOST_SHOWN = 60
"""Problems of a sheet that are listed."""
MOST_CELL = 1000
MOST_COUNTED = 600_000
"""Bytes of all sheets together up to which their rows are counted for the list."""
MOST_CARDS = 8
"""Sheets of wells up to which each has a card of its own."""
MOST_SHEET = 50_000_000
WELLS = "+wells"
"""In place of a sheet's name: a further sheet of wells."""


@dataclass(frozen=True)
class CellShown:
    """One cell of the table: its name in the form, text, and what is wrong with it."""

    name: str
    text: str
    label: str
    wrong: str = ""


@dataclass(frozen=True)
class RowShown:
    """One row of the table: its number in the file (None for one to be added) and its cells."""

    number: int | None
    cells: tuple[CellShown, ...]
    wrong: str = ""


@dataclass(frozen=True)
class SheetShown:
    """One line of the list of sheets."""

    sheet: SheetPlace
    rows: int | None
    there: bool
    typed: bool
    before: bool
    errors: int


def overview(request: Request) -> Response:
    """All sheets of the season."""
    desk = desk_of(request)
    place = desk.season(request)
    shown: list[SheetShown] = []
    problems: tuple[Problem, ...] = ()
    try:
        found = sheets_of(place)
    except InputError as refused:
        found, problems = (), refused.problems
    sizes = [s.path.stat().st_size if s.path.exists() else 0 for s in found]
    small = sum(sizes) < MOST_COUNTED
    for sheet, size in zip(found, sizes, strict=True):
        typed = sheet.path.suffix.lower() != ".xlsx"
        n = errors = None
        if small and size:
            read = parse_sheet(sheet.bytes(), shown_as=sheet.name, known=sheet.known)
            n, errors = len(read.rows), sum(p.severity is Severity.ERROR for p in read.problems)
        shown.append(SheetShown(sheet, n, size > 0, typed, has_before(place, sheet), errors or 0))
    wells = [s for s in shown if s.sheet.kind is SheetKind.WELLS]
    many = len(wells) > MOST_CARDS
    return season_page(
        request, "sheets.html.j2", place, "sheets", problems=problems, kinds=SheetKind, further=WELLS,
        sheets=[s for s in shown if not (many and s in wells)], wells=wells if many else [],
    )  # fmt: skip


def edit(request: Request) -> Response:
    """A sheet as a table to type into."""
    place = desk_of(request).season(request)
    sheet = sheet_named(place, request.query_params.get("file", ""))
    data = sheet.bytes() or _empty(sheet)
    rows = _typed_rows(sheet, data)
    first = _first(request, rows)
    checked = desk_of(request).checks.of(place)
    found = [p for p in checked.problems if p.file == sheet.name] if checked else []
    return _table(request, place, sheet, data, rows, first, found)


def _typed_rows(sheet: SheetPlace, data: bytes) -> TextRows:
    rows = rows_of(sheet, data)
    if rows is None:
        raise Refused(
            422, f"{sheet.name} cannot be typed into here: it is a workbook, or a text that is not UTF-8.",
            "Change it in the program it was made with, and send it as a file on the page Sheets.",
        )  # fmt: skip
    return rows


def _first(request: Request, rows: TextRows) -> int:
    """The first row shown: that of a number of the file, or the one that was asked for."""
    asked = request.query_params.get("row", "")
    if asked.isdigit() and int(asked) in rows.sheet.row_numbers:
        at = rows.sheet.row_numbers.index(int(asked))
    else:
        start = request.query_params.get("from", "")
        at = int(start) if start.isdigit() else 0
    return max(0, min(at, len(rows.sheet.rows) - 1)) // AT_ONCE * AT_ONCE


def _table(
    request: Request,
    place: SeasonPlace,
    sheet: SheetPlace,
    data: bytes,
    rows: TextRows,
    first: int,
    problems: Sequence[Problem],
    typed: tuple[dict[int, list[str]], list[list[str]]] = ({}, []),
    status: int = 200,
) -> Response:
    changed, added = typed
    last = min(first + AT_ONCE, len(rows.sheet.rows))
    headings = rows.sheet.headings
    keys = [heading_key(h) for h in headings]
    wrong: dict[int, list[Problem]] = {}
    for problem in problems:
        if problem.row is not None and problem.file == sheet.name:
            wrong.setdefault(problem.row, []).append(problem)

    def row(number: int | None, name: str, cells: Sequence[str], words: str) -> RowShown:
        found = wrong.get(number, []) if number is not None else []
        of = {keys.index(heading_key(p.column)): p for p in found if heading_key(p.column) in keys}
        shown = tuple(
            CellShown(f"{name}_{i}", text, f"{headings[i]}, {words}", _sentence(of[i]) if i in of else "")
            for i, text in enumerate(cells)
        )
        return RowShown(number, shown, "; ".join(_sentence(p) for p in found))

    shown = [
        row(rows.sheet.row_numbers[at], f"c{at}", changed.get(at, list(rows.sheet.rows[at])),
            f"row {rows.sheet.row_numbers[at]}")
        for at in range(first, last)
    ]  # fmt: skip
    if last == len(rows.sheet.rows):
        after = (rows.sheet.row_numbers[-1] if rows.sheet.rows else rows.sheet.header_row) + 1
        blank = [""] * len(headings)
        shown += [
            row(after + n if n < len(added) else None, f"a{n}", added[n] if n < len(added) else blank,
                f"new row {n + 1}")
            for n in range(max(EMPTY_ROWS, len(added)))
        ]  # fmt: skip
    meant = meanings_of(sheet)
    return season_page(
        request, "edit.html.j2", place, "sheets", status, sheet=sheet, rows=shown, first=first,
        headings=[(h, meant.get(k)) for h, k in zip(headings, keys, strict=True)],
        total=len(rows.sheet.rows), at_once=AT_ONCE, digest=_digest(data),
        problems=[p for p in problems if p.file == sheet.name][:MOST_SHOWN],
        elsewhere=sum(p.file != sheet.name and p.severity is Severity.ERROR for p in problems),
        unsaved=bool(changed or added), kinds=SheetKind,
        whole=SheetShown(sheet, len(rows.sheet.rows), sheet.path.exists(), True, has_before(place, sheet), 0),
    )  # fmt: skip


def _sentence(problem: Problem) -> str:
    return f"{problem.problem} {problem.remedy}"


@dataclass(frozen=True)
class Meaning:
    """What a column is: whether it is needed, in words, and what is allowed."""

    meaning: str
    allowed: str = ""
    required: bool = False


def meanings_of(sheet: SheetPlace) -> dict[str, Meaning]:
    """What each known column of a sheet means, by its heading."""
    table = TABLES.get(sheet.kind)
    if table is not None:
        return {c.name: Meaning(c.meaning, c.allowed, c.required) for c in table.columns}
    return {n: Meaning(t, required=n in ("mother", "father")) for n, t in PLANNED_COLUMNS.items()}


def _empty(sheet: SheetPlace) -> bytes:
    table = TABLES.get(sheet.kind)
    text = sheet_text(table, []) if table else ",".join(PLANNED_COLUMNS) + "\n"
    return text.encode("utf-8")


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:32]


async def save(request: Request) -> Response:
    """Check what was typed, and save it where it has no errors or a person wants it all the same."""
    place = desk_of(request).season(request)
    async with form_of(request) as form:
        sheet = sheet_named(place, text_of(form, "file"))
        return await run_in_threadpool(_save, request, place, sheet, form)


def _save(request: Request, place: SeasonPlace, sheet: SheetPlace, form: FormData) -> Response:
    data = sheet.bytes() or _empty(sheet)
    if text_of(form, "digest") != _digest(data):
        raise Refused(
            409, f"{sheet.name} was changed meanwhile, by another window or program; nothing was saved.",
            "Open it again and type your changes once more.",
        )  # fmt: skip
    rows = _typed_rows(sheet, data)
    changed, added, taken = _typed(form, rows)
    new = rows.changed(changed, added, taken)
    first = int(text_of(form, "first") or 0)
    where = f"{base_of(place)}/sheets/edit?file={quote(sheet.name)}&from={first}"
    if new == data:
        return go_to(f"{base_of(place)}/sheets")
    problems = problems_with(place, sheet, new)
    errors = [p for p in problems if p.severity is Severity.ERROR and p.file == sheet.name]
    if errors and text_of(form, "what") != "anyway":
        shown = _as_shown(problems, sheet, rows, _typed_rows(sheet, new), taken)
        return _table(request, place, sheet, data, rows, first, shown, (changed, added), 422)
    write_sheet(place, sheet, new)
    return go_to(f"{base_of(place)}/sheets", Said.SAVED) if not errors else go_to(where)


def _as_shown(
    problems: Sequence[Problem], sheet: SheetPlace, rows: TextRows, new: TextRows, taken: set[int]
) -> list[Problem]:
    """Problems of the sheet as it would be, with the row numbers that the table shows."""
    after = (rows.sheet.row_numbers[-1] if rows.sheet.rows else rows.sheet.header_row) + 1
    numbers = [n for at, n in enumerate(rows.sheet.row_numbers) if at not in taken]
    numbers += range(after, after + len(new.sheet.rows) - len(numbers))
    shown = dict(zip(new.sheet.row_numbers, numbers, strict=True))
    return [replace(p, row=shown[p.row]) if p.file == sheet.name and p.row in shown else p for p in problems]


def _typed(form: FormData, rows: TextRows) -> tuple[dict[int, list[str]], list[list[str]], set[int]]:
    """Rows whose cells differ from the sheet's, rows to add, and rows to take away: emptied ones."""
    width = len(rows.sheet.headings)
    changed: dict[int, list[str]] = {}
    taken: set[int] = set()
    for at, before in enumerate(rows.sheet.rows):
        if f"c{at}_0" not in form:
            continue
        cells = _cells(form, f"c{at}", width)
        if not any(cells) and any(before):
            taken.add(at)
        elif tuple(cells) != before:
            changed[at] = cells
    added = []
    n = 0
    while f"a{n}_0" in form:
        cells = _cells(form, f"a{n}", width)
        if any(cells):
            added.append(cells)
        n += 1
    return changed, added, taken


def _cells(form: FormData, name: str, width: int) -> list[str]:
    return [" ".join(text_of(form, f"{name}_{i}").split())[:MOST_CELL] for i in range(width)]


async def send(request: Request) -> Response:
    """Keep a sheet that was sent, to be looked at."""
    place = desk_of(request).season(request)
    async with form_of(request, files=True) as form:
        sent = files_of(form, "sheet")
        name = text_of(form, "file")
        if not sent:
            raise Refused(422, "No file was chosen.", "Go back, choose a file, and send it again.")
        key = await keep(place, sent[0], Box.SHEETS)
    return go_to(f"{base_of(place)}/sheets/sent/{key}?file={quote(name)}")


def _target(place: SeasonPlace, name: str, file_name: str) -> SheetPlace:
    return new_wells(place, harmless_name(file_name)) if name == WELLS else sheet_named(place, name)


def look(request: Request) -> Response:
    """What a sheet that was sent holds, and what would be wrong."""
    place = desk_of(request).season(request)
    file = waiting_file(place, str(request.path_params["key"]), Box.SHEETS)
    name = request.query_params.get("file", "")
    if file.stat().st_size > MOST_SHEET:
        put_away(file)
        raise Refused(413, "The file is larger than a sheet of records can be.", "Send the sheet alone.")
    try:
        sheet = _target(place, name, file.name)
    except Refused:
        put_away(file)
        raise
    data, lost = as_text(file.read_bytes(), sheet)
    read = parse_sheet(data, shown_as=sheet.name, known=sheet.known)
    problems = (*lost, *problems_with(place, sheet, data))
    return season_page(
        request, "sheet_sent.html.j2", place, "sheets", file=file, key=file.parent.name, sheet=sheet,
        name=name, headings=read.headings, rows=read.rows[:8], total=len(read.rows),
        problems=[p for p in problems if p.file == sheet.name][:MOST_SHOWN],
        errors=sum(p.severity is Severity.ERROR and p.file == sheet.name for p in problems),
        elsewhere=sum(p.file != sheet.name and p.severity is Severity.ERROR for p in problems),
        readable=read.readable,
    )  # fmt: skip


async def take(request: Request) -> Response:
    """Put a sheet that was sent in place, or away."""
    place = desk_of(request).season(request)
    file = waiting_file(place, str(request.path_params["key"]), Box.SHEETS)
    async with form_of(request) as form:
        what, name = text_of(form, "what"), text_of(form, "file")
    if what == "take":
        await run_in_threadpool(_take, place, name, file)
    await run_in_threadpool(put_away, file)
    return go_to(f"{base_of(place)}/sheets", Said.SAVED if what == "take" else Said.DISCARDED)


def _take(place: SeasonPlace, name: str, file: Path) -> None:
    sheet = _target(place, name, file.name)
    data, _ = as_text(file.read_bytes(), sheet)
    if name == WELLS:
        take_examples_away(place)
    write_sheet(place, sheet, data)


async def change(request: Request) -> Response:
    """Bring back the sheet before, or take a sheet of wells out of the season."""
    place = desk_of(request).season(request)
    async with form_of(request) as form:
        sheet = sheet_named(place, text_of(form, "file"))
        what = text_of(form, "what")
    if what == "restore":
        await run_in_threadpool(restore, place, sheet)
        return go_to(f"{base_of(place)}/sheets", Said.RESTORED)
    if what == "away" and sheet.kind is SheetKind.WELLS:
        await run_in_threadpool(take_sheet_away, place, sheet)
        return go_to(f"{base_of(place)}/sheets", Said.SAVED)
    raise Refused(422, "This cannot be done with this sheet.", "Go back and use a button.")


ROUTES = [
    Route("/season/{season}/sheets", overview),
    Route("/season/{season}/sheets/edit", edit),
    Route("/season/{season}/sheets/edit", save, methods=["POST"]),
    Route("/season/{season}/sheets/send", send, methods=["POST"]),
    Route("/season/{season}/sheets/sent/{key}", look),
    Route("/season/{season}/sheets/sent/{key}", take, methods=["POST"]),
    Route("/season/{season}/sheets/change", change, methods=["POST"]),
]
