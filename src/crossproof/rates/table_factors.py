"""Table of what goes with selfing: odds ratios."""

from __future__ import annotations

import pandas as pd

from crossproof.rates.tally import RateOptions


def factors_table(crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions) -> pd.DataFrame:
    """One row per term of the model of self against hybrid."""
    return pd.DataFrame(
        columns=["term", "level", "odds_ratio", "low", "high", "p", "events_per_term", "note"]
    )
