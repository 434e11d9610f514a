"""What a report says, computed once; html.py, xlsx.py and labels.py only draw it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from crossproof.model.plant_calls import PlantCalls
from crossproof.model.results import Verdict
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import Section
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.marks import HELD_MARK, VERDICT_MARKS, Mark
from crossproof.report.content.payload import build_payload
from crossproof.report.facts.crosses import crosses_facts
from crossproof.report.facts.plants import PlantFacts, plant_facts
from crossproof.report.sections import actions, crosses, crossing, method, panel, people, plates
from crossproof.report.sections.method import run_digest
from crossproof.text import agreeing, shown

__all__ = ["Content", "PlantCalls", "ReportInputs", "build_content"]


@dataclass(frozen=True)
class Content:
    """The finished words, tables and chart specifications of a report.

    `tally` counts plants by verdict, in the order of the marks, then those on hold.
    """

    inputs: ReportInputs
    title: str
    season: str
    summary: str
    digest: str
    finished: str
    tally: tuple[tuple[Mark, int], ...]
    sections: tuple[Section, ...]

    @cached_property
    def payload(self) -> dict[str, Any]:
        """The data of the page's script; only who draws the page needs it."""
        return build_payload(self.inputs)


def build_content(inputs: ReportInputs, progress: Callable[[str], None] | None = None) -> Content:
    """Compute everything the report says.

    `progress` is called with a few words as the work goes on.
    """
    tell = progress or (lambda text: None)
    sections = []
    for words, make in (
        ("what to do", actions.section),
        ("plates", plates.section),
        ("crosses", crosses.section),
        ("how crossing went", crossing.section),
        ("people", people.section),
        ("lines and markers", panel.section),
        ("plants", method.plant_section),
        ("method", method.section),
        ("inputs", method.inputs_section),
    ):
        tell(f"report: {words}")
        sections.append(make(inputs))
    tell("report: plants and their calls")
    crop, season = shown(inputs.config.get("crop")), shown(inputs.config.get("season"))
    return Content(
        inputs=inputs,
        title=" · ".join(t for t in (crop[:1].upper() + crop[1:], season) if t) or "Crossing season",
        season=season,
        summary=_summary(inputs),
        digest=run_digest(inputs),
        finished=fmt.moment(shown(inputs.run.get("finished", inputs.run.get("time")))),
        tally=_tally(inputs),
        sections=tuple(sections),
    )


def _summary(inputs: ReportInputs) -> str:
    plants, crosses = plant_facts(inputs.verdicts), crosses_facts(inputs.crosses)
    text = fmt.noun(len(crosses.rows), "cross", "crosses")
    if crosses.people:
        text += f" by {fmt.noun(crosses.people, 'person', 'people')}"
    text += f", {fmt.noun(len(plants.rows), 'plant')} genotyped"
    if len(inputs.plates):
        text += f" on {fmt.noun(len(inputs.plates), 'plate')}"
    text += _hybrids(plants)
    if plants.held:
        more = " more" if plants.determined else ""
        text += f"; {fmt.count(plants.held)}{more} {agreeing(plants.held, 'is', 'are')} on hold"
    return text + "."


def _hybrids(plants: PlantFacts) -> str:
    """How many of the plants with a verdict are hybrids, as a sentence without its full stop."""
    n, hybrids = plants.determined, plants.verdicts[Verdict.HYBRID]
    if not n:
        return ""
    if n == 1:
        return f". The only one with a verdict is{'' if hybrids else ' not'} the hybrid its tag says"
    if not hybrids:
        return f". Of {fmt.count(n)} with a verdict, none is the hybrid its tag says"
    are = agreeing(hybrids, "is the hybrid its tag says", "are the hybrids their tags say")
    return f". Of {fmt.count(n)} with a verdict, {fmt.count(hybrids)} ({fmt.share(hybrids / n)}) {are}"


def _tally(inputs: ReportInputs) -> tuple[tuple[Mark, int], ...]:
    """Plants by verdict as the rates count them, then those on hold."""
    plants = plant_facts(inputs.verdicts)
    counts = [(m, plants.verdicts[v]) for v, m in VERDICT_MARKS.items()]
    return tuple(counts) + (((HELD_MARK, plants.held),) if plants.held else ())
