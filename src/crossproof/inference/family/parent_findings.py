"""Findings about parents and whole tags, from the hypotheses that the family model weighed.

- A parent whose typing and whose tag do not agree, while it cannot be told what is otherwise (or only by
  the prior): its hybrids wait for one more plant of the line.
- A tag, or a part of it, with pollen of another plant; seed of a later generation.
- A line whose tags contradict its tubes and one another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from crossproof.inference.family.other_parents import (
    Records,
    Wells,
    other_parent,
    places_of_plants,
    where_typed,
)
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.family.strayed_pods import strayed_twice, with_strayed_pods
from crossproof.inference.season_results import OF_THE_POOL, RELATIONS, FamilyResult
from crossproof.model.arrays import Bools
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.results import CLASSES, Relation, Verdict
from crossproof.text import percent

TUBE_IN_DOUBT = 0.05
"""Posterior of a wrong tube at or above which hybrids wait."""
CULL_ON_TUBE = 0.01
"""Posterior of a hybrid at or above which a plant is not culled as an outcross or off pedigree: seed that
cannot be had again is worth one more plant of the line typed. No source."""
FEW_AGAINST, SOME_AGAINST = 0.04, 0.12
"""Natural-log evidence per scored marker against a hybrid: a plant that has less, and is taken for a self of
a parent that segregates, or of two lines for a later generation, is not culled; nor are selfs of its family
that have less than the second. A true self of an F1 is homozygous for alleles no hybrid can have at every
fourth marker or so, a backcross at many; a hybrid has that little against it where a parent was heterozygous
over a stretch. No source: the project's own trials."""
ENOUGH_CONTRASTS, MOSTLY_HET, FEW_FOREIGN = 2, 0.9, 0.05
"""A plant looks like a hybrid of its lines from so many contrast markers scored and such a share of them
heterozygous on, up to such a share of all markers with an allele of neither line. No source."""
MANY_CONTRASTS = 10
"""From so many contrast markers alleles of neither line do not speak against it: pollen of nobody known has
the father's allele at nearly all of them only if it is his, and the rest is DNA that ran into the well. Of
716 foreign plants of 33 faultless seasons none looks so (seeds 214000 to 214002 of
benchmarks/plate_seasons.py)."""
NO_FOREIGN = 0.01
"""Share of alleles of neither line (one in any case) up to which a plant with MANY_CONTRASTS, heterozygous at
MOSTLY_HET of them, is not culled for the pollen of a typed line: that line is all but the father's sister,
and whether his plant was as his tube is what one more plant of him tells. No source."""
LINE_IN_DOUBT = 0.3
"""Posterior of a heterogeneous line or a relative of it, which look the same, above which plants wait."""
PART_OF_DOUBT = 0.25
"""Part of that posterior, of both parents together, at or above which it is one's."""
DEPARTED = 0.10
"""Share of markers at which a parent plant is not as its line, at or above which its hybrids wait."""
DEPARTED_ERRORS = 2.5
"""Standard errors above the departure of the run's parents, as many markers allow, that it must exceed."""
LIKELY_ALIKE = 0.95
"""Posterior of anything but a relative below which plants that a relative explains are not culled; and the
least of a class with which a plant that may be a hybrid after all is culled."""
LIKELY = 0.5
"""Posterior of a fault at or above which it is named."""
LATER = (Relation.BACKCROSS_MOTHER, Relation.BACKCROSS_FATHER, Relation.ADVANCED)
LOOK_ALIKE = (Fault.HETEROGENEOUS, Fault.RELATIVE)
_OTHER_PLANT = (Fault.MOTHER_PLANT, Fault.FATHER_PLANT)


def fault_share(result: FamilyResult, side: int, *faults: Fault) -> float:
    """Posterior that one of these faults befell a parent (`side` 0 mother, 1 father)."""
    return float(sum(result.parent_faults[side, FAULTS.index(f)] for f in faults))


def departed(result: FamilyResult, side: int) -> bool:
    """Whether a parent plant departs from its line at more markers than plants of the run do."""
    share = (result.mother_departure, result.father_departure)[side]
    h = result.run_departure
    chance = h + DEPARTED_ERRORS * np.sqrt(h * (1 - h) / max(result.markers_used, 1))
    return share > max(DEPARTED, float(chance))


def in_doubt(result: FamilyResult, side: int) -> bool:
    """Whether hybrids of a family rest on a parent whose typing and tag do not agree."""
    known = (result.mother_known, result.father_known)[side]
    tube, line = fault_share(result, side, Fault.TUBE), fault_share(result, side, *LOOK_ALIKE)
    # a foreign allele at a marker that the parents share may be of either: both lines are then in doubt
    either = line + fault_share(result, 1 - side, *LOOK_ALIKE)
    doubtful = either >= LINE_IN_DOUBT and line >= PART_OF_DOUBT * either
    return known and (tube >= TUBE_IN_DOUBT or doubtful or departed(result, side))


def rests_on_tube(result: FamilyResult, side: int) -> tuple[int, ...]:
    """Plants (places) to be culled as no hybrids that are the hybrids wanted if a parent's tube is wrong.

    Neither another plant of the line nor another of its tags speaks for such a tube, or a wrong one would be
    less likely than that.
    """
    known = (result.mother_known, result.father_known)[side]
    if not known or fault_share(result, side, Fault.TUBE) < CULL_ON_TUBE:
        return ()
    return _foreign_but_perhaps_hybrid(result)


def may_be_hybrids(result: FamilyResult) -> tuple[int, ...]:
    """Plants (places) to be culled as no hybrids that may be, the tubes of both parents being right.

    A plant that is a hybrid but for a stretch, or whose donor is all but the father, is so now and then.
    """
    if not (result.mother_known and result.father_known) or any(rests_on_tube(result, s) for s in (0, 1)):
        return ()
    found = _foreign_but_perhaps_hybrid(result)
    if not found:
        return ()
    leads = result.class_posterior.max(axis=1) >= LIKELY_ALIKE
    near = near_hybrids(result)
    return tuple(i for i in found if leads[i] and i not in near)


def _hybrids_to_themselves(result: FamilyResult) -> Bools:
    """Plants that are hybrids by their own data, and something else on the word of their sibs alone.

    Where most crossed plants of a tag have one foreign father, he is taken for the plant that was used, and a
    hybrid of the line itself for pollen of nobody known: it is heterozygous where its parents differ. So is a
    hybrid into whose well other DNA ran, and one whose few odd calls a sister line of the father explains.
    """
    contrast, het = result.contrast_scored, result.contrast_het
    unknown = result.donors[:, 0] == OF_THE_POOL
    looks = (contrast >= ENOUGH_CONTRASTS) & (het >= MOSTLY_HET * contrast)
    as_lines = result.foreign_calls <= np.maximum(1, NO_FOREIGN * result.scored)
    looks &= np.where(
        unknown,
        ~_with_foreign_alleles(result) | (contrast >= MANY_CONTRASTS),
        as_lines & (contrast >= MANY_CONTRASTS),
    )
    return np.asarray((result.lod > 0) | (looks & ~result.segregates.any()))


def _with_foreign_alleles(result: FamilyResult) -> Bools:
    """Plants with more than a few alleles of neither line."""
    return np.asarray(result.foreign_calls > FEW_FOREIGN * result.scored)


def _foreign_but_perhaps_hybrid(result: FamilyResult) -> tuple[int, ...]:
    perhaps = (result.class_posterior[:, 0] >= CULL_ON_TUBE) | _hybrids_to_themselves(result)
    if not perhaps.any():
        return ()
    lead = result.class_posterior.argmax(axis=1)
    foreign = np.isin(lead, [CLASSES.index(v) for v in (Verdict.OUTCROSS, Verdict.OFF_PEDIGREE)])
    return tuple(np.flatnonzero(foreign & perhaps).tolist())


def near_hybrids(result: FamilyResult) -> tuple[int, ...]:
    """Plants (places) with little against a hybrid, to be culled as selfs of a parent that segregates or, of
    two lines, as seed of a backcross or a later generation.

    Selfs of a line are left out: seed of a line and of its backcross are told apart by little in any case.
    """
    later = [RELATIONS.index(r) for r in LATER]
    of_later = result.relation_posterior[:, later].sum(axis=1) >= LIKELY_ALIKE
    of_lines = not result.segregates.any()
    if of_lines and not of_later.any():
        return ()
    lead = result.class_posterior.argmax(axis=1)
    likes = result.class_loglik
    against = likes[np.arange(len(lead)), lead] - likes[:, 0]
    share = against / np.maximum(result.scored, 1)
    selfed = [RELATIONS.index(r) for r in (Relation.SELF, Relation.FATHER_SELFED)]
    culled = (lead != CLASSES.index(Verdict.HYBRID)) & (
        (result.relation_posterior[:, selfed] >= LIKELY) & result.segregates
    ).any(axis=1)
    few = culled & (result.scored > 0) & (share < FEW_AGAINST)
    if of_lines:
        return tuple(np.flatnonzero(of_later & (result.scored > 0) & (share < FEW_AGAINST)).tolist())
    if not few.any():
        return ()
    return tuple(np.flatnonzero(culled & (result.scored > 0) & (share < SOME_AGAINST)).tolist())


def speaks(result: FamilyResult) -> bool:
    """Whether `parent_findings` may have anything to say of a family."""
    of_side = (
        in_doubt(result, side)
        or rests_on_tube(result, side)
        or fault_share(result, side, _OTHER_PLANT[side], Fault.RELATIVE) >= LIKELY
        for side in (0, 1)
    )
    of_plants = near_hybrids(result) or may_be_hybrids(result)
    return bool(
        strayed_twice(result)
        or result.phase_open.any()
        or any(of_side)
        or of_plants
        or fault_share(result, 0, Fault.GENERATION) >= LIKELY
    )


def parent_findings(
    results: Sequence[FamilyResult],
    wells: Wells,
    named: Mapping[str, str],
    records: Records | None = None,
) -> list[Finding]:
    """Findings of all families, of which only those count that `speaks`; `named`: crosses of which the plate
    checks already named another parent.

    Where a line of the season's `records` was the parent of a whole tag, a row is proposed.
    """
    out, records = list[Finding](), records or Records()
    unresolved: dict[str, list[tuple[FamilyResult, int]]] = {}
    on_tube: dict[str, list[tuple[FamilyResult, int]]] = {}
    other: dict[str, list[FamilyResult]] = {}
    for result in results:
        for side in (0, 1):
            line = (result.mother, result.father)[side]
            if result.phase_open[side]:
                out.append(_phase_open(result, line, wells))
            elif in_doubt(result, side):
                unresolved.setdefault(line, []).append((result, side))
            if not result.phase_open[side] and rests_on_tube(result, side):
                on_tube.setdefault(line, []).append((result, side))
            if fault_share(result, side, _OTHER_PLANT[side], Fault.RELATIVE) >= LIKELY:
                other.setdefault(line, []).append(result)
                if result.cross_id not in named:
                    out.append(
                        other_parent(
                            result,
                            side,
                            wells,
                            records,
                            not side and bool(rests_on_tube(result, 0)),
                        )
                    )
        out = with_strayed_pods(out, result, wells, records, named)
        if near_hybrids(result) and not result.phase_open.any():
            out.append(_near_hybrids(result, wells))
        if may_be_hybrids(result) and not result.phase_open.any():
            out.append(_may_be_hybrids(result, wells))
        if fault_share(result, 0, Fault.GENERATION) >= LIKELY:
            out.append(_generation(result, wells))
    out += [_unresolved(line, found, wells) for line, found in sorted(unresolved.items())]
    out += [_on_tube(line, found, wells) for line, found in sorted(on_tube.items())]
    out += [_contradicting(line, found, wells) for line, found in sorted(other.items()) if len(found) > 1]
    return [f for f in out if f.samples]


def _unresolved(line: str, found: Sequence[tuple[FamilyResult, int]], wells: Wells) -> Finding:
    crosses = [result.cross_id for result, _ in found]
    worst = max((result.mother_departure, result.father_departure)[side] for result, side in found)
    tube = max(fault_share(result, side, Fault.TUBE) for result, side in found)
    text = (
        f"Judging by the plants of {', '.join(crosses)}, {line} differs from its sample at {percent(worst)} "
        f"of "
        "the markers. "
        + (
            "The sample may hold something else, or the tags were made with another plant."
            if tube >= TUBE_IN_DOUBT
            else "The line may be heterogeneous, or a relative of it gave the pollen or bore the seed."
        )
    )
    waiting = {Verdict.HYBRID}
    if any(fault_share(result, side, Fault.RELATIVE) >= 1 - LIKELY_ALIKE for result, side in found):
        waiting |= {Verdict.OUTCROSS, Verdict.OFF_PEDIGREE}
    places, samples = places_of_plants([r for r, _ in found], wells, frozenset(waiting))
    return Finding(
        FindingKind.PARENT_UNRESOLVED,
        Scope.LINE,
        "",
        line,
        text,
        f"Type one more plant of {line}, ideally the one that was used; keep the plants until then.",
        wells=places,
        samples=samples,
        other=", ".join(crosses),
        hold=Hold.SAMPLES,
    )


def _on_tube(line: str, found: Sequence[tuple[FamilyResult, int]], wells: Wells) -> Finding:
    places, samples = where_typed([(result, rests_on_tube(result, side)) for result, side in found], wells)
    return Finding(
        FindingKind.PARENT_UNRESOLVED,
        Scope.LINE,
        "",
        line,
        f"That the plants listed are not hybrids rests on the typing of {line} alone; no other tag bears it "
        "out. If its tube held something else, they are the hybrids wanted.",
        f"Type one more plant of {line}; keep the plants until then.",
        wells=places,
        samples=samples,
        other=", ".join(result.cross_id for result, _ in found),
        hold=Hold.SAMPLES,
    )


def _near_hybrids(result: FamilyResult, wells: Wells) -> Finding:
    places, samples = where_typed([(result, near_hybrids(result))], wells)
    return Finding(
        FindingKind.PARENT_UNRESOLVED,
        Scope.CROSS,
        "",
        result.cross_id,
        "Few markers of the plants listed speak against hybrids. Where "
        + ("the plant crossed with the F1" if result.segregates.any() else "a parent plant")
        + " was heterozygous over a stretch, as lines can be, they are hybrids.",
        "Type the two plants that were crossed, or more plants of both; keep the plants listed until then.",
        wells=places,
        samples=samples,
        other=f"{result.mother}, {result.father}",
        hold=Hold.SAMPLES,
    )


def _may_be_hybrids(result: FamilyResult, wells: Wells) -> Finding:
    plants = may_be_hybrids(result)
    places, samples = where_typed([(result, plants)], wells)
    chance = float(result.class_posterior[list(plants), 0].max())
    share, lines = percent(chance), f"{result.mother} and {result.father}"
    text = (
        "That the plants listed are not hybrids rests on little: with a probability of up to "
        f"{share} they are hybrids of {lines}."
        if chance >= CULL_ON_TUBE
        else f"By their own calls the plants listed are hybrids of {lines}. That they are none rests on "
        "their sibs, of which most have another parent, or on a call or two."
    )
    remedy = (
        "Type the two plants that were crossed, or the plants listed at more markers; keep them until then."
    )
    if (_hybrids_to_themselves(result) & _with_foreign_alleles(result))[list(plants)].any():
        text = (
            f"The plants listed are heterozygous where {lines} differ, as their hybrids are, and have "
            "alleles of neither line: other DNA may have run into their wells."
        )
        remedy = "Take new samples of the plants listed; keep them until then."
    return Finding(
        FindingKind.PARENT_UNRESOLVED,
        Scope.CROSS,
        "",
        result.cross_id,
        text,
        remedy,
        wells=places,
        samples=samples,
        other=f"{result.mother}, {result.father}",
        hold=Hold.SAMPLES,
    )


def _phase_open(result: FamilyResult, line: str, wells: Wells) -> Finding:
    places, samples = places_of_plants([result], wells, frozenset(CLASSES))
    return Finding(
        FindingKind.PHASE_OPEN,
        Scope.CROSS,
        "",
        result.cross_id,
        f"{line} is heterozygous, and neither its lines nor these plants settle which copy carries "
        "which allele, so that its selfs, hybrids and later generations look alike.",
        f"Write the two lines of {line} into the samples sheet (line_mother, line_father); where they are "
        "there, type them and the other parent once more, and check the positions in markers.csv. Cull "
        "nothing until then.",
        wells=places,
        samples=samples,
        other=line,
        hold=Hold.SAMPLES,
    )


def _generation(result: FamilyResult, wells: Wells) -> Finding:
    places, samples = places_of_plants([result], wells, frozenset({Verdict.OFF_PEDIGREE}))
    source = str(result.sources[0, 0]) if len(result.plants) else ""
    return Finding(
        FindingKind.LATER_GENERATION,
        Scope.CROSS,
        "",
        result.cross_id,
        f"The plants listed are seed of a later generation, not of the first ({source}).",
        "Check the seed packet: seed of an F1 plant, or of a backcross, was sown in place of the cross.",
        wells=places,
        samples=samples,
    )


def _contradicting(line: str, found: Sequence[FamilyResult], wells: Wells) -> Finding:
    crosses = ", ".join(result.cross_id for result in found)
    places, samples = places_of_plants(found, wells, frozenset({Verdict.OUTCROSS, Verdict.OFF_PEDIGREE}))
    return Finding(
        FindingKind.TAGS_CONTRADICT,
        Scope.LINE,
        "",
        line,
        f"The tags of {line} contradict its tubes and one another: {crosses} each show another plant in its "
        "place.",
        f"Check how pollen of {line} was collected and labelled; type one more plant of {line}.",
        wells=places,
        samples=samples,
        other=crosses,
    )
