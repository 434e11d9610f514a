"""The short summary that stands in the terminal after a run."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from crossproof.errors import InputError
from crossproof.io.results.reading import read_table
from crossproof.model.results import Need, NextStep, Provable
from crossproof.rates.people.cautions import CAUTION_SHORT
from crossproof.report.content.marks import PILE_WORDS, VERDICT_MARKS
from crossproof.report.content.numbers import count
from crossproof.report.facts.crosses import CROSS_COLUMNS, crosses_facts
from crossproof.report.facts.people import PeopleFacts, people_facts
from crossproof.report.facts.plants import PLANT_COLUMNS, Pile, PlantFacts, plant_facts
from crossproof.text import agreeing, count_of, plain

MOST_PEOPLE = 12
TOO_FEW_LOOK = "too few plants or tags to say more"


def season_summary(results: Path) -> RenderableType:
    """What a run found, from its result tables: plants per verdict and decision, selfing per person.

    `results`: the results folder. A table that is not there is left out of the summary, so that it can be
    shown for a run that set something aside. Names are shown as text, never read as markup.
    """
    parts: list[RenderableType] = []
    verdicts = _read(results / "verdicts.csv", PLANT_COLUMNS)
    if verdicts is None:
        return Text("There are no verdicts to summarise.")
    plants = plant_facts(verdicts)
    parts += [_counts(plants), Text(_kept(plants))]
    steps = _next_steps(results)
    if steps:
        parts.append(steps)
    people = _read(results / "operators.csv")
    if people is not None and len(people):
        parts += [Text(), _people(people_facts(people)), Text(CAUTION_SHORT, style="italic")]
    findings = _findings(results)
    if findings:
        parts += [Text(), Text("Look at these first", style="bold"), *findings]
    return Group(Text(), *parts, Text())


def _read(path: Path, only: Sequence[str] = ()) -> pd.DataFrame | None:
    """A result table as text (`only`: these columns), or None where it is not there or empty of columns."""
    try:
        return read_table(path, only=only)
    except (FileNotFoundError, InputError):
        return None


def _counts(plants: PlantFacts) -> Table:
    """Plants by verdict and pile."""
    title = count_of(len(plants.rows), "plant")
    table = Table(title=title, title_justify="left", title_style="bold", box=None)
    table.add_column("verdict")
    shown = [pile for pile in Pile if plants.piles[pile]]
    for pile in shown:
        table.add_column(PILE_WORDS[pile][0].lower(), justify="right")
    table.add_column("plants", justify="right", style="bold")
    counts = Counter((p.verdict, p.pile) for p in plants.rows)
    for verdict, mark in VERDICT_MARKS.items():
        cells = [str(counts[verdict, pile] or "") for pile in shown]
        table.add_row(mark.label, *cells, str(sum(n for (v, _), n in counts.items() if v is verdict)))
    return table


def _kept(plants: PlantFacts) -> str:
    kept, waiting = plants.piles[Pile.KEEP], plants.needs[Need.PARENT]
    said = (
        f"Keep {count_of(kept, 'plant')} of {count_of(plants.crosses_kept, 'cross', 'crosses')}."
        if kept
        else "No plant is proven hybrid yet."
    )
    if waiting:
        said += (
            f" {count_of(waiting, 'plant')} {agreeing(waiting, 'waits', 'wait')} for a parent to be typed."
        )
    return f"{said} results/worklist.xlsx lists every plant by place and by cross."


def _next_steps(results: Path) -> Text | None:
    """How many crosses have which next step, in the order of the steps."""
    frame = _read(results / "crosses.csv", CROSS_COLUMNS)
    if frame is None or "next_step" not in frame or frame.empty:
        return None
    crosses = crosses_facts(frame)
    said = [f"{step} {crosses.steps[step]}" for step in NextStep if crosses.steps[step]]
    text = f"Next steps of the crosses: {', '.join(said)}."
    unprovable = len(crosses.of(Provable.NO))
    if unprovable:
        text += (
            f" {count_of(unprovable, 'cross', 'crosses')} cannot be proven: too few markers tell the parents "
            "apart."
        )
    return Text(text)


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %" if math.isfinite(value) else "-"


def _people(facts: PeopleFacts) -> Table:
    """Selfing among the counted plants of each person, with its limits."""
    table = Table(title="Selfed, by person", title_justify="left", title_style="bold", box=None)
    for heading in ("person", "tags", "plants", "selfed", "95 % limits", ""):
        table.add_column(heading, justify="left" if heading in ("person", "") else "right")
    for person in facts.rows[:MOST_PEOPLE]:
        table.add_row(
            Text(plain(person.name) or "nobody named"),
            count(person.tags),
            count(person.counted),
            _percent(person.selfing),
            f"{_percent(person.selfing_low)} to {_percent(person.selfing_high)}",
            Text(TOO_FEW_LOOK if person.few else "", style="dim"),
        )
    if len(facts.rows) > MOST_PEOPLE:
        table.add_row(f"... and {len(facts.rows) - MOST_PEOPLE} more", "", "", "", "", "")
    return table


def _findings(results: Path) -> list[Text]:
    """One line per plate, cross, line or sample with a finding."""
    lines = []
    for table, name in (
        ("plates", "plate"),
        ("crosses", "cross_id"),
        ("lines", "line"),
        ("samples", "sample_id"),
    ):
        frame = _read(results / f"{table}.csv", (name, "findings"))
        if frame is None or "findings" not in frame or name not in frame:
            continue
        found = frame[frame["findings"] != ""]
        if table == "samples":
            # A sample held for its tag or line is told of once, with the tag or line.
            found = found[~found["findings"].str.contains(r"\((?:cross|line) ", regex=True)]
        for row in found.to_dict("records"):
            lines.append(Text(f"  {plain(row[name])}: {plain(row['findings'])}"))
    if len(lines) > MOST_PEOPLE:
        return [*lines[:MOST_PEOPLE], Text(f"  ... and {len(lines) - MOST_PEOPLE} more in the report")]
    return lines
