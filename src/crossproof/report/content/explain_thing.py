"""What is known of a sample, cross, line, plate or well, what was found about it, and what to do.

A plant is explained by `explain`, marker by marker.
"""

from __future__ import annotations

import difflib
import shlex
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import pandas as pd
from rich.console import Group
from rich.table import Table as RichTable
from rich.text import Text

from crossproof.errors import UsageError, error
from crossproof.model.findings import Finding
from crossproof.model.plates import parse_well
from crossproof.model.results import CLASSES, NextStep, PlateState, SampleState, Verdict
from crossproof.report.content import numbers as fmt
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS, VERDICT_MARKS
from crossproof.report.content.sheets import natural
from crossproof.report.facts.panel import Agreement, lines_facts, plates_facts
from crossproof.report.facts.plants import Pile, plant_facts
from crossproof.text import agreeing, shown


class ThingKind(StrEnum):
    """What can be explained, in the order in which a name is looked for."""

    PLANT = "plant"
    SAMPLE = "sample"
    CROSS = "cross"
    LINE = "line"
    PLATE = "plate"
    WELL = "well"


@dataclass(frozen=True)
class Thing:
    """Something of the season that has a name; `also`: other kinds of thing with the same name."""

    kind: ThingKind
    name: str
    also: tuple[ThingKind, ...] = ()


ODD_BETWEEN = "; "
"""What stands between the odd samples of a line."""

Facts = list[tuple[str, str]]
"""Pairs of what and its value; those without a value are not shown."""


def find_thing(inputs: ReportInputs, text: str) -> Thing:
    """The thing that a user's text names: a name, KIND:NAME, or PLATE:WELL.

    Raises UsageError, with the nearest names, where nothing has it.
    """
    prefix, colon, rest = text.partition(":")
    wanted = [k for k in ThingKind if colon and k.value == prefix.strip().lower()]
    name = rest.strip() if wanted else text.strip()
    known = {kind: _names(inputs, kind) for kind in ThingKind if kind is not ThingKind.WELL}
    kinds = [k for k, names in known.items() if name in names and k in (wanted or ThingKind)]
    if ThingKind.PLANT in kinds and ThingKind.SAMPLE in kinds:
        kinds.remove(ThingKind.SAMPLE)  # a plant is mostly named after its sample
    if kinds:
        return Thing(kinds[0], name, tuple(kinds[1:]))
    if (well := _well(inputs, name)) is not None:
        return Thing(ThingKind.WELL, well)
    of_sample = _plant_of_sample(inputs, name)
    if of_sample:
        return Thing(ThingKind.PLANT, of_sample)
    every = {n.casefold(): n for names in known.values() for n in names}
    near = difflib.get_close_matches(name.casefold(), list(every), n=3)
    hint = (
        f"Did you mean {', '.join(every[n] for n in near)}?"
        if near
        else "Name a plant, sample, cross, line or plate, or a well as PLATE:WELL."
    )
    raise UsageError(error("results", "Nothing in this season has this name.", hint, value=text))


def _names(inputs: ReportInputs, kind: ThingKind) -> set[str]:
    frames = {
        ThingKind.PLANT: (inputs.verdicts, "plant"),
        ThingKind.SAMPLE: (inputs.samples, "sample_id"),
        ThingKind.CROSS: (inputs.crosses, "cross_id"),
        ThingKind.LINE: (inputs.lines, "line"),
        ThingKind.PLATE: (inputs.plates, "plate"),
    }
    frame, column = frames[kind]
    return set(frame[column].astype(str)) - {""} if column in frame else set()


def _plant_of_sample(inputs: ReportInputs, name: str) -> str:
    for plant, samples in zip(
        texts(inputs.verdicts, "plant"), texts(inputs.verdicts, "samples"), strict=True
    ):
        if name in samples.split(";"):
            return plant
    return ""


def _well(inputs: ReportInputs, name: str) -> str | None:
    """PLATE:WELL in the season's own writing; a space may stand for the colon."""
    plate, colon, well = name.rpartition(":") if ":" in name else name.rpartition(" ")
    if not colon or "plate" not in inputs.samples or plate not in set(inputs.samples["plate"]):
        return None
    try:
        place = parse_well(well)
    except ValueError:
        return None
    return f"{plate}:{place.name}"


def explain_thing(inputs: ReportInputs, thing: Thing, folder: str = "DIR") -> Group:
    """Everything known of a thing that is no plant, for a terminal; `folder`: for the commands it names."""
    facts, plants, against, todo = _EXPLAIN[thing.kind](inputs, thing.name)
    head = Text(f"{thing.kind} ")
    head.append(shown(thing.name), style="bold")
    parts: list[Any] = [head]
    for other in thing.also:
        command = shlex.join(["crossproof", "explain", str(folder), f"{other}:{shown(thing.name)}"])
        parts.append(Text(f"There is also a {other} of this name: {command}"))
    parts.append(_grid(facts))
    own = {s for i in plants for s in texts(inputs.verdicts, "samples")[i].split(";")}
    found = [f for f in inputs.findings if _concerns(f, thing) or own & set(f.samples)]
    seen = [f.evidence for f in found] or against
    parts += [Text(), Text("What was found", style="bold")]
    parts += [Text(f"  {shown(s)}") for s in seen] or [Text("  Nothing against it.")]
    parts += [Text(), Text("What to do", style="bold")]
    todo = [*(f.remedy for f in found if not f.note), *todo]
    parts += [Text(f"  {shown(t)}") for t in dict.fromkeys(todo)] or [Text("  Nothing.")]
    answers = [f.name for f in found if f.corrections]
    commands = [shlex.join(["crossproof", "correct", str(folder), shown(n)]) for n in answers]
    parts += [Text(f"  To write the proposed row: {c}") for c in commands]
    if plants:
        parts += [Text(), _plants_table(inputs, plants)]
    return Group(*parts)


def _concerns(f: Finding, thing: Thing) -> bool:
    if thing.kind is ThingKind.PLATE:
        return thing.name in f.plates
    if thing.kind is ThingKind.WELL:
        return thing.name in f.wells
    if thing.kind is ThingKind.SAMPLE:
        return thing.name in (f.subject, f.other, *f.samples)
    return f.scope.value == thing.kind.value and thing.name in (f.subject, f.other)


def _grid(facts: Iterable[tuple[str, str]]) -> RichTable:
    table = RichTable(box=None, show_header=False, pad_edge=False, padding=(0, 2))
    table.add_column()
    table.add_column(overflow="fold")
    for what, value in facts:
        if value:
            table.add_row(Text(f"  {what}"), Text(value))
    return table


def _plants_table(inputs: ReportInputs, rows: list[int]) -> RichTable:
    t = {c: texts(inputs.verdicts, c) for c in ("plant", "place", "decision", "reason")}
    facts = plant_facts(inputs.verdicts).rows
    table = RichTable(box=None, title=Text("Plants"), title_justify="left", pad_edge=False, padding=(0, 2))
    for label in ("", "plant", "place", "verdict", "what to do", "why"):
        table.add_column(Text(label), overflow="fold")
    for i in sorted(rows, key=lambda i: natural(t["plant"][i])):
        mark, pile = VERDICT_MARKS[facts[i].verdict], facts[i].pile
        cells = (
            f"[{mark.letter}]",
            t["plant"][i],
            t["place"][i],
            mark.label,
            t["decision"][i] if pile is None else PILE_WORDS[pile][0].lower(),
            t["reason"][i],
        )
        table.add_row(*(Text(c) for c in cells))
    return table


def _row(frame: pd.DataFrame, column: str, name: str) -> pd.DataFrame:
    return frame[frame[column].astype(str) == name].head(1)


def _one(row: pd.DataFrame, column: str) -> str:
    return (texts(row, column) or [""])[0]


def _number(row: pd.DataFrame, column: str) -> float:
    values = numbers(row, column)
    return float(values[0]) if len(values) else float("nan")


def _counted(row: pd.DataFrame) -> str:
    """Plants per verdict, and those on hold."""
    counts = {VERDICT_MARKS[v].label: _number(row, v.value) for v in (*CLASSES, Verdict.UNDETERMINED)}
    counts["on hold"] = _number(row, "held")
    return ", ".join(f"{label} {fmt.count(n)}" for label, n in counts.items() if n > 0)


def _with_limits(row: pd.DataFrame, column: str) -> str:
    rate = fmt.share(_number(row, column))
    limits = fmt.interval(_number(row, f"{column}_low"), _number(row, f"{column}_high"))
    return f"{rate} (95 % interval {limits})" if rate and limits else rate


Explained = tuple[Facts, list[int], list[str], list[str]]
"""Facts, rows of verdicts to list, what its table says against it where no finding does, and what to do."""


def _cross(inputs: ReportInputs, name: str) -> Explained:
    row = _row(inputs.crosses, "cross_id", name)
    made = [_one(row, "date"), f"by {_one(row, 'operator')}" if _one(row, "operator") else ""]
    counts = [
        fmt.noun(_number(row, c), c.removesuffix("s"))
        for c in ("flowers", "pods", "seeds")
        if _number(row, c) >= 0
    ]
    facts = [
        ("mother", _one(row, "mother")),
        ("father", _one(row, "father")),
        ("made", ", ".join(t for t in made if t)),
        ("record", ", ".join(counts)),
        ("tested", fmt.noun(_number(row, "tested"), "plant")),
        ("verdicts", _counted(row)),
        ("hybrid rate", _with_limits(row, "hybrid_rate")),
        ("true success", _with_limits(row, "true_success")),
        ("can be proven", _one(row, "verifiable")),
        ("wanted", fmt.noun(_number(row, "target"), "hybrid")),
    ]
    step, detail = _one(row, "next_step"), _one(row, "next_step_detail")
    facts.append(("next step", f"{step}: {detail}" if detail else step))
    todo = [] if step in ("", NextStep.DONE) else [f"{detail[:1].upper()}{detail[1:]}."]
    here = _plants_where(inputs, "cross_id", name)
    return facts, here, _held(inputs, here), todo


def _line(inputs: ReportInputs, name: str) -> Explained:
    row = _row(inputs.lines, "line", name)
    (fact,) = lines_facts(row).rows
    tubes = inputs.samples[inputs.samples["line"].astype(str) == name] if "line" in inputs.samples else None
    mothers, fathers = texts(inputs.crosses, "mother"), texts(inputs.crosses, "father")
    crosses = texts(inputs.crosses, "cross_id")
    facts = [
        ("parent samples", "" if tubes is None else ", ".join(texts(tubes, "sample_id"))),
        ("call rate", fmt.share(fact.call_rate)),
        ("samples agree", str(fact.agreement)),
        ("odd samples", fact.odd),
        ("mother of", ", ".join(c for c, m in zip(crosses, mothers, strict=True) if m == name)),
        ("father of", ", ".join(c for c, f in zip(crosses, fathers, strict=True) if f == name)),
        ("its plant departs in", fact.departs_in),
    ]
    if fact.agreement is Agreement.NONE:
        return facts, [], ["It has no calls."], ["Genotype this line: no sample of it has calls."]
    if fact.agreement is Agreement.NO:
        odd = f" Odd: {fact.odd}." if fact.odd else ""
        return (
            facts,
            [],
            [f"Its samples contradict each other.{odd}"],
            ["Genotype the line again from seed, preferably twice."],
        )
    return facts, [], [], []


def _plate(inputs: ReportInputs, name: str) -> Explained:
    row = _row(inputs.plates, "plate", name)
    wells = [
        fmt.noun(_number(row, column), one)
        for column, one in (("plants", "plant"), ("parents", "parent well"), ("blanks", "blank"))
        if _number(row, column) > 0
    ]
    here = _plants_where(inputs, "plate", name)
    plants = plant_facts(inputs.verdicts).rows
    piles = Counter(plants[i].pile for i in here)
    facts = [
        ("genotype file", _one(row, "batch")),
        ("state", _one(row, "state")),
        ("wells", ", ".join(wells)),
        ("call rate", fmt.share(_number(row, "call_rate"))),
        ("call rate of blanks", fmt.share(_number(row, "blank_call_rate"))),
    ]
    (fact,) = plates_facts(row).rows
    against = _held(inputs, here)
    if fact.state in (PlateState.SET_ASIDE, PlateState.NO_CALLS):
        against = ["It has no calls: its genotype file is missing or was set aside."]
    said = ", ".join(f"{PILE_WORDS[p][0].lower()} {piles[p]}" for p in Pile if piles[p])
    return facts, [], against, [f"Its plants: {said}."] if said else []


def _sample(inputs: ReportInputs, name: str) -> Explained:
    return _well_facts(inputs, _row(inputs.samples, "sample_id", name))


def _at_well(inputs: ReportInputs, name: str) -> Explained:
    plate, _, well = name.rpartition(":")
    frame = inputs.samples
    at = [
        p == plate and _same_well(w, well)
        for p, w in zip(texts(frame, "plate"), texts(frame, "well"), strict=True)
    ]
    if not any(at):
        return [("content", "no sample is listed in this well")], [], [], []
    return _well_facts(inputs, frame[at].head(1))


def _same_well(written: str, well: str) -> bool:
    try:
        return parse_well(written).name == well
    except ValueError:
        return False


def _well_facts(inputs: ReportInputs, row: pd.DataFrame) -> Explained:
    place = f"{_one(row, 'plate')}:{_one(row, 'well')}" if _one(row, "plate") else ""
    facts = [
        ("sample", _one(row, "sample_id")),
        ("well", place),
        ("genotype file", _one(row, "batch")),
        ("role", _one(row, "role")),
        ("line", _one(row, "line")),
        ("cross", _one(row, "cross_id")),
        ("plant", _one(row, "plant") if _one(row, "cross_id") else ""),
        ("place", _one(row, "place")),
        ("state", _one(row, "state")),
        ("call rate", fmt.share(_number(row, "call_rate"))),
        ("heterozygous calls", fmt.share(_number(row, "heterozygosity"))),
    ]
    plant = _one(row, "plant") if _one(row, "cross_id") else ""
    here = _plants_where(inputs, "plant", plant) if plant else []
    return facts, here, _against_sample(inputs, row) or _held(inputs, here), _with_plants(inputs, here)


def _against_sample(inputs: ReportInputs, row: pd.DataFrame) -> list[str]:
    """What the tables say against a sample: that it has no calls, or contradicts the others of its line."""
    if _one(row, "state") in (SampleState.SET_ASIDE, SampleState.NO_CALLS):
        return ["It has no calls: its genotype file is missing or was set aside, or does not name it."]
    sample = _one(row, "sample_id")
    odd = [t for t in lines_facts(inputs.lines).rows if sample in t.odd.split(ODD_BETWEEN)]
    return [f"It contradicts the other samples of line {t.line}." for t in odd]


def _held(inputs: ReportInputs, here: list[int]) -> list[str]:
    """That some of these plants are on hold, where the finding they wait for is about something else."""
    plants = plant_facts(inputs.verdicts).rows
    held = sum(plants[i].pile is Pile.HOLD for i in here)
    if not held:
        return []
    verb = agreeing(held, "is", "are")
    return [f"{fmt.noun(held, 'plant')} {verb} on hold for a finding about a line, plate or file."]


def _with_plants(inputs: ReportInputs, here: list[int]) -> list[str]:
    """What to do with the plants of a sample."""
    plants = plant_facts(inputs.verdicts).rows
    return [f"{PILE_WORDS[p][0]} {plants[i].plant}." for i in here if (p := plants[i].pile) is not None]


def _plants_where(inputs: ReportInputs, column: str, name: str) -> list[int]:
    return [i for i, text in enumerate(texts(inputs.verdicts, column)) if text == name]


_EXPLAIN = {
    ThingKind.SAMPLE: _sample,
    ThingKind.CROSS: _cross,
    ThingKind.LINE: _line,
    ThingKind.PLATE: _plate,
    ThingKind.WELL: _at_well,
}
