"""Tables in which people are named: rates per person, learning over the season, control chart by week."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.rates.group_table import group_rates, tag_success, too_few
from crossproof.rates.grouping import grouping
from crossproof.rates.tally import RateOptions, tally

TOO_FEW = "too few"


def operators_table(crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions) -> pd.DataFrame:
    """One row per person: rates with limits and bounds, raw and shrunk, beside what was to be expected."""
    season = tally(crosses, verdicts)
    people = grouping(season, "operator", options)
    frame, _ = group_rates(season, tag_success(season), people.group, len(people.levels), options)
    frame.insert(0, "operator", list(people.levels))
    few = too_few(frame, options)
    for name in ("expected_selfs", "observed_to_expected", "p", "q"):
        frame[name] = np.nan
    for name in ("funnel_low_95", "funnel_high_95", "funnel_low_998", "funnel_high_998"):
        frame[name] = np.nan
    frame["funnel"] = ""
    frame["judgement"] = np.where(few, TOO_FEW, "")
    return frame


def learning_table(crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions) -> pd.DataFrame:
    """One row per person and week, in order of time."""
    return pd.DataFrame(columns=["operator", "week"])


def control_chart_table(crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions) -> pd.DataFrame:
    """One row per week: selfing rate and the limits it should stay in."""
    return pd.DataFrame(columns=["week", "determined", "self", "selfing_rate"])
