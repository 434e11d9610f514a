"""What to do now: the four piles of plants, the crosses to repeat, and the seed still to test."""

from __future__ import annotations

import numpy as np

from crossproof.model.results import Decision
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
    Decision.KEEP: "hybrids, proven to the threshold",
    Decision.CULL: "selfs, outcrosses, off pedigree",
    Decision.RETEST: "no verdict yet; sample again",
    Decision.HOLD: "their plate, file, tag or parent tube is in doubt",
}


def section(inputs: ReportInputs) -> Section:
    """The section that opens the report."""
    decisions = texts(inputs.verdicts, "decision")
    counts = {d: decisions.count(d.value) for d in Decision}
    repeats, tests = repeat_table(inputs), seed_table(inputs)
    cards = [
        Card(d.value, DECISION_WORDS[d][0], fmt.count(counts[d]), MEANINGS[d], "#plants", d.value)
        for d in Decision
        if d is not Decision.HOLD or counts[d]
    ]
    flowers = float(np.nansum(numbers(inputs.crosses, "flowers_to_repeat")))
    cards.append(
        Card(
            "repeat",
            "Repeat",
            fmt.count(len(repeats.rows)),
            f"crosses, {fmt.noun(flowers, 'flower')} in all" if repeats.rows else "crosses; none is needed",
            "#repeat",
        )
    )
    blocks: list[Block] = [Cards(tuple(cards))]
    if counts[Decision.HOLD]:
        blocks.append(
            Notice(
                Tone.STOP,
                f"Do not act on {fmt.noun(counts[Decision.HOLD], 'plant')} yet",
                "A finding on their plate, genotype file, tag or parent tube could exchange verdicts between "
                "plants. "
                "Settle the finding first; the next section says how.",
            )
        )
    blocks.append(
        Notice(
            Tone.CARE,
            "Before anything is thrown away",
            "A verdict is a probability, not a certainty. Keep remnant seed of everything that cannot be "
            "made "
            "again, and retest rather than cull a plant that is the last of its cross.",
        )
    )
    if len(inputs.changes):
        blocks.append(_changes_notice(inputs))
    blocks += [Heading("Every plant, ready for the walk along the benches"), Live("plants")]
    if repeats.rows:
        blocks += [Heading("Crosses to repeat"), repeats]
    if tests.rows:
        blocks += [Heading("Seed in store to test first"), tests]
    total = _cost(inputs)
    if total:
        blocks.append(Prose(total))
    return Section("do", "What to do now", "To do", _lead(inputs, counts), tuple(blocks))


def _cost(inputs: ReportInputs) -> str:
    """What the whole of next steps takes."""
    needed = float(np.nansum(numbers(inputs.crosses, "tests_needed")))
    cost = float(np.nansum(numbers(inputs.crosses, "test_cost")))
    if not needed:
        return ""
    text = f"To bring every cross to its target takes about {fmt.noun(needed, 'further test')} in all"
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
        "hybrids and "
        f"{fmt.count(counts[Decision.CULL])} can leave the glasshouse."
    )
    if counts[Decision.RETEST]:
        text += f" {fmt.count(counts[Decision.RETEST])} need a second sample."
    if len(inputs.crosses):
        hybrid, target = numbers(inputs.crosses, "hybrid"), numbers(inputs.crosses, "target_hybrids")
        known = np.isfinite(target)
        if known.any():
            reached = int((hybrid[known] >= target[known]).sum())
            text += (
                f" {fmt.count(reached)} of {fmt.noun(int(known.sum()), 'cross', 'crosses')} have the "
                "hybrids they need."
            )
    return text


def repeat_table(inputs: ReportInputs) -> Table:
    """Crosses to make again, most flowers first."""
    frame = inputs.crosses
    flowers = numbers(frame, "flowers_to_repeat")
    return _cross_table(
        "repeat",
        "Crosses to repeat, and how many flowers to pollinate",
        inputs,
        flowers,
        "flowers to pollinate",
    )


def seed_table(inputs: ReportInputs) -> Table:
    """Crosses whose stored seed should be genotyped next, most seeds first."""
    seeds = numbers(inputs.crosses, "seeds_to_test")
    return _cross_table(
        "stored", "Stored seed to genotype before a cross is repeated", inputs, seeds, "seeds to test"
    )


def _cross_table(id: str, caption: str, inputs: ReportInputs, number: np.ndarray, label: str) -> Table:
    frame = inputs.crosses
    extra = numbers(frame, "p_target") if id == "stored" else np.full(len(frame), np.nan)
    order = [
        int(i) for i in np.argsort(-np.nan_to_num(number), kind="stable") if np.nan_to_num(number[i]) > 0
    ]
    columns = {c: texts(frame, c) for c in ("cross_id", "mother", "father", "next_step")}
    hybrid, target = numbers(frame, "hybrid"), numbers(frame, "target_hybrids")
    rows = [
        (
            columns["cross_id"][i],
            columns["mother"][i],
            columns["father"][i],
            f"{fmt.count(hybrid[i])} of {fmt.count(target[i])}"
            if np.isfinite(target[i])
            else fmt.count(hybrid[i]),
            fmt.count(number[i]),
            fmt.share(extra[i]),
            columns["next_step"][i],
        )
        for i in order
    ]
    return table_of(
        id,
        caption,
        [
            ("cross", "name"),
            ("mother", "name"),
            ("father", "name"),
            ("hybrids so far", "number"),
            (label, "number"),
            ("chance that stored seed suffices", "number"),
            ("why", "text"),
        ],
        rows,
        most=60,
        rest="All are in worklist.xlsx.",
    )
