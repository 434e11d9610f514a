"""The sheets of the workbook: the same decisions as the page, in the orders in which people work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crossproof.model.plates import PLATE_FORMATS, Well, parse_well
from crossproof.model.results import PARENT_REASONS, Decision, NextStep, Verdict
from crossproof.report.content import numbers as fmt
from crossproof.report.content.explain import UNEXPECTED
from crossproof.report.content.inputs import CODES, ReportInputs, numbers, texts
from crossproof.report.content.marks import DECISION_WORDS, VERDICT_MARKS, verdict_of

Cell = str | float
"""A cell: text, or a number (NaN stays empty)."""


@dataclass(frozen=True)
class SheetColumn:
    """One column: heading, width in characters, number format ("" for text); `sign` is left to write on."""

    label: str
    width: float
    number: str = ""
    sign: bool = False


@dataclass(frozen=True)
class Sheet:
    """One sheet of the workbook; `marks` is the column with verdict letters, -1 where there is none."""

    name: str
    title: str
    note: str
    columns: tuple[SheetColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    marks: int = -1
    landscape: bool = True


@dataclass(frozen=True)
class Grid:
    """Plates drawn as grids: title, and rows of cells with the row letters first."""

    name: str
    title: str
    note: str
    plates: tuple[tuple[str, tuple[tuple[str, ...], ...]], ...]


@dataclass(frozen=True)
class ScanSheet:
    """A sheet for a scanner that types: of each plant what its code reads, its name, decision and place."""

    name: str
    title: str
    note: str
    rows: tuple[tuple[str, str, str, str], ...]


_PARENT_REASONS = frozenset(r.value for r in PARENT_REASONS)
SCAN_SHEET = "Scan"
"""Sheet of the worklist that a scanner types into, and `crossproof done` reads."""
SCAN_HEADER_ROW = 3
"""Row of its headings, as a spreadsheet shows it."""
SIGN = SheetColumn("Done, by whom", 18, sign=True)
TICK = SheetColumn("Done", 6, sign=True)
"""Left empty, to tick while walking."""
RETEST_COLUMNS = ("sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant", "place")


def scan_sheet(inputs: ReportInputs) -> ScanSheet:
    """Every plant by the code of its label and by its name."""
    frame = inputs.verdicts
    codes, plants, places, decisions = (texts(frame, c) for c in (CODES, "plant", "place", "decision"))
    rows = [
        (key, plants[i], _decision_word(decisions[i]), places[i])
        for keys in (codes, plants)
        for i, key in enumerate(keys)
        if key
    ]
    return ScanSheet(
        SCAN_SHEET,
        "Scan a label: its decision stands beside it",
        "Put the cursor into the first free cell of the first column and scan; the scanner types the code "
        "and goes on to the next row. Choose what you did in the last column, save, and give this workbook "
        "to crossproof done.",
        tuple(rows),
    )


def _decision_word(decision: str) -> str:
    return DECISION_WORDS[Decision(decision)][0] if decision in {d.value for d in Decision} else decision


def build_sheets(inputs: ReportInputs) -> tuple[Sheet | Grid | ScanSheet, ...]:
    """Every sheet, in the order of the workbook."""
    plants = _Plants(inputs)
    retest, grid = retest_sheets(inputs, plants)
    return (
        plants.sheet("Walk", "Every plant in the order of its place", plants.walk_note(), plants.by_place()),
        plants.sheet(
            "By cross", "Every plant by cross", "Crosses in the order of their names.", plants.by_cross()
        ),
        plants.sheet("Keep", "Plants to keep", "Proven hybrids.", plants.by_place(Decision.KEEP)),
        plants.sheet(
            "Cull",
            "Plants to cull",
            "A verdict is a probability: keep remnant seed of whatever cannot be made again.",
            plants.by_place(Decision.CULL),
        ),
        plants.sheet(
            "Hold",
            "Plants to hold",
            "Plate, file, tag or parent tube is in doubt: neither keep nor cull.",
            plants.by_place(Decision.HOLD),
        ),
        parents_to_type(inputs, plants),
        retest,
        grid,
        cross_sheet(inputs),
        scan_sheet(inputs),
    )


class _Plants:
    """The verdict table as columns of text and numbers, with the orders in which it is listed."""

    columns = (
        TICK,
        SheetColumn("Place", 20),
        SheetColumn("Decision", 10),
        SheetColumn("Plant", 20),
        SheetColumn("Plate", 10),
        SheetColumn("Well", 6),
        SheetColumn("Cross", 14),
        SheetColumn("Mother", 16),
        SheetColumn("Father", 16),
        SheetColumn("", 3),
        SheetColumn("Verdict", 13),
        SheetColumn("Probability", 11, "0.000"),
        SheetColumn("Called", 8, "0%"),
        SheetColumn("Why", 26),
        SIGN,
    )

    def __init__(self, inputs: ReportInputs) -> None:
        frame = inputs.verdicts
        self.n = len(frame)
        self.text = {
            c: texts(frame, c)
            for c in (
                "place",
                "plate",
                "well",
                "plant",
                "cross_id",
                "mother",
                "father",
                "decision",
                "reason",
                "likely_source",
                "leading_class",
                "pod",
            )
        }
        self.verdicts = [verdict_of(v) for v in texts(frame, "verdict")]
        chances = {v.value: numbers(frame, f"p_{v.value}") for v in Verdict if v is not Verdict.UNDETERMINED}
        nothing = np.full(self.n, np.nan)
        self.chance = [
            float(
                chances.get(
                    v.value if v is not Verdict.UNDETERMINED else self.text["leading_class"][i], nothing
                )[i]
            )
            for i, v in enumerate(self.verdicts)
        ]
        self.called = numbers(frame, "call_rate")

    def waits_for_parent(self, i: int) -> bool:
        """Whether plant i has no verdict because a parent was never typed."""
        return self.text["reason"][i] in _PARENT_REASONS

    def walk_note(self) -> str:
        """What the order of the walk is, and what to do where no place is recorded."""
        without = self.text["place"].count("")
        if without == self.n:
            return (
                "In the order of plate and well: the samples sheet has no column place (house, tray, pot). "
                "With one, this sheet follows the benches."
            )
        rest = f" {fmt.noun(without, 'plant')} without a place at the end." if without else ""
        return "One walk along the benches: keep, cull, sample again; touch nothing on hold." + rest

    def by_place(self, decision: Decision | None = None) -> list[int]:
        """Numbers of plants in the order of their place, then of plate, row and column."""
        keep = [i for i in range(self.n) if decision is None or self.text["decision"][i] == decision.value]
        return sorted(
            keep,
            key=lambda i: (
                self.text["place"][i] == "",
                natural(self.text["place"][i]),
                natural(self.text["plate"][i]),
                _spot(self.text["well"][i]),
                natural(self.text["plant"][i]),
            ),
        )

    def by_cross(self) -> list[int]:
        """Places of plants in the order of cross and plant."""
        return sorted(
            range(self.n), key=lambda i: (natural(self.text["cross_id"][i]), natural(self.text["plant"][i]))
        )

    def sheet(self, name: str, title: str, note: str, order: list[int]) -> Sheet:
        """A sheet of these plants in this order."""
        return Sheet(name, title, note, self.columns, tuple(self._row(i) for i in order), marks=9)

    def _row(self, i: int) -> tuple[Cell, ...]:
        t, verdict = self.text, self.verdicts[i]
        why = t["reason"][i] or (
            f"likely {t['likely_source'][i]}" if verdict in UNEXPECTED and t["likely_source"][i] else ""
        )
        decision = t["decision"][i]
        label = _decision_word(decision)
        mark = VERDICT_MARKS[verdict]
        return (
            "",
            t["place"][i],
            label,
            t["plant"][i],
            t["plate"][i],
            t["well"][i],
            t["cross_id"][i],
            t["mother"][i],
            t["father"][i],
            mark.letter,
            mark.label,
            self.chance[i],
            float(self.called[i]),
            why,
            "",
        )


@lru_cache(maxsize=1 << 18)
def natural(text: str) -> tuple[tuple[int, int | str], ...]:
    """A key that sorts P2 before P10."""
    parts: list[tuple[int, int | str]] = []
    digits = word = ""
    for c in text.casefold() + "\0":
        if c.isascii() and c.isdigit():
            if word:
                parts.append((1, word))
                word = ""
            digits += c
        else:
            if digits:
                parts.append((0, int(digits[:18])))
                digits = ""
            word += c
    parts.append((1, word))
    return tuple(parts)


def _spot(well: str) -> tuple[int, int]:
    try:
        place = parse_well(well)
    except ValueError:
        return (99, 99)
    return place.row, place.column


def parents_to_type(inputs: ReportInputs, plants: _Plants) -> Sheet:
    """Lines that were never typed: one tube of each settles what a second sample of their plants cannot."""
    tubes = numbers(inputs.lines, "wells_with_calls")
    typed = {line for line, n in zip(texts(inputs.lines, "line"), tubes, strict=True) if n > 0}
    crosses: dict[str, set[str]] = {}
    waiting: dict[str, int] = {}
    for i in plants.by_cross():
        if not plants.waits_for_parent(i):
            continue
        t = plants.text
        for line in dict.fromkeys((t["mother"][i], t["father"][i])):
            if line and line not in typed:
                crosses.setdefault(line, set()).add(t["cross_id"][i])
                waiting[line] = waiting.get(line, 0) + 1
    order = sorted(waiting, key=lambda line: (-waiting[line], line))
    rows = tuple(
        (line, len(crosses[line]), waiting[line], ", ".join(sorted(crosses[line])), "") for line in order
    )
    return Sheet(
        "Parents to type",
        "Parent lines that were never typed",
        "Put one tube of each line, better two, on the next plate: its plants wait for that, not for a "
        "second sample of their own.",
        (
            SheetColumn("Line", 18),
            SheetColumn("Crosses", 9),
            SheetColumn("Plants waiting", 14),
            SheetColumn("Tags", 50),
            SIGN,
        ),
        rows,
    )


def retest_sheets(inputs: ReportInputs, plants: _Plants) -> tuple[Sheet, Grid]:
    """Retests on new 96-well plates with the parents of every cross and a blank, as a samples sheet."""
    order = [
        i
        for i in plants.by_cross()
        if plants.text["decision"][i] == Decision.RETEST.value and not plants.waits_for_parent(i)
    ]
    rows: list[tuple[Cell, ...]] = []
    grids: list[tuple[str, tuple[tuple[str, ...], ...]]] = []
    for k, wells in enumerate(
        _dealt(order, lambda i: (plants.text["mother"][i], plants.text["father"][i])), start=1
    ):
        plate = f"RETEST-{k:02d}"
        shown: dict[str, str] = {}
        for place, (role, what) in wells:
            name = place.name
            sample = f"{plate}-{name}"
            if isinstance(what, int):
                t = plants.text
                rows.append(
                    (
                        sample,
                        "",
                        plate,
                        name,
                        role,
                        "",
                        t["cross_id"][what],
                        t["pod"][what],
                        t["plant"][what],
                        t["place"][what],
                    )
                )
                shown[name] = t["plant"][what]
            else:
                rows.append((sample, "", plate, name, role, what, "", "", "", ""))
                shown[name] = what or "blank"
        grids.append((plate, _grid(shown)))
    note = (
        "Save this sheet as samples/retest.csv once the plate is filled; plants keep their names, so both "
        "wells are judged together. Write the laboratory's sample names over ours where they differ, and "
        "the batch once it is known."
    )
    columns = tuple(
        SheetColumn(c, 18 if c in ("sample_id", "plant", "place") else 12) for c in RETEST_COLUMNS
    )
    sheet = Sheet(
        "Retest", "Plants to test again, laid out", note, (*columns, SIGN), tuple((*r, "") for r in rows)
    )
    return sheet, Grid(
        "Retest plates",
        "Retest plates to fill",
        "Parents (their line name) stand beside their plants.",
        tuple(grids),
    )


Occupant = tuple[str, int | str]


def _dealt(order: list[int], parents: Callable[[int], tuple[str, str]]) -> list[list[tuple[Well, Occupant]]]:
    """Plants with their parents onto 96-well plates, down the columns; the last well of each is a blank."""
    shape = PLATE_FORMATS[0]
    wells = [Well(r, c) for c in range(shape.columns) for r in range(shape.rows)]
    room = len(wells) - 1
    plates: list[list[Occupant]] = []
    present: set[str] = set()
    for i in order:
        new = [p for p in parents(i) if p and p not in present]
        if not plates or len(plates[-1]) + len(new) + 1 > room:
            plates.append([])
            present = set()
            new = list(dict.fromkeys(p for p in parents(i) if p))
        plates[-1] += [("parent", p) for p in dict.fromkeys(new)]
        present.update(new)
        plates[-1].append(("progeny", i))
    return [[*zip(wells, plate, strict=False), (wells[-1], ("blank", ""))] for plate in plates]


def _grid(shown: dict[str, str]) -> tuple[tuple[str, ...], ...]:
    shape = PLATE_FORMATS[0]
    head = ("", *(str(c + 1) for c in range(shape.columns)))
    body = tuple(
        (chr(65 + r), *(shown.get(Well(r, c).name, "") for c in range(shape.columns)))
        for r in range(shape.rows)
    )
    return (head, *body)


def cross_sheet(inputs: ReportInputs) -> Sheet:
    """Every cross with something left to do, in the order of the steps."""
    frame = inputs.crosses
    t = {c: texts(frame, c) for c in ("cross_id", "mother", "father", "next_step", "next_step_detail")}
    x = {
        c: numbers(frame, c)
        for c in ("tested", "hybrid", "held", "target", "seeds_to_test", "flowers_to_repeat")
    }
    rank = {step.value: k for k, step in enumerate(NextStep)}
    left = [i for i in range(len(frame)) if t["next_step"][i] in rank and t["next_step"][i] != NextStep.DONE]
    order = sorted(
        left,
        key=lambda i: (
            rank[t["next_step"][i]],
            -np.nan_to_num(x["flowers_to_repeat"][i]),
            natural(t["cross_id"][i]),
        ),
    )
    rows = tuple(
        (
            t["cross_id"][i],
            t["mother"][i],
            t["father"][i],
            t["next_step"][i],
            t["next_step_detail"][i],
            x["tested"][i],
            x["hybrid"][i],
            x["held"][i],
            x["target"][i],
            x["seeds_to_test"][i],
            x["flowers_to_repeat"][i],
            "",
        )
        for i in order
    )
    columns = (
        SheetColumn("Cross", 14),
        SheetColumn("Mother", 18),
        SheetColumn("Father", 18),
        SheetColumn("Next step", 16),
        SheetColumn("What it needs", 42),
        SheetColumn("Tested", 8, "0"),
        SheetColumn("Hybrids", 8, "0"),
        SheetColumn("On hold", 8, "0"),
        SheetColumn("Wanted", 8, "0"),
        SheetColumn("Seeds to test", 12, "0"),
        SheetColumn("Flowers to pollinate", 18, "0"),
        SIGN,
    )
    flowers, seeds = float(np.nansum(x["flowers_to_repeat"])), float(np.nansum(x["seeds_to_test"]))
    note = f"In all {fmt.noun(flowers, 'flower')} to pollinate and {fmt.noun(seeds, 'stored seed')} to test."
    return Sheet("Next steps", "Crosses with something left to do", note, columns, rows)
