"""Crosses: the table that opens to the plants of each."""

from __future__ import annotations

from crossproof.model.results import Provable
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import Block, Live, Notice, Section, Tone
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.sheets import natural
from crossproof.report.facts.crosses import CrossesFacts, CrossFact, crosses_facts
from crossproof.text import agreeing


def section(inputs: ReportInputs) -> Section:
    """Every cross with its plants."""
    facts = crosses_facts(inputs.crosses)
    blocks: list[Block] = []
    unprovable = facts.of(Provable.NO)
    if unprovable:
        blocks.append(
            Notice(
                Tone.CARE,
                f"{fmt.noun(len(unprovable), 'cross', 'crosses')} cannot be proven with this panel",
                f"The parents differ at too few markers: {_some(unprovable)}. No plant of "
                f"{agreeing(len(unprovable), 'it', 'them')} is called hybrid or self, and none counts "
                "towards a target. The command crossproof plan says which markers would help.",
            )
        )
    open_ = facts.of(Provable.PARTLY, Provable.BORDERLINE)
    if open_:
        blocks.append(
            Notice(
                Tone.CARE,
                f"In {fmt.noun(len(open_), 'cross', 'crosses')} the panel may leave plants without a verdict",
                f"The markers can prove only some of the plants, or are borderline: {_some(open_)}. A plant "
                f"that has a verdict is proven nevertheless.",
            )
        )
    if facts.rows:
        blocks.append(Live("crosses"))
    return Section("crosses", "Cross by cross", "Crosses", _lead(facts), tuple(blocks))


def _some(crosses: tuple[CrossFact, ...], most: int = 8) -> str:
    more = f" and {len(crosses) - most} more" if len(crosses) > most else ""
    named = sorted((c.cross for c in crosses), key=natural)
    return ", ".join(named[:most]) + more


def _lead(facts: CrossesFacts) -> str:
    n = len(facts.rows)
    if not n:
        return "No crosses are recorded."
    text = f"{fmt.noun(n, 'cross', 'crosses')} {agreeing(n, 'is', 'are')} on record"
    if facts.tested < n:
        text += f", {fmt.count(facts.tested) if facts.tested else 'none'} with plants tested"
    text += "."
    if facts.fruitless:
        none = fmt.noun(facts.fruitless, "tested cross", "tested crosses")
        text += f" {none} {agreeing(facts.fruitless, 'has', 'have')} no proven hybrid yet"
        text += " (crosses on hold are not counted)." if facts.held else "."
    return text + " Open a cross to see its plants; open a plant to see its evidence."
