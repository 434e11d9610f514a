"""A scanned list of what was done at the bench, read against what was decided."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from crossproof.errors import Severity
from crossproof.field.codes import Code, MisreadCode, code_of_plant, parse_code, plant_name
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.raw_tables import RawTable
from crossproof.io.sheets.columns import Column, Kind, Table
from crossproof.io.sheets.headings import nearest
from crossproof.io.sheets.names import loose_index, meant
from crossproof.model.bench import BenchAction, Outcome
from crossproof.model.results import NextStep
from crossproof.report.facts.plants import Pile, plant_facts

DONE_LIST = Table(
    "done",
    "one scanned plant",
    (
        Column(
            "plant",
            Kind.TEXT,
            "the code of the label as scanned, or the name of the plant",
            "2031.0001N.3",
            required=True,
            also=("code", "label", "scanned", "plant id", "plant name", "barcode", "qr"),
        ),
        Column(
            "action",
            Kind.TEXT,
            "what was done: keep, cull, sample (leaf taken again) or gone (dead, or not come up)",
            "cull",
            required=True,
            also=("done", "what", "decision taken"),
        ),
        Column(
            "place",
            Kind.TEXT,
            "where the plant was found",
            "house 1, tray 2, pot 7",
            also=("position", "location", "bench"),
        ),
    ),
)
"""Columns of a list; any order, further columns are left alone."""

_WORDS: Mapping[str, BenchAction] = {
    **{a.value: a for a in BenchAction},
    "kept": BenchAction.KEEP,
    "left": BenchAction.KEEP,
    "hold": BenchAction.KEEP,
    "culled": BenchAction.CULL,
    "discard": BenchAction.CULL,
    "discarded": BenchAction.CULL,
    "thrown away": BenchAction.CULL,
    "sampled": BenchAction.SAMPLE,
    "retest": BenchAction.SAMPLE,
    "retested": BenchAction.SAMPLE,
    "dead": BenchAction.GONE,
    "missing": BenchAction.GONE,
    "not there": BenchAction.GONE,
    "empty": BenchAction.GONE,
}
"""Words of the trade for what was done (common practice, no source)."""

PlantKey = tuple[str, str]
"""cross_id and plant."""

LOUD = (Outcome.CULLED_NOT_TO_BE, Outcome.KEPT_NOT_CULLED, Outcome.NOT_SAMPLED, Outcome.NOT_TOUCHED)
"""Outcomes that somebody has to act on, in the order of how much they matter."""


@dataclass(frozen=True)
class Row:
    """One row of a list: which plant, what was done, where it was found, and where the row stands."""

    key: PlantKey
    action: BenchAction
    place: str
    file: str
    row: int


@dataclass(frozen=True)
class Bench:
    """What was decided: plants by cross and name, in the order of the results, with pile and place."""

    season: str
    decisions: Mapping[PlantKey, Pile]
    places: Mapping[PlantKey, str]

    @classmethod
    def of(cls, verdicts: pd.DataFrame, season: str) -> Bench:
        """From verdicts.csv as text; rows without a decision are passed over."""
        facts = plant_facts(verdicts).rows
        known = {
            (f.cross, f.plant): (f.pile, str(row.get("place") or ""))
            for f, row in zip(facts, verdicts.to_dict("records"), strict=True)
            if f.pile is not None
        }
        return cls(
            season, {k: p for k, (p, _) in known.items()}, {k: place for k, (_, place) in known.items()}
        )


def outcome_of(pile: Pile, action: BenchAction | None) -> Outcome:
    """The outcome of one plant; no action: it is on no list.

    A plant on hold, or one that waits for something else than leaf, is to be left standing: no action,
    keeping it and sampling it are all as decided.
    """
    if action is BenchAction.GONE:
        return Outcome.GONE
    if action is BenchAction.CULL:
        return Outcome.AS_DECIDED if pile is Pile.CULL else Outcome.CULLED_NOT_TO_BE
    if pile in (Pile.HOLD, Pile.WAIT):
        return Outcome.AS_DECIDED
    if action is None:
        return Outcome.NOT_TOUCHED
    if pile is Pile.CULL:
        return Outcome.KEPT_NOT_CULLED
    if pile is Pile.SAMPLE_AGAIN and action is BenchAction.KEEP:
        return Outcome.NOT_SAMPLED
    return Outcome.AS_DECIDED


def read_rows(raw: RawTable, bench: Bench, notes: Problems) -> tuple[Row, ...]:
    """The rows of one or several lists; everything wrong with them goes to `notes`."""
    finder = _Finder(bench)
    plants = raw.values("plant", finder.find, notes)
    actions = raw.values("action", _action, notes)
    rows = []
    for i, (key, action) in enumerate(zip(plants, actions, strict=True)):
        if key is not None and action is not None:
            rows.append(Row(key, action, raw.columns["place"][i], raw.files[i], raw.rows[i]))
    _check_twice(rows, notes)
    _check_places(rows, bench, notes)
    return tuple(rows)


class _Finder:
    """Finds the plant that a scanned or typed text stands for."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.by_name: dict[str, list[PlantKey]] = {}
        for key in bench.decisions:
            self.by_name.setdefault(key[1], []).append(key)
        self.by_code: dict[str, PlantKey] = {}
        if bench.season:
            for cross, plant in bench.decisions:
                if cross and plant:
                    code = code_of_plant(bench.season, cross, plant).text
                    self.by_code[code.casefold()] = (cross, plant)
        self.tags = {cross for cross, _ in bench.decisions}
        self.index = loose_index(self.by_name)

    def find(self, text: str) -> tuple[PlantKey | None, Fault | None]:
        text = text.strip()
        if not text:
            return None, Fault("No plant is named in this row.", "Scan the label again, or delete the row.")
        # A scanner whose keyboard has capitals locked types small letters for large ones.
        if (key := self.by_code.get(text.casefold())) is not None:
            return key, None
        named = self.by_name.get(text, [])
        if len(named) == 1:
            return named[0], None
        if named:
            crosses = ", ".join(cross for cross, _ in named)
            return None, Fault(
                f"Several crosses have a plant of this name: {crosses}.", "Scan its label instead."
            )
        return None, self._unknown(text)

    def _unknown(self, text: str) -> Fault:
        try:
            code = parse_code(text)
        except MisreadCode as misread:
            if "." in text and text[:4].isdigit():
                return Fault(str(misread), "Scan the label again.")
            if close := meant(text, (), self.index):
                return Fault("The results have no such plant.", f"Did you mean {close!r}?")
            if text in self.tags:
                return Fault("This is a tag, not a plant.", "Scan the label of the plant itself.")
            return Fault(
                "The results have no such plant.", "Scan the label again; check that this is its season."
            )
        return self._stranger(code)

    def _stranger(self, code: Code) -> Fault:
        if self.bench.season and code.season != self.bench.season:
            return Fault(
                f"This label is of season {code.season}, not of {self.bench.season}.",
                "Take the row to the list of its own season.",
            )
        if not code.plant:
            return Fault("This is the code of a tag, not of a plant.", "Scan the label of the plant itself.")
        return Fault(
            f"The results have no plant {plant_name(code)!r} of cross {code.tag}.",
            "Run the season again if it was sampled since; otherwise look at the label.",
        )


def _action(text: str) -> tuple[BenchAction | None, Fault | None]:
    word = " ".join(text.split()).casefold()
    if word in _WORDS:
        return _WORDS[word], None
    allowed = ", ".join(a.value for a in BenchAction)
    if not word:
        return None, Fault("It does not say what was done.", f"Write one of: {allowed}.")
    close = nearest(word, _WORDS)
    hint = f"Did you mean {_WORDS[close].value!r}? " if close else ""
    return None, Fault(
        "This is not something that can be done with a plant.", f"{hint}Write one of: {allowed}."
    )


def _check_twice(rows: Sequence[Row], notes: Problems) -> None:
    first: dict[PlantKey, Row] = {}
    for row in rows:
        before = first.setdefault(row.key, row)
        if before is row:
            continue
        where = f"{before.file}, row {before.row}"
        if before.action is not row.action:
            fault = Fault(
                f"This plant was scanned twice with two actions; {where} says {before.action}.",
                "Look at the plant, and delete the row that is wrong.",
            )
        else:
            fault = Fault(
                f"This plant was scanned before, in {where}; it counts once.",
                "No action is needed unless another plant was meant.",
                Severity.WARNING,
            )
        notes.note(fault, file=row.file, row=row.row, column="plant", value=row.key[1])


def _check_places(rows: Sequence[Row], bench: Bench, notes: Problems) -> None:
    """Plants found elsewhere than they are on record: a label in the wrong pot, as a rule."""
    stands = {_place_key(place): key for key, place in bench.places.items() if place}
    found = {row.key: row for row in rows if row.place}
    for row in found.values():
        own = bench.places.get(row.key, "")
        if not own or _place_key(own) == _place_key(row.place):
            continue
        other = stands.get(_place_key(row.place))
        swapped = other is not None and other in found and _place_key(found[other].place) == _place_key(own)
        if swapped and other is not None:
            problem = f"This plant and {other[1]} were each found at the other's place."
            remedy = "Two labels, or two pots, were exchanged: find out which before either is culled."
        else:
            whose = f", the place of {other[1]}" if other is not None else ""
            problem = f"This plant was found at {row.place!r}{whose}; on record it stands at {own!r}."
            remedy = (
                "Check whether label and pot belong together, and correct the place in the samples sheet."
            )
        fault = Fault(problem, remedy, Severity.WARNING)
        notes.note(fault, file=row.file, row=row.row, column="place", value=row.place)


def _place_key(place: str) -> str:
    return "".join(place.split()).casefold()


def done_table(
    rows: Sequence[Row], verdicts: pd.DataFrame, crosses: pd.DataFrame, bench: Bench
) -> pd.DataFrame:
    """done.csv: every plant with what was decided and done; who has to act on what, first."""
    action = {row.key: row for row in rows}
    store = {str(r["cross_id"]): r for r in crosses.to_dict("records")}
    records = {(str(r["cross_id"]), str(r["plant"])): r for r in verdicts.to_dict("records")}
    out = []
    for key, decision in bench.decisions.items():
        row = action.get(key)
        outcome = outcome_of(decision, row.action if row else None)
        out.append(
            {
                "plant": key[1],
                "cross_id": key[0],
                "place": bench.places[key],
                "decision": str(decision),
                "action": str(row.action) if row else "",
                "outcome": str(outcome),
                "what_now": what_now(outcome, decision, store.get(key[0], {})),
                "place_found": row.place if row else "",
                "verdict": records[key]["verdict"],
                "list": row.file if row else "",
                "list_row": row.row if row else pd.NA,
                "_rank": list(Outcome).index(outcome),
            }
        )
    frame = pd.DataFrame(out, columns=[*DONE_COLUMNS, "_rank"]).astype({"list_row": "Int64"})
    return frame.sort_values("_rank", kind="stable").drop(columns="_rank")


DONE_COLUMNS = (
    "plant", "cross_id", "place", "decision", "action", "outcome", "what_now", "place_found", "verdict",
    "list", "list_row",
)  # fmt: skip


def what_now(outcome: Outcome, decision: Pile, cross: Mapping[str, object]) -> str:
    """What is left to do about one plant, in words; "" where nothing is."""
    if outcome is Outcome.CULLED_NOT_TO_BE:
        left = str(cross.get("seeds_left") or "0")
        step = str(cross.get("next_step") or "")
        if decision is Pile.KEEP and left not in ("", "0"):
            return f"a proven hybrid is lost; {left} seeds of the cross are in store"
        if decision is Pile.KEEP:
            again = "" if step == NextStep.DONE else ", and the cross has no seed left: repeat it"
            return f"a proven hybrid is lost{again}"
        return "it was culled before its verdict was certain; look whether it can still be saved"
    if outcome is Outcome.KEPT_NOT_CULLED:
        return "cull it, or say why it stays"
    if outcome is Outcome.NOT_SAMPLED:
        return "take a leaf sample of it again"
    if outcome is Outcome.NOT_TOUCHED:
        return {
            Pile.KEEP: "check whether it is still there",
            Pile.CULL: "cull it",
            Pile.SAMPLE_AGAIN: "take a leaf sample of it again",
        }.get(decision, "")
    return ""


def counts(table: pd.DataFrame) -> tuple[tuple[Outcome, int], ...]:
    """How many plants there are of each outcome, those to act on first."""
    found = Counter(table["outcome"])
    return tuple((o, found[str(o)]) for o in Outcome if found[str(o)])
