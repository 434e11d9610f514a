"""What was done with a plant at the bench, and how that stands to its decision."""

from __future__ import annotations

from enum import StrEnum


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
