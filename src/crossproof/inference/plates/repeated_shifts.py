"""Rows or columns that were all shifted the same way: a pipette that sits a well low does so more than once.

The first such strip of a plate is rare; another one is not. Where a plate has one, the prior of the next is

    AGAIN / strips that could have been shifted that way

and as long as none is taken, the likeliest of a way counts for what all of them explain: three columns that
were shifted are not to be taken for a plate shifted from the first of them on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.proposals import NEVER, Proposal
from crossproof.model.arrays import Bools, Ints
from crossproof.model.layouts import Layout
from crossproof.model.part_layouts import shifted_strip_layouts, shifted_strip_ways
from crossproof.model.plates import PlateFormat

AGAIN = 0.3
"""Expected number of further strips shifted like the first. No source."""


def shifted_together(
    proposals: Sequence[Proposal], layouts: Sequence[Layout], ways: Ints, taken: Bools
) -> list[Proposal]:
    """The proposals with their odds given each other.

    `layouts`: all that could be proposed; `ways` (layout,): those with the same number are shifted the same
    way; `taken` (layout,): those that the plate is read by already.
    """
    again = np.log10(AGAIN / np.bincount(ways))
    place = {layout.words: i for i, layout in enumerate(layouts)}
    way_of = [int(ways[place[p.words]]) for p in proposals]
    out = list(proposals)
    for way in sorted(set(way_of)):
        mine = [i for i, w in enumerate(way_of) if w == way]
        if taken[ways == way].any():
            for i in mine:
                out[i] = replace(out[i], log10_odds=out[i].likelihood + float(again[way]))
            continue
        may_be = [i for i in mine if out[i].least is not NEVER]
        if may_be:
            first = max(may_be, key=lambda i: out[i].log10_odds)
            rest = [out[i].likelihood for i in mine if i != first and out[i].likelihood > -again[way]]
            out[first] = replace(
                out[first],
                log10_odds=out[first].log10_odds + float(sum(x + again[way] for x in rest)),
                likelihood=out[first].likelihood + sum(rest),
            )
    return out


def shifted_alike(plate: PlateFormat, words: Sequence[str]) -> int:
    """How many of the layouts with these words are a further row or column shifted like another of them."""
    ways = dict(
        zip((x.words for x in shifted_strip_layouts(plate)), shifted_strip_ways(plate).tolist(), strict=True)
    )
    found = [ways[w] for w in words if w in ways]
    return len(found) - len(set(found))
