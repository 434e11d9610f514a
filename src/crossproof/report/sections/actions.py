"""What to do now: the piles of plants, and the next step of every cross that still needs something."""

from __future__ import annotations

import numpy as np

from crossproof.model.results import Decision, NextStep, Reason
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
from crossproof.report.content.marks import DECISION_WORDS
from crossproof.text import shown

MEANINGS = {
    Decision.KEEP: "proven to be hybrid",
    Decision.CULL: "self, outcross or off pedigree",
    Decision.RETEST: "no verdict yet; sample again",
    Decision.HOLD: "in doubt: plate, file, tag or parent sample",
}


def section(inputs: ReportInputs) -> Section:
    """The section that opens the report."""
    decisions = texts(inputs.verdicts, "decision")
    counts = {d: decisions.count(d.value) for d in Decision}
    cards = [
        Card(d.value, DECISION_WORDS[d][0], fmt.count(counts[d]), MEANINGS[d], "#plants", d.value)
        for d in Decision
        if d is not Decision.HOLD or counts[d]
    ]
    blocks: list[Block] = [Cards((*cards, _repeat_card(inputs)))]
    if counts[Decision.HOLD]:
        blocks.append(
            Notice(
                Tone.STOP,
                f"Do not act on {fmt.noun(counts[Decision.HOLD], 'plant')} yet",
                "A finding about their plate, genotype file, tag or parent tube could exchange verdicts "
                "between plants. Settle the finding first; the next section says how.",
            )
        )
    blocks.append(
        Notice(
            Tone.CARE,
            "Before anything is thrown away",
            "A verdict is a probability, not a certainty. Keep remnant seed of everything that cannot be "
            "made again, and retest rather than cull a plant that is the last of its cross.",
        )
    )
    if len(inputs.changes):
        blocks.append(_changes_notice(inputs))
    blocks += [Heading("Every plant, in the order of the walk"), Live("plants")]
    steps = step_table(inputs)
    if steps.rows:
        blocks += [Heading("Next step of every cross that needs one"), steps]
    total = _cost(inputs)
    if total:
        blocks.append(Prose(total))
    return Section("do", "What to do now", "To do", _lead(inputs, counts), tuple(blocks))


def _repeat_card(inputs: ReportInputs) -> Card:
    steps = texts(inputs.crosses, "next_step")
    repeats = steps.count(NextStep.REPEAT.value)
    flowers = float(np.nansum(numbers(inputs.crosses, "flowers_to_repeat")))
    if not repeats:
        sentence = "crosses; none has to be repeated now"
    else:
        sentence = "cross" if repeats == 1 else "crosses"
        sentence += f", {fmt.noun(flowers, 'flower')} in all" if flowers else ""
    return Card("repeat", "Repeat", fmt.count(repeats), sentence, "#steps")


def _cost(inputs: ReportInputs) -> str:
    """What testing the stored seed, and the seed of new flowers, takes."""
    needed = float(np.nansum(numbers(inputs.crosses, "tests_needed")))
    cost = float(np.nansum(numbers(inputs.crosses, "test_cost")))
    if not needed:
        return ""
    text = f"Testing this stored seed, and the seed of these flowers, takes about {fmt.noun(needed, 'test')}"
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
    return Notice(
        Tone.CARE,
        f"{fmt.noun(len(some), 'verdict')} changed since the last run",
        f"{'; '.join(some[:3])}{more}. The causes are listed under Inputs and versions.",
    )


def _lead(inputs: ReportInputs, counts: dict[Decision, int]) -> str:
    n = len(inputs.verdicts)
    if not n:
        return "No progeny plant has been genotyped yet."
    text = (
        f"Of {fmt.noun(n, 'plant')} genotyped, {fmt.count(counts[Decision.KEEP])} can be kept as proven "
        f"hybrids and {fmt.count(counts[Decision.CULL])} can leave the glasshouse."
    )
    few = [
        reason == Reason.FEW_CONTRASTS and decision == Decision.RETEST
        for reason, decision in zip(
            texts(inputs.verdicts, "reason"), texts(inputs.verdicts, "decision"), strict=True
        )
    ].count(True)
    again = counts[Decision.RETEST] - few
    if again:
        text += f" {fmt.count(again)} {'needs' if again == 1 else 'need'} a second sample."
    if few:
        need = "needs" if few == 1 else "need"
        text += f" {fmt.count(few)} {need} more markers: too few tell the parents apart."
    if len(inputs.crosses):
        hybrid, target = numbers(inputs.crosses, "hybrid"), numbers(inputs.crosses, "target")
        wanted = target > 0
        if wanted.any():
            reached = int((hybrid[wanted] >= target[wanted]).sum())
            have = "has" if reached == 1 else "have"
            text += (
                f" {fmt.count(reached)} of {fmt.noun(int(wanted.sum()), 'cross', 'crosses')} {have} the "
                "hybrids needed."
            )
    return text


def step_table(inputs: ReportInputs) -> Table:
    """Every cross that is not done, in the order of the steps; most flowers first."""
    frame = inputs.crosses
    rank = {step.value: k for k, step in enumerate(NextStep)}
    t = {c: texts(frame, c) for c in ("cross_id", "mother", "father", "next_step", "next_step_detail")}
    x = {c: numbers(frame, c) for c in ("hybrid", "target", "p_target", "flowers_to_repeat")}
    left = [i for i, step in enumerate(t["next_step"]) if step in rank and step != NextStep.DONE]
    order = sorted(left, key=lambda i: (rank[t["next_step"][i]], -np.nan_to_num(x["flowers_to_repeat"][i])))
    rows = [
        (
            t["cross_id"][i],
            t["mother"][i],
            t["father"][i],
            t["next_step"][i],
            t["next_step_detail"][i],
            f"{fmt.count(x['hybrid'][i])} of {fmt.count(x['target'][i])}",
            fmt.share(x["p_target"][i]) if t["next_step"][i] == NextStep.TEST_SEED else "",
        )
        for i in order
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
