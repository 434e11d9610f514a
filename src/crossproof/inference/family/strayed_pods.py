"""Pods whose crossed plants are all hybrids of another tag's two lines: the pod may have come under this one.

An insect that brought pollen of one line to a flower leaves the same pod. Which of the two it was the calls
do not say, and the hybrids of the other tag are wanted: they wait.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.family.other_parents import Records, Wells, where_typed
from crossproof.inference.season_results import FamilyResult
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.results import CLASSES, Verdict
from crossproof.text import count_of

FEWEST = 2
"""Outcrosses of one donor in a pod from which it may be one of another tag; one alone is stray pollen more
often than a seed that strayed. No source."""
_OUTCROSS, _SELF = CLASSES.index(Verdict.OUTCROSS), CLASSES.index(Verdict.SELF)


def donors_twice(result: FamilyResult) -> bool:
    """Whether two plants or more would be culled as outcrosses with one donor."""
    donors = result.donors[result.class_posterior.argmax(axis=1) == _OUTCROSS, 0].tolist()
    return len(donors) > len(set(donors))


def strayed_plants(result: FamilyResult, records: Records) -> dict[str, tuple[int, ...]]:
    """Per donor, the outcrosses (places) of pods that may be of another tag; plants without a pod are one."""
    lead = result.class_posterior.argmax(axis=1)
    pods = np.array([records.pods.get((result.cross_id, str(plant)), "") for plant in result.plants])
    found: dict[str, list[int]] = {}
    for pod in dict.fromkeys(pods.tolist()):
        crossed = np.flatnonzero((pods == pod) & (lead != _SELF)).tolist()
        outcrosses = [i for i in crossed if lead[i] == _OUTCROSS]
        donor = str(result.donors[outcrosses[0], 0]) if outcrosses else ""
        other_seed = [i for i in crossed if lead[i] != _OUTCROSS and result.sources[i, 0] != f"line {donor}"]
        of_it = all(result.donors[i, 0] == donor for i in outcrosses)
        wanted = donor in records.lines and frozenset({result.mother, donor}) in records.pairs
        if len(outcrosses) >= FEWEST and of_it and wanted and donor != result.father and not other_seed:
            found.setdefault(donor, []).extend(outcrosses)
    return {donor: tuple(plants) for donor, plants in found.items()}


def with_strayed_pods(
    found: list[Finding], result: FamilyResult, wells: Wells, records: Records
) -> list[Finding]:
    """The findings, and one on the pods of a family; where one on its pollen is there, that one holds."""
    strayed = strayed_plants(result, records)
    if not strayed:
        return found
    plants = sorted(i for of_donor in strayed.values() for i in of_donor)
    places, samples = where_typed([(result, plants)], wells)
    donors, n = " and ".join(strayed), len(plants)
    said = (
        f"Other tags of the season are of {result.mother} and {donors}: if a pod of them came under this "
        "tag, its plants are the hybrids wanted there. "
    )
    for k, f in enumerate(found):
        if f.kind is FindingKind.OTHER_POLLEN and f.subject == result.cross_id:
            held = f if f.hold is Hold.SAMPLES else replace(f, hold=Hold.SAMPLES, remedy=said + f.remedy)
            return [*found[:k], held, *found[k + 1 :]]
    finding = Finding(
        FindingKind.OTHER_POLLEN,
        Scope.CROSS,
        "",
        result.cross_id,
        f"{count_of(n, 'plant')} of {result.cross_id}, all crossed seed of their pods, have pollen of "
        f"{donors}: the work of an insect, or a pod of another tag.",
        f"{said}Compare with the crossing book and the bags; they wait until then.",
        wells=places,
        samples=samples,
        other=donors,
        hold=Hold.SAMPLES,
    )
    return [*found, finding]
