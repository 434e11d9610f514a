"""What was done with a plant at the bench, and how that stands to its decision."""

from __future__ import annotations

from enum import StrEnum

from crossproof.model.results import Decision


class BenchAction(StrEnum):
    """What a scanned list says was done with a plant."""

    KEEP = "keep"
    CULL = "cull"
    SAMPLE = "sample"
    """A leaf was taken again; the plant stands."""
    GONE = "gone"
    """It was dead, had not come up, or was not there."""


class Outcome(StrEnum):
    """How what was done stands to what was decided."""

    CULLED_NOT_TO_BE = "was culled and was not to be"
    KEPT_NOT_CULLED = "was to be culled and was kept"
    NOT_SAMPLED = "was to be sampled again and was not"
    NOT_TOUCHED = "nobody touched it"
    GONE = "is gone"
    AS_DECIDED = "as decided"


def outcome_of(decision: Decision, action: BenchAction | None) -> Outcome:
    """The outcome of one plant; no action: it is on no list.

    A plant on hold is to be left standing: no action, keeping it and sampling it are all as decided.
    """
    if action is BenchAction.GONE:
        return Outcome.GONE
    if action is BenchAction.CULL:
        return Outcome.AS_DECIDED if decision is Decision.CULL else Outcome.CULLED_NOT_TO_BE
    if decision is Decision.HOLD:
        return Outcome.AS_DECIDED
    if action is None:
        return Outcome.NOT_TOUCHED
    if decision is Decision.CULL:
        return Outcome.KEPT_NOT_CULLED
    if decision is Decision.RETEST and action is BenchAction.KEEP:
        return Outcome.NOT_SAMPLED
    return Outcome.AS_DECIDED
