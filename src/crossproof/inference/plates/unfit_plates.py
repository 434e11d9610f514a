"""Plates that do not fit their sheet, and that nothing that was tried explains: held, without a proposal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import all_alike
from crossproof.inference.plates.disorder import Disorder, disorder
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.plate_excess import (
    FIT_SHARE,
    Excess,
    OddPlants,
    excess,
    fit_one_another,
    odd_as_labelled,
    odd_plants,
    season_shares,
)
from crossproof.inference.plates.repeated_shifts import shifted_alike
from crossproof.inference.plates.tag_explanations import Examined, ask_all
from crossproof.inference.plates.uncertain_order import only_pairs, order_doubt
from crossproof.model.arrays import Bools
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import percent

MOST_FAULTS = 3
"""More steps than this on one plate are no explanation, but a sign that the true one is missing."""
MOST_SMALL = 2
"""The same of rows, columns, pods and pairs of wells, tags aside."""
MOST_PAIRS = 1
"""The same of pairs of wells: two pairs at once are rarer than a sheet in disorder."""
LEAST_EXCESS = 0.0
"""log10 odds from which a plate is held: a hold asks to look at the sheet, and a plant culled is gone."""
LEAST_DISORDER = -0.95
"""The same where odd plants stand in one another's places (see `disorder`): a chance of one in ten. Of 61
plates with 15 % of their plants in disorder (seeds 120000 to 120060 of benchmarks/plate_seasons.py) 58 have 0
and more, of 420 faultless ones of plate_faults.py none has -0.8."""
MANY_DISORDERED, LEAST_OF_MANY = 5, -2.0
"""The same, 1 in 100, of so many plants: of 140 plates without a fault (seeds 200000 to 200069 and 201000 to
201069 of benchmarks/plate_faults.py) none has more than two above 1e-4."""
LEAST_DISORDERED = 3
"""Fewest plants in one another's places that hold a plate: two are a pair, which is named by itself."""


def unfit_findings(
    examined: Sequence[Examined], explained: frozenset[str], each: Each = one_by_one
) -> dict[str, Finding]:
    """By plate, the finding that it does not fit its sheet; plates that fit, or are explained, have none.

    `explained`: samples of which other findings (tags, parents) say what they are.
    """
    labelled = ask_all(odd_as_labelled, examined, each)
    elsewhere = season_shares(labelled)

    def of_plate(i: int) -> Finding | None:
        x, plate = examined[i], examined[i].plate
        if all_alike(plate) or not len(labelled[i].wells):
            return None
        shares = elsewhere[i]
        free = np.array([s not in explained for s in plate.samples], dtype=bool)
        left = (
            odd_plants(x.scores, x.search.matrix, x.search.identity)
            if x.search.steps or (x.search.start != plate.identity).any()
            else labelled[i]
        )
        rest = excess(plate, x.search.identity, left, shares, free)
        first = rest if left is labelled[i] else excess(plate, plate.identity, labelled[i], shares, free)
        stands_out = rest is not None and rest.log10_odds >= LEAST_EXCESS
        if only_pairs(x):
            stands_out |= first is not None and first.log10_odds >= LEAST_EXCESS
        ordered = _in_disorder(x, free)
        piecemeal = _piecemeal(x)
        mostly = _mostly_odd(x, left, free)
        if stands_out or piecemeal or mostly:
            return _finding(x, labelled[i], first or rest, None)
        return None if ordered is None else _finding(x, labelled[i], None, ordered)

    found = each(of_plate, range(len(examined)))
    return {x.plate.name: f for x, f in zip(examined, found, strict=True) if f is not None}


def _in_disorder(x: Examined, open_wells: Bools) -> Disorder | None:
    """The plants that may stand in one another's places, if so many that no verdict on the plate can stand.

    Some of many plants in disorder always fit each other's rows: pairs of them explain a part of it only.
    Where the best order is not likely enough, all orders together may be.
    """
    pairs, plate = only_pairs(x), x.plate
    matrix = x.search.labelled if pairs else x.search.matrix
    found = disorder(x.scores, matrix, plate.identity if pairs else x.search.identity, open_wells)
    moved = len(found.wells)
    least = LEAST_OF_MANY if moved >= MANY_DISORDERED else LEAST_DISORDER
    if moved >= LEAST_DISORDERED and found.log10_odds >= least:
        return found
    doubt = order_doubt(x, open_wells)
    if doubt is None or doubt.most <= 0:
        return None
    odds = float(np.log10(doubt.most / max(1.0 - doubt.most, 1e-9)))
    return Disorder(doubt.signs, odds) if odds >= LEAST_DISORDER else None


def _piecemeal(x: Examined) -> bool:
    """Whether so many small faults would have to come together that they explain nothing.

    Rows or columns that were shifted the same way are one.
    """
    steps = x.search.steps
    alike = shifted_alike(x.plate.format, [s.words for s in steps])
    small = sum(s.tags is None for s in steps) - alike
    pairs = sum(s.wells is not None for s in steps)
    return len(steps) - alike > MOST_FAULTS or small > MOST_SMALL or pairs > MOST_PAIRS


def _mostly_odd(x: Examined, left: OddPlants, free: np.ndarray) -> bool:
    """Whether most plants, of several crosses, fit nothing that was tried."""
    here = free[left.wells]
    odd = left.odd & here
    crosses = np.unique(x.search.identity[left.wells[odd]])
    return bool(odd.sum() >= 8 and odd.sum() > 0.5 * here.sum() and len(crosses) >= 2)


def _finding(x: Examined, odd: OddPlants, stands_out: Excess | None, ordered: Disorder | None) -> Finding:
    """`ordered`: the plants in disorder, if nothing else holds the plate."""
    plate = x.plate
    wells = odd.wells[odd.odd]
    text = f"{len(wells)} of {len(odd.wells)} plants of plate {plate.name} do not fit what the sheet says"
    odds = stands_out.log10_odds if stands_out is not None else float("nan")
    if ordered is not None:
        odds = ordered.log10_odds
        text += (
            f" of them, and {len(ordered.wells)} plants fit one another's rows: the chance is "
            f"{percent(1 / (1 + 10**-odds))} that the wells hold these plants in another order than the "
            "sheet lists them."
        )
    else:
        part = stands_out.part if stands_out is not None and odds >= LEAST_EXCESS else ""
        text += f" of them{f', most of all in {part}' if part else ''}"
        text += ", more than chance and the season's stray seed can explain."
    text += " No layout that was tried, exchange of plates, tag or parent line accounts for it."
    fit = fit_one_another(x.search.labelled, plate.identity, wells)
    if ordered is None and len(wells) and fit >= FIT_SHARE * len(wells):
        text += (
            f" {fit} of them fit one another's rows of the sheet: the wells hold these plants in another "
            "order than the sheet lists them."
        )
    if x.search.steps:
        text += f" It is not explained by: {'; '.join(s.words for s in x.search.steps[:3])}."
    return Finding(
        FindingKind.UNEXPLAINED,
        Scope.PLATE,
        plate.name,
        plate.name,
        text,
        "Compare the sheet with the list that the plate was filled from: rows sorted by name, a row too many "
        "or too few, a wrong sheet, file or label. Correct the sheet, or genotype the plate again.",
        wells=tuple(plate.place(int(w)) for w in wells),
        samples=tuple(plate.samples[w] for w in wells),
        log10_odds=odds,
        hold=Hold.PLATE,
    )
