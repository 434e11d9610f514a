"""Where a person stands beside the others, and what may be said of it: words alone, quick to load."""

from __future__ import annotations

from enum import StrEnum


class Position(StrEnum):
    """Where a group stands in the funnel."""

    INSIDE = "inside"
    BELOW_95 = "below 95 %"
    ABOVE_95 = "above 95 %"
    BELOW_998 = "below 99.8 %"
    ABOVE_998 = "above 99.8 %"
    APART = "cannot be told apart"
    UNKNOWN = ""


class Judgement(StrEnum):
    """What may be said of a person's selfing rate given mother lines, hours and weeks."""

    TOO_FEW = "too few"
    AS_EXPECTED = "as expected"
    MORE = "more selfs than expected"
    FEWER = "fewer selfs than expected"
    ALONE = "no one to compare with"
    APART = "cannot be told apart"
