"""Lists of plants for the workbook: the walk along the benches, by cross, and each pile."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace
from functools import cached_property

import numpy as np

from crossproof.model.plates import parse_well
from crossproof.model.results import Verdict
from crossproof.report.content import numbers as fmt
from crossproof.report.content.explain import UNEXPECTED
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS, VERDICT_MARKS
from crossproof.report.content.sheets import BOX, SIGN, TICK, Cell, Sheet, SheetColumn, natural, tray_of
from crossproof.report.facts.plants import Pile, plant_facts


class PlantLists:
    """The verdict table as columns of text and numbers, with the orders in which it is listed."""

    columns = (
        TICK,
        SheetColumn("Place", 20),
        SheetColumn("What to do", 13),
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

    walk_columns = (
        TICK,
        SheetColumn("Place", 18),
        SheetColumn("Plant", 18),
        SheetColumn("What to do", 13),
        SheetColumn("", 3),
        SheetColumn("Cross", 12),
        SheetColumn("Sample well", 12),
        SheetColumn("Why", 40),
        SheetColumn("Remark", 18, sign=True),
    )
    """What fits on a printed page that can be read at arm's length."""

    def __init__(self, inputs: ReportInputs) -> None:
        frame = inputs.verdicts
        self.n = len(frame)
        self.facts = plant_facts(frame).rows
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
                "settle",
                "likely_source",
                "leading_class",
                "pod",
            )
        }
        self.verdicts = [p.verdict for p in self.facts]
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

    def walk_note(self) -> str:
        """What the order of the walk is, and what to do where no place is recorded."""
        without = self.text["place"].count("")
        if without == self.n:
            return (
                "In the order of plate and well: the samples sheet has no column place (house, tray, pot). "
                "With one, this sheet follows the benches."
            )
        rest = f" {fmt.noun(without, 'plant')} without a place at the end." if without else ""
        return "One walk along the benches. Leave whatever says wait or hold where it is." + rest

    def walk(self) -> Sheet:
        """Every plant in the order of its place, under a heading for each tray with its piles."""
        order = self.by_place()
        rows: list[tuple[Cell, ...]] = []
        heads = set()
        for tray, plants in itertools.groupby(order, key=lambda i: tray_of(self.text["place"][i])):
            here = list(plants)
            if tray:
                heads.add(len(rows))
                rows.append(("", f"{tray}: {self._piles(here)}", *[""] * (len(self.walk_columns) - 2)))
            rows += [self._walk_row(i) for i in here]
        title = "Every plant in the order of its place"
        columns = tuple(self._fitted(c) for c in self.walk_columns)
        return Sheet("Walk", title, self.walk_note(), columns, tuple(rows), marks=4, heads=frozenset(heads))

    def _fitted(self, column: SheetColumn) -> SheetColumn:
        """The column of places or plants as wide as its longest name, within reason."""
        source = {"Place": "place", "Plant": "plant"}.get(column.label)
        if source is None:
            return column
        return replace(column, width=max(10.0, min(self._longest[source] + 2.0, 44.0)))

    @cached_property
    def _longest(self) -> dict[str, int]:
        """Length of the longest place and plant."""
        return {source: max(map(len, self.text[source]), default=0) for source in ("place", "plant")}

    def _piles(self, plants: list[int]) -> str:
        counts = Counter(self.facts[i].pile for i in plants)
        return ", ".join(f"{PILE_WORDS[p][0].lower()} {counts[p]}" for p in Pile if counts[p])

    def _walk_row(self, i: int) -> tuple[Cell, ...]:
        t = self.text
        return (
            BOX,
            t["place"][i],
            t["plant"][i],
            self._label(i),
            VERDICT_MARKS[self.verdicts[i]].letter,
            t["cross_id"][i],
            f"{t['plate'][i]} {t['well'][i]}".strip(),
            self._why(i),
            "",
        )

    def by_place(self, pile: Pile | None = None) -> list[int]:
        """Numbers of plants in the order of their place, then of plate, row and column."""
        return [i for i in self._walked if pile is None or self.facts[i].pile is pile]

    @cached_property
    def _walked(self) -> list[int]:
        """Numbers of all plants in the order of `by_place`."""
        return sorted(
            range(self.n),
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
        return list(self._by_cross)

    @cached_property
    def _by_cross(self) -> list[int]:
        return sorted(
            range(self.n), key=lambda i: (natural(self.text["cross_id"][i]), natural(self.text["plant"][i]))
        )

    def sheet(self, name: str, title: str, note: str, order: list[int]) -> Sheet:
        """A sheet of these plants in this order."""
        columns = tuple(self._fitted(c) for c in self.columns)
        return Sheet(name, title, note, columns, tuple(self._row(i) for i in order), marks=9)

    def _label(self, i: int) -> str:
        pile = self.facts[i].pile
        return self.text["decision"][i] if pile is None else PILE_WORDS[pile][0]

    def _why(self, i: int) -> str:
        """The reason; for plants that wait also what for, for unexpected ones where they may be from."""
        t, fact = self.text, self.facts[i]
        if fact.pile is Pile.WAIT and t["settle"][i]:
            return f"{t['reason'][i]}: {t['settle'][i]}"
        if t["reason"][i]:
            return t["reason"][i]
        unexpected = fact.verdict in UNEXPECTED and t["likely_source"][i]
        return f"likely {t['likely_source'][i]}" if unexpected else ""

    def _row(self, i: int) -> tuple[Cell, ...]:
        t, verdict = self.text, self.verdicts[i]
        mark = VERDICT_MARKS[verdict]
        return (
            BOX,
            t["place"][i],
            self._label(i),
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
            self._why(i),
            "",
        )


def _spot(well: str) -> tuple[int, int]:
    try:
        place = parse_well(well)
    except ValueError:
        return (99, 99)
    return place.row, place.column
