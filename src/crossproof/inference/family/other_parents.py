"""Tags whose plants have another parent than the recorded one: what is said of them, and which plants wait.

A row that renames the parent is proposed where the plants of it cannot be the work of one insect; they wait
for its answer, for if it is so they are the hybrids wanted.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from crossproof.inference.season_results import FamilyResult
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.results import CLASSES, Verdict
from crossproof.text import agreeing, count_of

SIDES = ("mother", "father")
FEWEST_OF_A_FATHER = 3
"""Plants of one foreign line, from two pods or more, that a row which renames a tag's father asks for."""
LARGEST_POD = 6
"""Seeds of a pod that one insect may have made, where pods are not recorded (common practice, no source)."""
_OF_ANOTHER_TAG = (
    " Another tag of the season is of {} and {}: if a bag or a pod of it came under this one, these plants "
    "are hybrids of it; they wait."
)
Wells = Mapping[tuple[str, str], tuple[tuple[str, str], ...]]
"""Per cross and plant: sample and place (PLATE:WELL) of each of its wells."""


@dataclass(frozen=True)
class Records:
    """What the season's records say, as far as another parent is weighed by it.

    `lines`: names of the season's lines; `pods`: pod by cross and plant, where recorded; `pairs`: the two
    lines of every cross.
    """

    lines: Collection[str] = ()
    pods: Mapping[tuple[str, str], str] = field(default_factory=dict)
    pairs: Collection[frozenset[str]] = ()


def places_of_plants(
    results: Sequence[FamilyResult], wells: Wells, leading: frozenset[Verdict]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Places and samples of plants whose likeliest class is one of these."""
    classes = [CLASSES.index(verdict) for verdict in leading]
    return where_typed(
        [(r, np.flatnonzero(np.isin(r.class_posterior.argmax(axis=1), classes)).tolist()) for r in results],
        wells,
    )


def where_typed(
    plants: Sequence[tuple[FamilyResult, Sequence[int]]], wells: Wells
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Places and samples of these plants (by number) of families, as far as they are typed."""
    of_plants = [
        place
        for result, numbers in plants
        for i in numbers
        if result.wells[i]
        for place in wells.get((result.cross_id, str(result.plants[i])), ())
    ]
    return tuple(place for _, place in of_plants), tuple(sample for sample, _ in of_plants)


def other_parent(
    result: FamilyResult,
    side: int,
    wells: Wells,
    records: Records,
    on_tube: bool = False,
) -> Finding:
    """The finding on a tag whose plants have another parent on a `side` (0 mother, 1 father).

    `on_tube`: only the recorded mother's own tube speaks against her, and another line's tube may as well
    hold her DNA.
    """
    versions = (result.mother_versions, result.father_versions)[side]
    line = (result.mother, result.father)[side]
    shown = next((str(v) for v in versions if str(v) != line), "another plant")
    leading = frozenset({(Verdict.OFF_PEDIGREE, Verdict.OUTCROSS)[side]})
    places, samples = places_of_plants([result], wells, leading)
    kind = (FindingKind.OTHER_MOTHER, FindingKind.OTHER_POLLEN)[side]
    # A tag with hybrids of its own as well got pollen of both: no other father mends its record.
    lead = [CLASSES[k] for k in result.class_posterior.argmax(axis=1).tolist()]
    odd = [i for i, verdict in enumerate(lead) if verdict in leading]
    n = len(odd)
    of_it, several = n, True
    if side and shown in records.lines:
        given = [str(result.plants[i]) for i in odd if str(result.donors[i, 0]) == shown]
        # Stray pollen of many lines is none of one: what the row says has to be so for three plants of four.
        of_it, several = (
            len(given),
            _several_visits([records.pods.get((result.cross_id, p), "") for p in given]),
        )
    one = shown in records.lines and Verdict.HYBRID not in lead and 4 * of_it >= 3 * n
    whole = one and several and not on_tube
    wanted = one and side == 1 and frozenset({result.mother, shown}) in records.pairs
    row = Correction((CorrectionKind.MOTHER_IS, CorrectionKind.FATHER_IS)[side], result.cross_id, shown)
    return Finding(
        kind,
        Scope.CROSS,
        "",
        result.cross_id,
        f"{n} of {count_of(len(lead), 'plant')} of {result.cross_id} {agreeing(n, 'has', 'have')} a "
        f"{SIDES[side]} that is not {line}{_named(shown, of_it, n)}.",
        f"Type one more plant of {line} and of {shown} before anything is corrected."
        if one and on_tube
        else _advice(SIDES[side], shown, result.cross_id, one, whole)
        + (_OF_ANOTHER_TAG.format(shown, result.mother) if wanted and not whole else ""),
        wells=places,
        samples=samples,
        other=shown,
        corrections=(row,) if whole else (),
        hold=Hold.SAMPLES if whole or wanted else Hold.NOTHING,
    )


def _advice(side: str, shown: str, cross: str, one: bool, whole: bool) -> str:
    """What to do: `one` line of the season is the parent of all, `whole`: a row says so."""
    if whole:
        return (
            f"Compare with the crossing book. If {shown} was the {side}, add the proposed row to "
            "corrections.csv and run again."
        )
    if one:
        return (
            f"Compare with the crossing book. So few plants may be the work of one insect; if {shown} "
            f"was the {side} of the whole tag, write the row {side} is,{cross},{shown} into corrections.csv."
        )
    return f"Check the crossing book. If another plant was used as {side}, type it."


def _several_visits(pods: Sequence[str]) -> bool:
    """Whether plants of these pods ("" where unknown), all of one foreign father, come of a person's work
    rather than of one visit of an insect, whose pollen serves a whole pod.
    """
    if "" in pods:
        return len(pods) > LARGEST_POD
    return len(pods) >= FEWEST_OF_A_FATHER and len(set(pods)) > 1


def _named(line: str, of_it: int, n: int) -> str:
    """Words for the line that `of_it` of `n` foreign plants are of."""
    if of_it == 0:
        return "; they are not all of one line" if n > 1 else "; which line it is does not show"
    return f": {line}" if of_it == n else f": {line} for {of_it} of them"
