"""Strips of tubes, one column of a plate each, that fell and were put back in another order.

Of k! orders in which the tubes of a strip may come to stand, many look alike:
k! / product of (tubes of one tag)! can be told apart. Two wells of a column that changed
places may be all that shows of it, with odds

    PRIOR_DROPPED / columns / orders that can be told apart  :  prior of these two wells

against two wells alone. A blank among seven sibs shows it by its own place only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import gammaln

from crossproof.inference.plates.arrays import EMPTY, SeasonTables
from crossproof.inference.plates.doubtful_wells import LEAST_SHARE
from crossproof.inference.plates.proposals import Proposal, misfit_wells
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.model.arrays import Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_DROPPED = 1e-3
"""Share of plates with a column whose tubes stand in another order. No source."""
LEAST_SIGNS = 2
"""Signs of tubes out of order in one column, a parent tube's among them, from which its plate is held."""


def moved_unseen(scores: PlateScores, proposal: Proposal, before: Ints) -> Ints:
    """Plants of the column of two swapped wells that may have changed places as well, among their sibs.

    `before` (well,): identities without the swap.
    """
    plate, none = scores.plate, np.empty(0, dtype=np.int64)
    assert proposal.wells is not None
    a, b = proposal.wells
    if plate.columns[a] != plate.columns[b]:
        return none
    strip = np.flatnonzero(plate.columns == plate.columns[a])
    _, tag, alike = np.unique(before[strip], return_inverse=True, return_counts=True)
    orders = float(np.exp(gammaln(len(strip) + 1) - gammaln(alike + 1).sum()))
    prior = 10.0 ** (proposal.log10_odds - proposal.likelihood)
    odds = PRIOR_DROPPED / len(np.unique(plate.columns)) / orders / prior
    if odds < LEAST_SHARE / (1 - LEAST_SHARE):
        return none
    sibs = (before[strip] >= scores.season.n_lines) & (alike[tag] > 1)
    return np.setdiff1d(strip[sibs], [a, b])


def _signs(
    x: Examined, found: Sequence[Finding], season: SeasonTables, single: frozenset[int]
) -> dict[int, int]:
    """How many things say, for each column with a parent tube that moved, that its tubes are out of order.

    Two wells that changed places, two lines that did, a line or a parent that is another, a plant or blank
    that fits nothing: each is one. `single`: lines with one tube; two tubes would contradict each other.
    """
    plate, identity, n = x.plate, x.plate.identity, season.n_lines
    columns = {int(c): frozenset(identity[plate.columns == c].tolist()) for c in np.unique(plate.columns)}
    moved: dict[int, int] = {}
    swapped = np.zeros(len(plate), dtype=bool)
    for step in x.search.steps:
        if step.wells is not None:
            a, b = step.wells
            swapped[[a, b]] = True
            if plate.columns[a] == plate.columns[b] and x.scores.tube[[a, b]].any():
                moved[int(plate.columns[a])] = moved.get(int(plate.columns[a]), 0) + 1
    for f in found:
        if f.kind in (FindingKind.LINES_SWAPPED, FindingKind.LINE_WRONG):
            lines = [f.subject, f.other] if f.kind is FindingKind.LINES_SWAPPED else [f.subject]
            tubes = {season.lines.index(name) for name in lines} & single
            for c, there in columns.items():
                if tubes & there:
                    moved[c] = moved.get(c, 0) + 1
    misfit = misfit_wells(x.search.matrix, x.search.identity, x.scores) & ~swapped
    misfit &= (identity == EMPTY) | (identity >= n)
    wrong = [season.crosses.index(f.subject) for f in found if f.kind is FindingKind.PARENT_WRONG]
    for c in moved:
        moved[c] += int((misfit & (plate.columns == c)).sum())
        moved[c] += sum(bool({int(season.mother[k]), int(season.father[k])} & columns[c]) for k in wrong)
    return moved


def without_rows_of_strips(
    found: Sequence[Finding], examined: Sequence[Examined], season: SeasonTables
) -> list[Finding]:
    """The findings; a plate with a column whose parent tubes are out of order waits, without any row.

    Its other tubes may stand anywhere in it, and what is judged by them is judged by the wrong line.
    """
    out = list(found)
    tubes = np.concatenate([x.plate.identity for x in examined]) if examined else np.empty(0, dtype=np.int64)
    lines, count = np.unique(tubes[(tubes >= 0) & (tubes < season.n_lines)], return_counts=True)
    single = frozenset(lines[count == 1].tolist())
    for x in examined:
        plate = x.plate
        if not plate.placed:
            continue
        fallen = [c for c, n in _signs(x, found, season, single).items() if n >= LEAST_SIGNS]
        if not fallen:
            continue
        which = f"column{'s' if len(fallen) > 1 else ''} {' and '.join(str(c + 1) for c in fallen)}"
        mine = set(plate.samples)
        for i, f in enumerate(out):
            if f.corrections and (plate.name in f.plates or mine.intersection(f.samples)):
                more = f" Nothing is proposed while {which} of plate {plate.name} is in question."
                out[i] = replace(f, corrections=(), reassigned=(), evidence=f.evidence + more)
        wells = np.flatnonzero(np.isin(plate.columns, fallen))
        out.append(
            Finding(
                FindingKind.UNEXPLAINED,
                Scope.PLATE,
                plate.name,
                plate.name,
                f"Parent tubes of {which} of plate {plate.name} do not hold their lines, and other wells "
                "there do not fit either: a strip of tubes may have fallen and been put back in another "
                "order. All that is judged by these tubes waits.",
                "Look at the tubes of this column, and genotype it again.",
                wells=tuple(plate.place(int(w)) for w in wells),
                samples=tuple(plate.samples[w] for w in wells),
                hold=Hold.PLATE,
            )
        )
    return out
