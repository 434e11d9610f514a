"""From evidence to verdict, decision and reason. Only here do thresholds matter.

Model.md section 6: the verdict is the class whose posterior reaches `min_posterior`; else undetermined, with
the leading class, the reason, and what would settle it.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.season_results import FamilyResult, Judgement
from crossproof.model.arrays import Bools, Floats
from crossproof.model.results import CLASSES, PARENT_REASONS, Reason, Verdict, decide
from crossproof.model.settings import Settings

FLAG_WELLS_DISAGREE = "wells disagree"
FLAG_NOT_CONVERGED = "family did not converge"
FLAG_PARENT_DEPARTS = "{parent} plant departs from its line"
FLAG_RECIPROCAL = "maternal markers show the father: reciprocal cross?"
FLAG_MATERNAL = "maternal markers differ from the mother"

PARENT_OPEN = 0.05
"""Posterior of any fault of a parent at or above which it counts as open which plant it was."""
DEPARTURE_SHARE = 0.15
"""Share of markers, departing from the line, at or above which a parent plant is flagged."""
FAR_BELOW = 0.2
"""A well that calls less than this share of what its plate's plants call may hold none of its own DNA."""


POOR = 1 / 3
"""The same for an outcross or seed off pedigree: a neighbour's DNA beside the plant's own looks like one."""


def far_below_plate(call_rate: Floats, plate_rate: Floats, settings: Settings, share: float) -> Bools:
    """Whether plants call less than this share of what their plate's do, and too little besides, (plant,).

    `call_rate` of the plants; `plate_rate` the median of the plants of each one's plate. What little DNA a
    failed well has may be its neighbour's. A plate that calls under `min_call_rate` as a whole is no measure.
    """
    few = call_rate < np.minimum(share * plate_rate - 1e-9, settings.min_call_rate)
    return np.asarray(few & (plate_rate >= settings.min_call_rate))


def judge(
    result: FamilyResult,
    plant: int,
    settings: Settings,
    *,
    mixed_dna: bool = False,
    few_calls: bool = False,
    poor_calls: bool = False,
    few_contrasts: bool = False,
) -> Judgement:
    """Verdict on plant number `plant` of a family.

    `mixed_dna`: the plate checks found mixed DNA in its wells, so that no class can be trusted.
    `few_calls`, `poor_calls`: it is `far_below_plate` by FAR_BELOW, or by POOR, so that it is not called
    hybrid or self, or not of its cross; no matter where its reads are judged, not calls.
    `few_contrasts`: too few markers tell the parents apart for a plant to be called hybrid or self.
    """
    posterior = result.class_posterior[plant]
    lead = int(posterior.argmax())
    leading = CLASSES[lead]
    flags = _flags(result, plant, settings)
    few_calls |= poor_calls and leading not in (Verdict.HYBRID, Verdict.SELF)
    few_calls = few_calls and bool(result.from_calls[plant])
    reason = _why_not(result, plant, settings, mixed_dna, few_calls)
    if (
        few_contrasts
        and not result.segregates.any()
        and leading in (Verdict.HYBRID, Verdict.SELF)
        and reason in _WOULD_PASS
    ):
        reason = Reason.FEW_CONTRASTS
    verdict = leading if reason is Reason.NONE else Verdict.UNDETERMINED
    parents = _parents_to_type(result, reason)
    settle = _settle(result, plant, reason, parents)
    return Judgement(verdict, leading, decide(verdict), reason, settle, parents, flags)


def _why_not(
    result: FamilyResult, plant: int, settings: Settings, mixed_dna: bool, few_calls: bool
) -> Reason:
    """The reason why a plant stays undetermined, or NONE."""
    unfit = _why_not_judged(result, plant, settings, mixed_dna, few_calls)
    if unfit is not Reason.NONE:
        return unfit
    if not result.father_known:
        return _without_father(result, plant, settings)
    if result.class_posterior[plant].max() >= settings.min_posterior:
        return Reason.NONE
    return _why_open(result, plant, settings)


def _why_not_judged(
    result: FamilyResult, plant: int, settings: Settings, mixed_dna: bool, few_calls: bool
) -> Reason:
    """The reason why a plant's data are no ground for any verdict, or NONE."""
    scored = int(result.scored[plant])
    if result.wells[plant] == 0 or scored == 0:
        return Reason.NO_DATA
    if not result.mother_known and not result.father_known:
        return Reason.NO_PARENT_DATA
    if mixed_dna:
        return Reason.MIXED_DNA
    if few_calls:
        return Reason.LOW_CALL_RATE
    return Reason.FEW_MARKERS if scored < settings.min_markers_scored else Reason.NONE


def _without_father(result: FamilyResult, plant: int, settings: Settings) -> Reason:
    """The reason where the father is not typed: a self shows by its mother alone, a hybrid does not."""
    posterior = result.class_posterior[plant]
    if posterior[1] >= settings.min_posterior:
        return Reason.NONE
    crossed = posterior[0] + posterior[2] >= settings.min_posterior
    return Reason.FATHER_UNPROVEN if crossed else Reason.NO_PARENT_DATA


def _why_open(result: FamilyResult, plant: int, settings: Settings) -> Reason:
    """The reason why no class of a plant is likely enough, where its father is typed."""
    if not result.mother_known:
        return Reason.NO_PARENT_DATA
    if result.wells_disagree[plant]:
        return Reason.WELLS_DISAGREE
    if result.from_calls[plant] and result.call_rate[plant] < settings.min_call_rate:
        return Reason.LOW_CALL_RATE
    if result.contrast_scored[plant] < settings.min_markers_scored:
        return Reason.FEW_MARKERS
    if any(_parent_open(result, side) for side in (0, 1)):
        return Reason.PARENTS_UNRESOLVED
    return Reason.CLASSES_CLOSE


_WOULD_PASS = (Reason.NONE, Reason.FEW_MARKERS, Reason.CLASSES_CLOSE)
"""Reasons that too few contrast markers go before: they are the cause, or a verdict would stand."""


def _parent_open(result: FamilyResult, side: int) -> bool:
    """Whether it is open which plant a parent was (`side` 0 mother, 1 father)."""
    departs = (result.mother_departure, result.father_departure)[side] > DEPARTURE_SHARE
    return departs or float(result.parent_faults[side, 0]) < 1 - PARENT_OPEN


def _flags(result: FamilyResult, plant: int, settings: Settings) -> tuple[str, ...]:
    flags = []
    if result.wells_disagree[plant] or result.well_discordance[plant] > settings.line_conflict:
        flags.append(FLAG_WELLS_DISAGREE)
    if not result.converged:
        flags.append(FLAG_NOT_CONVERGED)
    for parent, share in (("mother", result.mother_departure), ("father", result.father_departure)):
        if share > DEPARTURE_SHARE:
            flags.append(FLAG_PARENT_DEPARTS.format(parent=parent))
    if result.maternal_scored[plant] and result.maternal_agree[plant] < result.maternal_scored[plant]:
        reciprocal = result.sources[plant, 0].startswith("reciprocal")
        flags.append(FLAG_RECIPROCAL if reciprocal else FLAG_MATERNAL)
    return tuple(flags)


_SETTLE = {
    Reason.NO_DATA: "type the plant again",
    Reason.MIXED_DNA: "take a fresh leaf of this plant alone",
    Reason.LOW_CALL_RATE: "extract and type the plant again",
    Reason.WELLS_DISAGREE: "take a fresh leaf and type it again",
    Reason.FEW_CONTRASTS: "type it at more markers at which these two parents differ",
}


def _parents_to_type(result: FamilyResult, reason: Reason) -> tuple[str, ...]:
    """Lines whose typing a plant with this reason waits for."""
    if reason not in PARENT_REASONS:
        return ()
    lines = (result.mother, result.father)
    if reason is Reason.PARENTS_UNRESOLVED:
        wanted = [lines[side] for side in (0, 1) if _parent_open(result, side)]
    else:
        known = (result.mother_known, result.father_known)
        wanted = [lines[side] for side in (0, 1) if not known[side]]
    return tuple(dict.fromkeys(line for line in wanted if line))


def _settle(result: FamilyResult, plant: int, reason: Reason, parents: tuple[str, ...]) -> str:
    if reason is Reason.NONE:
        return ""
    if reason is Reason.PARENTS_UNRESOLVED:
        return f"type one more plant of {' and of '.join(parents)}"
    if reason in PARENT_REASONS:
        unnamed = "type the father line" if reason is Reason.FATHER_UNPROVEN else "type the parents"
        return f"type {' and '.join(parents)}" if parents else unnamed
    if reason in _SETTLE:
        return _SETTLE[reason]
    order = result.class_posterior[plant].argsort()[::-1]
    first, second = CLASSES[order[0]], CLASSES[order[1]]
    return f"more markers that tell {_PLAIN[first]} from {_PLAIN[second]}, or a second well of this plant"


_PLAIN = {
    Verdict.HYBRID: "a hybrid",
    Verdict.SELF: "a self",
    Verdict.OUTCROSS: "an outcross",
    Verdict.OFF_PEDIGREE: "an off-pedigree plant",
}
