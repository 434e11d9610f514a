"""What to do now: the piles of plants, and the next step of every cross that still needs something."""

from __future__ import annotations

import math

import numpy as np

from crossproof.model.results import Need, NextStep
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Card,
    Cards,
    Heading,
    Live,
    Notice,
    Prose,
    Section,
    Table,
    Tone,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS
from crossproof.report.facts.crosses import CrossesFacts, crosses_facts
from crossproof.report.facts.plants import Pile, PlantFacts, plant_facts
from crossproof.text import agreeing, shown

MEANINGS = {
    Pile.CULL: "self, outcross or off pedigree",
    Pile.SAMPLE_AGAIN: "no verdict yet; take a fresh leaf sample",
    Pile.HOLD: "in doubt: their plate, file, tag or parent sample",
}
WAITS = {Need.PARENT: "for a parent to be typed", Need.MARKERS: "for more markers"}
"""What the plants of the pile that waits wait for."""


def section(inputs: ReportInputs) -> Section:
    """The section that opens the report."""
    plants, crosses = plant_facts(inputs.verdicts), crosses_facts(inputs.crosses)
    blocks: list[Block] = [Cards((*_pile_cards(plants), _repeat_card(crosses)))]
    if plants.held:
        blocks.append(
            Notice(
                Tone.STOP,
                f"Do not act on {fmt.noun(plants.held, 'plant')} yet",
                "A finding about their plate, genotype file, tag or parent sample could exchange verdicts "
                "between plants. Settle the finding first; the next section says how.",
            )
        )
    blocks.append(
        Notice(
            Tone.CARE,
            "Before anything is thrown away",
            "A verdict is a probability, not a certainty. Keep remnant seed of everything that cannot be "
            "made again, and sample a plant again rather than cull it if it is the last of its cross.",
        )
    )
    if len(inputs.changes):
        blocks.append(_changes_notice(inputs))
    if plants.rows:
        blocks += [Heading("Every plant, bench by bench"), Live("plants")]
    steps = step_table(crosses)
    if steps.rows:
        blocks += [Heading("Next step of every cross that needs one"), steps]
    total = _cost(inputs, crosses)
    if total:
        blocks.append(Prose(total))
    return Section("do", "What to do now", "To do", _lead(plants, crosses), tuple(blocks))


def _pile_cards(plants: PlantFacts) -> list[Card]:
    """A card for each pile; those that ask nothing of most seasons only where plants are in them."""
    always = (Pile.KEEP, Pile.CULL, Pile.SAMPLE_AGAIN)
    return [
        Card(
            pile.name.lower(),
            PILE_WORDS[pile][0],
            fmt.count(plants.piles[pile]),
            _meaning(pile, plants),
            "#plants",
            pile.value,
        )
        for pile in Pile
        if pile in always or plants.piles[pile]
    ]


def _meaning(pile: Pile, plants: PlantFacts) -> str:
    if pile is Pile.KEEP:
        return agreeing(plants.piles[pile], "proven hybrid", "proven hybrids")
    return MEANINGS.get(pile) or _waiting(plants)


def _waiting(plants: PlantFacts) -> str:
    """What the waiting plants wait for: with numbers where they wait for different things."""
    found = [(need, plants.needs[need]) for need in WAITS if plants.needs[need]]
    if len(found) == 1:
        return WAITS[found[0][0]]
    return ", ".join(f"{fmt.count(n)} {WAITS[need]}" for need, n in found)


def _repeat_card(crosses: CrossesFacts) -> Card:
    repeats = crosses.steps[NextStep.REPEAT]
    if not repeats:
        sentence = "crosses; none has to be repeated now"
    else:
        sentence = agreeing(repeats, "cross", "crosses")
        sentence += f", {fmt.noun(crosses.flowers, 'flower')} in all" if crosses.flowers else ""
    return Card("repeat", "Repeat", fmt.count(repeats), sentence, "#steps" if crosses.left else "#crosses")


def _cost(inputs: ReportInputs, crosses: CrossesFacts) -> str:
    """What testing the stored seed, and the seed of new flowers, takes."""
    needed = float(np.nansum(numbers(inputs.crosses, "tests_needed")))
    cost = float(np.nansum(numbers(inputs.crosses, "test_cost")))
    if not needed:
        return ""
    what = ["this stored seed"] * bool(crosses.seeds) + ["the seed of these flowers"] * bool(crosses.flowers)
    text = f"Testing {' and '.join(what)} takes about {fmt.noun(needed, 'test')}"
    currency = shown(inputs.config.get("currency"))
    return text + (f", {fmt.decimal(cost, 0)} {currency}".rstrip() + "." if cost else ".")


def _changes_notice(inputs: ReportInputs) -> Notice:
    """Verdicts that differ from the run before: whoever acted on the old ones must hear of it first."""
    frame = inputs.changes
    some = [
        f"{p} was {b.replace('_', ' ')} and is now {n.replace('_', ' ')}"
        for p, b, n in zip(
            *(texts(frame, c) for c in ("plant", "verdict_before", "verdict_now")), strict=True
        )
    ]
    more = f", and {fmt.count(len(some) - 3)} more" if len(some) > 3 else ""
    cause = agreeing(len(some), "The cause is", "The causes are")
    return Notice(
        Tone.CARE,
        f"{fmt.noun(len(some), 'verdict')} changed since the last run",
        f"{'; '.join(some[:3])}{more}. {cause} listed under Inputs and versions.",
    )


def _lead(plants: PlantFacts, crosses: CrossesFacts) -> str:
    n, piles = len(plants.rows), plants.piles
    if not n:
        return "No progeny plant has been genotyped yet."
    wanted = _targets(crosses)
    if n == 1:
        only = next((_ONLY[p] for p in Pile if piles[p]), "has no decision yet")
        return f"One plant has been genotyped; it {only}.{wanted}"
    keep, cull = piles[Pile.KEEP], piles[Pile.CULL]
    hybrids = agreeing(keep, "a proven hybrid", "proven hybrids")
    text = (
        f"Of {fmt.count(n)} plants, {_none(keep)} can be kept as {hybrids} and {_none(cull)} can leave the "
        "glasshouse."
    )
    again, parent = piles[Pile.SAMPLE_AGAIN], plants.needs[Need.PARENT]
    markers = plants.needs[Need.MARKERS]
    if again:
        text += f" {fmt.count(again)} {agreeing(again, 'needs', 'need')} a second sample."
    if parent:
        text += f" {fmt.count(parent)} {agreeing(parent, 'waits', 'wait')} for a parent to be typed."
    if markers:
        text += (
            f" {fmt.count(markers)} {agreeing(markers, 'needs', 'need')} more markers: too few tell the "
            "parents apart."
        )
    if plants.held:
        text += f" {fmt.count(plants.held)} {agreeing(plants.held, 'is', 'are')} on hold."
    return text + wanted


_ONLY = {
    Pile.KEEP: "can be kept as a proven hybrid",
    Pile.CULL: "can leave the glasshouse",
    Pile.SAMPLE_AGAIN: "needs a second sample",
    Pile.WAIT: "has to wait until a parent or more markers are typed",
    Pile.HOLD: "is on hold",
}


def _none(number: int) -> str:
    return fmt.count(number) if number else "none"


def _targets(crosses: CrossesFacts) -> str:
    """How many crosses have the hybrids wanted of them, as a sentence after another; "" without targets."""
    if not crosses.wanting:
        return ""
    if not crosses.reached:
        return " No cross has the hybrids needed yet."
    if crosses.wanting == 1:
        return " The cross has the hybrids needed."
    have = agreeing(crosses.reached, "has", "have")
    return f" {fmt.count(crosses.reached)} of {fmt.count(crosses.wanting)} crosses {have} the hybrids needed."


def step_table(crosses: CrossesFacts) -> Table:
    """Every cross that is not done, in the order of the steps; most flowers first."""
    rows = [
        (
            c.cross,
            c.mother,
            c.father,
            str(c.step),
            c.detail,
            f"{fmt.count(c.hybrids)} of {fmt.count(c.target)}",
            _suffices(c.p_target) if c.step is NextStep.TEST_SEED else "",
        )
        for c in crosses.left
    ]
    return table_of(
        "steps",
        "Crosses with something left to do, in the order of the steps",
        [
            ("cross", "name"),
            ("mother", "name"),
            ("father", "name"),
            ("next step", "name"),
            ("what it needs", "text"),
            ("hybrids so far", "number"),
            ("chance that stored seed suffices", "number"),
        ],
        rows,
        most=60,
        rest="All are in worklist.xlsx.",
    )


def _suffices(chance: float) -> str:
    return "none" if math.isfinite(chance) and chance <= 0 else fmt.share(chance)
