"""Sheets of one kind put together as columns of text, each row with its file and row number."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from crossproof.errors import Severity
from crossproof.io.intake.name_lists import composed
from crossproof.io.problems import Fault, Problems
from crossproof.io.sheets.columns import Column, Kind, Table
from crossproof.io.sheets.headings import heading_key, match_headings
from crossproof.io.sheets.names import name_fault
from crossproof.io.sheets.shape import Sheet
from crossproof.io.sheets.values import decimal_sign, read_choice, read_integer, read_number

PROVENANCE = ("_file", "_row")


@dataclass
class RawTable:
    """Text of all sheets of one kind.

    `columns` holds every declared column (empty text where a sheet lacks it); `present` those that some sheet
    has; `extra` the others, by the heading of the first sheet that has them. `kinds` says per column which
    cells were numbers or dates in a workbook. `whole` is False where a sheet could not be read to its end or
    lacks a needed column: other sheets are not judged by it.
    """

    table: Table
    columns: dict[str, list[str]]
    extra: dict[str, list[str]] = field(default_factory=dict)
    present: set[str] = field(default_factory=set)
    files: list[str] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    kinds: dict[str, dict[int, str]] = field(default_factory=dict)
    whole: bool = True

    def __len__(self) -> int:
        return len(self.rows)

    def without(self, rows: Collection[int]) -> RawTable:
        """The table without these rows, counted from 0."""
        left = [i for i in range(len(self)) if i not in rows]
        place = {old: new for new, old in enumerate(left)}

        def of(columns: Mapping[str, list[str]]) -> dict[str, list[str]]:
            return {name: [texts[i] for i in left] for name, texts in columns.items()}

        kinds = {
            name: {place[i]: kind for i, kind in cells.items() if i in place}
            for name, cells in self.kinds.items()
        }
        return replace(
            self,
            columns=of(self.columns),
            extra=of(self.extra),
            files=[self.files[i] for i in left],
            rows=[self.rows[i] for i in left],
            kinds=kinds,
        )

    def column(self, name: str, n: int) -> list[str]:
        """The cells of a column; one of the user's own is empty in the n rows before its first sheet."""
        if name not in self.columns:
            return self.extra.setdefault(name, [""] * n)
        self.present.add(name)
        return self.columns[name]

    def note(self, notes: Problems, i: int, column: str, fault: Fault, value: object | None = None) -> None:
        """Note a fault of row i."""
        if value is None:
            value = self.columns[column][i] if column in self.columns else ""
        notes.note(fault, file=self.files[i], row=self.rows[i], column=column, value=value)

    def values(
        self, column: str, read: Callable[[str], tuple[Any, Fault | None]], notes: Problems
    ) -> list[Any]:
        """Read a column; each distinct text is read once."""
        texts = self.columns[column]
        meant: dict[str, Any] = dict.fromkeys(texts)
        faults: dict[str, Fault] = {}
        for text in meant:
            meant[text], fault = read(text)
            if fault is not None:
                faults[text] = fault
        for i, text in enumerate(texts) if faults else ():
            if text in faults:
                self.note(notes, i, column, faults[text])
        return [meant[text] for text in texts]

    def plain(self, name: str, notes: Problems) -> list[Any]:
        """Read a column by its declaration alone."""
        column: Column = self.table[name]
        pointed = decimal_sign(self.columns[name])
        readers: dict[Kind, Callable[[str], tuple[Any, Fault | None]]] = {
            Kind.INTEGER: lambda text: read_integer(text, column),
            Kind.NUMBER: lambda text: read_number(pointed(text), column),
            Kind.CHOICE: lambda text: read_choice(text, column),
            Kind.NAME: lambda text: (text, name_fault(text) if text else None),
        }
        read = readers.get(column.kind, lambda text: (text, None))
        values = self.values(name, read, notes)
        if column.kind is Kind.NAME:
            self._spoilt_names(name, notes)
        if column.required and name in self.present:
            fault = Fault(f"The cell is empty; it is required ({column.meaning}).", "Fill it in.")
            for i, text in enumerate(self.columns[name]):
                if not text:
                    self.note(notes, i, name, fault)
        return values

    def _spoilt_names(self, name: str, notes: Problems) -> None:
        """Names that a workbook holds as dates, or as numbers beside zero-padded text."""
        kinds = self.kinds.get(name)
        if not kinds:
            return
        texts = self.columns[name]
        typed = (t for i, t in enumerate(texts) if i not in kinds)
        padded = next((t for t in typed if t[:1] == "0" and t.isdigit()), "")
        for i, kind in kinds.items():
            if kind == "date":
                fault = Fault(
                    "The workbook holds a date where a name belongs; the name that was typed is lost.",
                    "Format the column as text and type the name again.",
                )
                self.note(notes, i, name, fault)
            elif padded and len(texts[i]) < len(padded):
                fault = Fault(
                    "The workbook holds a number here, while other names begin with 0 "
                    f"(such as {padded}); zeros may have been lost.",
                    f"If {texts[i].zfill(len(padded))} is meant, format the column as text and type that.",
                    Severity.WARNING,
                )
                self.note(notes, i, name, fault)
            elif len(texts[i]) > 15 or "e" in texts[i]:
                fault = Fault(
                    "A number of more than 15 digits loses its last digits in a workbook.",
                    "Format the column as text and type the name again.",
                )
                self.note(notes, i, name, fault)


def gather(
    sheets: Sequence[Sheet],
    table: Table,
    renames: Mapping[str, str],
    notes: Problems,
    *,
    reserved: frozenset[str] = frozenset(),
) -> RawTable:
    """Put sheets of one kind together.

    Columns that are not ours are kept; one whose name is `reserved` for a result gets " (sheet)" behind it.
    """
    raw = RawTable(table, {name: [] for name in table.names})
    spelling: dict[str, str] = {}
    for sheet in sheets:
        notes.extend(sheet.problems)
        if not sheet.readable:
            raw.whole = False
            continue
        names, problems = match_headings(
            sheet.headings, table, renames, file=sheet.file, header_row=sheet.header_row
        )
        notes.extend(problems)
        if sheet.cut_short or any(c.required and c.name not in names for c in table.columns):
            raw.whole = False
        n, start = len(sheet.rows), len(raw)
        raw.files += [sheet.file] * n
        raw.rows += sheet.row_numbers
        by_place = list(zip(*sheet.rows, strict=True)) if n else [()] * len(names)
        filled: set[str] = set()
        for name, cells in zip(names, by_place, strict=True):
            if name not in raw.columns:
                taken = heading_key(name) in reserved or name in PROVENANCE
                name = spelling.setdefault(heading_key(name), f"{name} (sheet)" if taken else name)
            if name not in filled:
                filled.add(name)
                raw.column(name, start).extend(map(composed, cells))
        for columns in (raw.columns, raw.extra):
            for name, into in columns.items():
                if name not in filled:
                    into += [""] * n
        for (row, place), kind in sheet.cell_kinds.items():
            raw.kinds.setdefault(names[place], {})[start + row] = kind
    return raw
