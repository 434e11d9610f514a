"""Crosses: the table that opens to the plants of each."""

from __future__ import annotations

import numpy as np

from crossproof.model.results import Provable
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import Block, Live, Notice, Section, Tone
from crossproof.report.content.inputs import ReportInputs, numbers, texts


def section(inputs: ReportInputs) -> Section:
    """Every cross with its plants."""
    blocks: list[Block] = []
    unprovable = _of(inputs, Provable.NO)
    if unprovable:
        blocks.append(
            Notice(
                Tone.CARE,
                f"{fmt.noun(len(unprovable), 'cross', 'crosses')} cannot be proven with this panel",
                f"The parents differ at too few markers: {_some(unprovable)}. No plant of them is called "
                "hybrid or self, and none counts towards a target. The planning command says which markers "
                "would help.",
            )
        )
    open_ = [*_of(inputs, Provable.PARTLY), *_of(inputs, Provable.BORDERLINE)]
    if open_:
        blocks.append(
            Notice(
                Tone.CARE,
                f"In {fmt.noun(len(open_), 'cross', 'crosses')} the panel may leave plants without a verdict",
                f"The markers prove fewer plants than wanted, or it is borderline: {_some(open_)}. The "
                "plants that have a verdict are proven all the same.",
            )
        )
    blocks.append(Live("crosses"))
    return Section("crosses", "Cross by cross", "Crosses", _lead(inputs), tuple(blocks))


def _of(inputs: ReportInputs, state: Provable) -> list[str]:
    """Crosses in one state of proof."""
    frame = inputs.crosses
    found = zip(texts(frame, "cross_id"), texts(frame, "verifiable"), strict=True)
    return [cross for cross, said in found if said == state]


def _some(names: list[str], most: int = 8) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _lead(inputs: ReportInputs) -> str:
    frame = inputs.crosses
    if not len(frame):
        return "No crosses are recorded."
    tested = int((np.nan_to_num(numbers(frame, "tested")) > 0).sum())
    none = int(((np.nan_to_num(numbers(frame, "tested")) > 0) & (numbers(frame, "hybrid") == 0)).sum())
    text = (
        f"{fmt.noun(len(frame), 'cross', 'crosses')} are on record and {fmt.count(tested)} have plants "
        "with calls."
    )
    if none:
        text += f" {fmt.noun(none, 'tested cross', 'tested crosses')} gave no hybrid at all."
    return text + " Open a cross to see its plants; open a plant to see its evidence."
