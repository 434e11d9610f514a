"""Pods whose crossed plants are all hybrids of another tag's two lines: the pod may have come under this one.

Where both tags have their mother in common, an insect that brought pollen of one line to a flower leaves
the same pod. Which of the two it was the calls do not say, and the hybrids of the other tag are wanted: they
wait. Where the mother is another one, nothing but a pod in the wrong bag leaves a pod without seed of its
tag.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
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
FEWEST_WITHOUT_PODS = 3
"""The same of hybrids of another tag with another mother where pods are not recorded. No source."""
OF_CROSS, OF_LINE = "cross ", "line "
_OFF_PEDIGREE = CLASSES.index(Verdict.OFF_PEDIGREE)
_OUTCROSS, _SELF = CLASSES.index(Verdict.OUTCROSS), CLASSES.index(Verdict.SELF)


def strayed_twice(result: FamilyResult) -> bool:
    """Whether two plants or more would be culled as outcrosses with one donor, or as seed of one tag."""
    return _donors_twice(result) or any(n >= FEWEST for n in Counter(_other_tags(result)).values())


def _donors_twice(result: FamilyResult) -> bool:
    donors = result.donors[result.class_posterior.argmax(axis=1) == _OUTCROSS, 0].tolist()
    return len(donors) > len(set(donors))


def _other_tags(result: FamilyResult) -> list[str]:
    """Of every plant that leads as off pedigree and as a hybrid of another tag, that tag."""
    lead = result.class_posterior.argmax(axis=1)
    sources = result.sources[lead == _OFF_PEDIGREE, 0].tolist()
    return [s.removeprefix(OF_CROSS) for s in sources if s.startswith(OF_CROSS)]


def strayed_seed(result: FamilyResult, records: Records) -> dict[str, tuple[int, ...]]:
    """Per other tag, its hybrids (places) in pods that hold seed of no other: beside them selfs of a line at
    most. Where pods are not recorded, the tag's own seed may be among them."""
    lead = result.class_posterior.argmax(axis=1)
    pods = np.array([records.pods.get((result.cross_id, str(plant)), "") for plant in result.plants])
    found: dict[str, list[int]] = {}
    for tag in dict.fromkeys(_other_tags(result)):
        of_tag = (lead == _OFF_PEDIGREE) & (result.sources[:, 0] == OF_CROSS + tag)
        selfed = (lead == _OFF_PEDIGREE) & np.char.startswith(result.sources[:, 0].astype(np.str_), OF_LINE)
        for pod in dict.fromkeys(pods[of_tag].tolist()):
            within = pods == pod
            whole = not pod or bool((of_tag | selfed)[within].all())
            if whole and (of_tag & within).sum() >= (FEWEST if pod else FEWEST_WITHOUT_PODS):
                found.setdefault(tag, []).extend(np.flatnonzero(of_tag & within).tolist())
    return {tag: tuple(plants) for tag, plants in found.items()}


def _seed_findings(result: FamilyResult, wells: Wells, records: Records) -> list[Finding]:
    """A finding for every other tag of which pods lie under this one."""
    out = []
    for tag, plants in strayed_seed(result, records).items():
        places, samples = where_typed([(result, plants)], wells)
        n = count_of(len(plants), "plant")
        finding = Finding(
            FindingKind.OTHER_MOTHER,
            Scope.CROSS,
            "",
            result.cross_id,
            f"{n} of {result.cross_id} fit hybrids of the lines of {tag}, and no seed of {result.cross_id} "
            "is known to be of their pods: a pod in the wrong bag.",
            f"If a pod of {tag} came under this tag, they are the hybrids wanted there. Compare with the "
            f"crossing book and the bags, put {tag} into their rows of the sample sheet if so, and run "
            "again; they wait until then.",
            wells=places,
            samples=samples,
            other=tag,
            hold=Hold.SAMPLES,
        )
        out.append(finding)
    return out


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
    found: list[Finding], result: FamilyResult, wells: Wells, records: Records, named: Collection[str]
) -> list[Finding]:
    """The findings, and those on the pods of a family; where one on its pollen is there, that one holds.

    `named`: crosses that the plate checks found to be another.
    """
    if result.cross_id not in named:
        found = [*found, *_seed_findings(result, wells, records)]
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
