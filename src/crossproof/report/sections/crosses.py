"""Crosses: the table that opens to the plants of each."""

from __future__ import annotations

import numpy as np

from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import Block, Live, Notice, Section, Tone
from crossproof.report.content.inputs import ReportInputs, numbers, texts


def section(inputs: ReportInputs) -> Section:
    """Every cross with its plants."""
    frame = inputs.crosses
    blocks: list[Block] = []
    unprovable = [
        c
        for c, v in zip(texts(frame, "cross_id"), texts(frame, "verifiable"), strict=True)
        if v in ("no", "False")
    ]
    if unprovable:
        some = ", ".join(unprovable[:8]) + (f" and {len(unprovable) - 8} more" if len(unprovable) > 8 else "")
        blocks.append(
            Notice(
                Tone.CARE,
                f"{fmt.noun(len(unprovable), 'cross', 'crosses')} cannot be proven with this panel",
                f"The parents differ at too few markers: {some}. The planning command says which markers "
                "would help.",
            )
        )
    blocks.append(Live("crosses"))
    return Section("crosses", "Cross by cross", "Crosses", _lead(inputs), tuple(blocks))


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
