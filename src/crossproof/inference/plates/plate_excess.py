"""More plants that fit no tag of their own on a plate, or on part of it, than the season has elsewhere.

A plant is *stray* if another cross of its plate explains it better than all that can come under its own tag,
stray seed being as rare as it is; *odd* if it is stray, or fits nothing its tag allows. Plants of one pod go
astray together, so that pods are counted, not plants:

    x ~ Binomial(n, b)     as elsewhere; b the season's share, with a beta prior
    x ~ Binomial(n, p)     p anything above b: part of the plate is not what its sheet says

for the plate, its halves, quadrants, rows and columns. Where the odd wells fit one another's rows of the
sheet (an assignment problem), the wells hold the sheet's plants in another order.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.special import betaincc

from crossproof.inference.plates.arrays import Plate
from crossproof.inference.plates.proposals import GAIN, clipped, misfit_wells
from crossproof.inference.plates.score_matrix import UNKNOWN, Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.stray_seed import STRAY_SHARE
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.inference.plates.well_pairs import loose_plants
from crossproof.model.arrays import Bools, Ints

STRAY_BASE, STRAY_WORTH = 0.005, 200.0
"""Beta prior of the share of stray plants of a faultless plate: mean, and plants that it is worth."""
ODD_BASE, ODD_WORTH = 0.03, 100.0
"""The same of odd ones, with seed of other lines, later generations and unresolved parents among them."""
PRIOR_PART = 2e-2
"""Share of plates on part of which the sheet is wrong in a way that no layout names."""
PARTLY = 0.3
"""Share of these on which a single half, quadrant, row or column is wrong."""
LEAST_ODD = 3
"""Fewest odd pods that hold a plate."""
ODD_PLATE = 0.15
"""A plate with a larger share of odd plants tells nothing of the season's share, unless most are so."""
LEAST_REST = 20
"""Fewest plants of the rest of a plate against which a part of it is held as well."""
MOST_REST = 0.5
"""Largest share of odd plants of the rest that is taken for its own."""
FIT_SHARE = 0.6


@dataclass(frozen=True)
class OddPlants:
    """Plants of a plate that do not fit: called wells with progeny (w,), which of them are stray or odd, and
    the identity that each fits best."""

    wells: Ints
    stray: Bools
    odd: Bools
    fits: Ints


@dataclass(frozen=True)
class Excess:
    """The part of a plate that stands out: its name, odd plants and plants there, log10 odds."""

    part: str
    odd: int
    plants: int
    log10_odds: float


def odd_plants(scores: PlateScores, matrix: Matrix, identity: Ints) -> OddPlants:
    """Which called plants fit no tag of their own, each judged with all that its tag can bring."""
    plate, n = scores.plate, scores.season.n_lines
    called = plate.n_called >= 0.3 * plate.n_markers
    wells = np.flatnonzero(called & (identity >= n))
    stray = np.zeros(len(plate), dtype=bool)
    fits = identity.copy()
    loose = loose_plants(scores, matrix, identity)
    loose = loose[called[loose]]
    if len(loose):
        tags = tag_scores(scores, matrix, identity, loose)
        own = tags.full[np.arange(len(loose)), np.searchsorted(tags.crosses, identity[loose] - n)]
        anywhere = np.logaddexp.reduce(tags.full, axis=1) - np.log(len(tags.crosses))
        stray[loose] = np.log(STRAY_SHARE) + anywhere > np.log1p(-STRAY_SHARE) + own
        fits[loose] = n + tags.crosses[tags.full.argmax(axis=1)]
    odd = stray | misfit_wells(matrix, identity, scores)
    return OddPlants(wells, stray[wells], odd[wells], fits[wells])


def odd_as_labelled(x: Examined) -> OddPlants:
    """The same of a plate as its sheet has it."""
    return odd_plants(x.scores, x.search.labelled, x.plate.identity)


def _pods(plate: Plate, identity: Ints, found: OddPlants, chosen: Bools) -> int:
    """Pods among the chosen plants; runs of wells where no pods are recorded.

    A pod counts once for each cross that its stray plants fit, and once for all its plants that fit none.
    """
    keys = set()
    last: tuple[int, ...] = ()
    for place in np.flatnonzero(chosen):
        w, fit = int(found.wells[place]), int(found.fits[place]) if found.stray[place] else UNKNOWN
        pod = plate.pods[w] if plate.pods else ""
        if pod:
            keys.add((int(identity[w]), pod, fit))
            continue
        row, column = int(plate.rows[w]), int(plate.columns[w])
        new = (int(identity[w]), fit, row, column)
        beside = bool(last) and last[:2] == new[:2] and abs(last[2] - row) + abs(last[3] - column) <= 1
        if not beside:
            keys.add((int(identity[w]), f"\0{w}", fit))
        last = new
    return len(keys)


def _parts(plate: Plate) -> Iterator[tuple[str, float, Bools]]:
    """Name, share of the prior and wells of the plate and its parts."""
    R, C = plate.format.rows, plate.format.columns
    yield "", 1.0, np.ones(len(plate), dtype=bool)
    if not plate.placed:
        return
    r, c = plate.rows, plate.columns
    parts = [
        ("the left half", c < C // 2),
        ("the right half", c >= C // 2),
        ("the top half", r < R // 2),
        ("the bottom half", r >= R // 2),
    ]
    if R >= 16:
        parts += [(f"quadrant {2 * a + b + 1}", (r % 2 == a) & (c % 2 == b)) for a in (0, 1) for b in (0, 1)]
    parts += [
        (f"row {plate.well_name(int(np.flatnonzero(r == x)[0]))[:-1].rstrip('0123456789')}", r == x)
        for x in np.unique(r)
    ]
    parts += [(f"column {x + 1}", c == x) for x in np.unique(c).tolist()]
    for name, wells in parts:
        yield name, PARTLY / len(parts), wells


def log10_excess(x: int, n: int, base: float) -> float:
    """log10 of P(x of n | any share above `base`) over P(x of n | `base`)."""
    above = np.log(betaincc(x + 1, n - x + 1, base)) - np.log(n + 1.0) - np.log1p(-base)
    choose = sum(np.log((n - i) / (i + 1)) for i in range(x))
    as_elsewhere = choose + x * np.log(base) + (n - x) * np.log1p(-base)
    return float((above - as_elsewhere) / np.log(10))


def season_shares(found: Sequence[OddPlants]) -> list[tuple[float, float]]:
    """For every plate the shares of stray and of odd plants on the others, drawn to the priors."""
    counts = np.array([[len(f.wells), f.stray.sum(), f.odd.sum()] for f in found], dtype=np.int64)
    share = [float(f.odd.mean()) if len(f.wells) else 0.0 for f in found]
    sound = np.array(share) <= ODD_PLATE
    every, of_sound, n_sound = counts.sum(axis=0), counts[sound].sum(axis=0), int(sound.sum())
    out = []
    for own, is_sound in zip(counts, sound.tolist(), strict=True):
        total = of_sound - own * is_sound
        if 2 * (n_sound - is_sound) < len(found) - 1:
            total = every - own
        plants, stray, odd = total.tolist()
        out.append(
            (
                (STRAY_BASE * STRAY_WORTH + stray) / (STRAY_WORTH + plants),
                (ODD_BASE * ODD_WORTH + odd) / (ODD_WORTH + plants),
            )
        )
    return out


def excess(
    plate: Plate, identity: Ints, found: OddPlants, shares: tuple[float, float], open_wells: Bools
) -> Excess | None:
    """The part of a plate that stands out most, None if none does.

    `shares`: of stray and odd plants elsewhere. `open_wells` (well,): wells that no finding explains.
    """
    best, is_open = None, open_wells[found.wells]
    if max((found.stray & is_open).sum(), (found.odd & is_open).sum()) < LEAST_ODD:
        return None
    for name, weight, inside in _parts(plate):
        here = (inside & open_wells)[found.wells]
        n = int(here.sum())
        rest = (~inside & open_wells)[found.wells]
        for which, base in ((found.stray, shares[0]), (found.odd, shares[1])):
            chosen = which & here
            if chosen.sum() < LEAST_ODD:
                continue
            if rest.sum() >= LEAST_REST:  # a part stands out against the rest of its plate as well
                base = max(base, min(float(which[rest].mean()), MOST_REST))
            x = min(_pods(plate, identity, found, chosen), n)
            crosses = len(np.unique(identity[found.wells[chosen]]))
            if x < LEAST_ODD or crosses < 2:
                continue
            odds = log10_excess(x, n, base) + float(np.log10(PRIOR_PART / 2 * weight))
            if best is None or odds > best.log10_odds:
                best = Excess(name, int(chosen.sum()), n, odds)
    return best


def fit_one_another(matrix: Matrix, identity: Ints, wells: Ints) -> int:
    """How many of some odd wells fit another's row of the sheet, one row each, better than their own.

    The assignment of wells to rows with the largest sum of bounded log scores (Kuhn-Munkres, scipy).
    """
    if len(wells) < 2:
        return 0
    own = matrix.own(identity)[wells]
    gain = clipped(matrix.table[np.ix_(wells, matrix.column(identity[wells]))] - own[:, None], matrix)
    row, column = linear_sum_assignment(gain, maximize=True)
    return int((gain[row, column] > GAIN).sum())
