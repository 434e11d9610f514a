"""Closed choices of the results: relations, verdicts, decisions, reasons."""

from __future__ import annotations

from enum import StrEnum


class Verdict(StrEnum):
    """What a plant is. The first four are classes with a probability, in this order everywhere."""

    HYBRID = "hybrid"
    SELF = "self"
    OUTCROSS = "outcross"
    OFF_PEDIGREE = "off_pedigree"
    UNDETERMINED = "undetermined"


CLASSES: tuple[Verdict, ...] = (Verdict.HYBRID, Verdict.SELF, Verdict.OUTCROSS, Verdict.OFF_PEDIGREE)
"""Classes in the order of every array with a class axis."""


class Relation(StrEnum):
    """How a plant may be related to the mother and father on its tag."""

    HYBRID = "mother x father"
    SELF = "mother selfed"
    OUTCROSS_LINE = "mother x another line"
    OUTCROSS_UNKNOWN = "mother x unknown pollen"
    FATHER_SELFED = "father selfed"
    ADVANCED = "later generation of the cross"
    BACKCROSS_MOTHER = "cross x mother"
    BACKCROSS_FATHER = "cross x father"
    RECIPROCAL = "father x mother"
    OTHER_LINE = "another line"
    OTHER_CROSS = "another cross"
    UNKNOWN = "unknown plant"

    @property
    def verdict(self) -> Verdict:
        """The class this relation belongs to."""
        return _VERDICT_OF[self]


_VERDICT_OF = {
    Relation.HYBRID: Verdict.HYBRID,
    Relation.SELF: Verdict.SELF,
    Relation.OUTCROSS_LINE: Verdict.OUTCROSS,
    Relation.OUTCROSS_UNKNOWN: Verdict.OUTCROSS,
    Relation.FATHER_SELFED: Verdict.OFF_PEDIGREE,
    Relation.ADVANCED: Verdict.OFF_PEDIGREE,
    Relation.BACKCROSS_MOTHER: Verdict.OFF_PEDIGREE,
    Relation.BACKCROSS_FATHER: Verdict.OFF_PEDIGREE,
    Relation.RECIPROCAL: Verdict.OFF_PEDIGREE,
    Relation.OTHER_LINE: Verdict.OFF_PEDIGREE,
    Relation.OTHER_CROSS: Verdict.OFF_PEDIGREE,
    Relation.UNKNOWN: Verdict.OFF_PEDIGREE,
}


class Decision(StrEnum):
    """What to do with a plant."""

    KEEP = "keep"
    CULL = "cull"
    RETEST = "retest"
    HOLD = "hold"


class Reason(StrEnum):
    """Why a plant has no verdict, or why its decision is put off."""

    NONE = ""
    FEW_MARKERS = "few markers scored"
    LOW_CALL_RATE = "low call rate"
    CLASSES_CLOSE = "two classes close"
    MIXED_DNA = "mixed DNA"
    PARENTS_UNRESOLVED = "parents unresolved"
    NO_PARENT_DATA = "no parent data"
    FATHER_UNPROVEN = "crossed, father unproven"
    NO_DATA = "no genotype data"
    PLATE_HELD = "plate held"
    SAMPLE_HELD = "tag or tube in doubt"
    BATCH_SET_ASIDE = "genotype file set aside"
    WELLS_DISAGREE = "wells disagree"
    FEW_CONTRASTS = "too few markers tell the parents apart"


class Provable(StrEnum):
    """Whether a cross can be proven with the panel's markers, in words that stand the same everywhere."""

    YES = "yes"
    BORDERLINE = "borderline"
    """Near the wanted probability: the bounds of what can be said leave it open."""
    PARTLY = "not every plant"
    """Some of its plants will stay without a verdict; those that reach the threshold are proven."""
    NO = "no"
    """Too few markers tell the parents apart: no plant of it is called hybrid or self."""
    UNTYPED = "parent not typed"
    UNKNOWN = ""
    """No plant of it has been genotyped."""


class FileState(StrEnum):
    """What became of a genotype file."""

    USED = "used"
    SET_ASIDE = "set aside"
    """It cannot be trusted; the problems say why."""
    ERROR = "error"
    """Reading it met an error of the program; it is read again at the next run."""


class PlateState(StrEnum):
    """Whether the plants of a plate have verdicts to act on."""

    USED = "used"
    HELD = "held"
    SET_ASIDE = "set aside"
    NO_CALLS = "no calls"


class SampleState(StrEnum):
    """Whether the calls of a sample were used."""

    USED = "used"
    SET_ASIDE = "genotype file set aside"
    NO_CALLS = "no calls"


class NextStep(StrEnum):
    """What to do next about a cross: the first that applies, in this order.

    TYPE_PARENT to REPEAT apply to crosses that still lack hybrids. A cross without a target is done.
    """

    HOLD = "hold"
    """Plants wait for an answer to a finding; nothing else about the cross is certain until then."""
    TYPE_PARENT = "type the parent"
    RETEST = "retest"
    """Plants wait for a second sample, or for markers that can prove the cross."""
    TEST_SEED = "test stored seed"
    REPEAT = "repeat"
    DONE = "done"


class Need(StrEnum):
    """What a plant waits for before it can be kept or culled."""

    NOTHING = ""
    FINDING = "answer to a finding"
    FILE = "genotype file"
    PARENT = "typing of a parent"
    MARKERS = "more markers"
    SAMPLE = "second sample"


PARENT_REASONS = (Reason.NO_PARENT_DATA, Reason.FATHER_UNPROVEN, Reason.PARENTS_UNRESOLVED)
"""Reasons of plants that wait for a parent to be genotyped."""


def need_of(decision: Decision, reason: Reason) -> Need:
    """What a plant with this decision, for this reason, waits for."""
    if decision is Decision.HOLD:
        return Need.FILE if reason is Reason.BATCH_SET_ASIDE else Need.FINDING
    if decision is not Decision.RETEST:
        return Need.NOTHING
    if reason in PARENT_REASONS:
        return Need.PARENT
    return Need.MARKERS if reason is Reason.FEW_CONTRASTS else Need.SAMPLE


def decide(verdict: Verdict) -> Decision:
    """The decision that follows from a verdict alone."""
    if verdict is Verdict.HYBRID:
        return Decision.KEEP
    if verdict is Verdict.UNDETERMINED:
        return Decision.RETEST
    return Decision.CULL
