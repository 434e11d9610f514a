"""Table of what goes with selfing: odds ratios, and in words what cannot be told."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.model.arrays import Floats, Objects
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.confounding import Factor
from crossproof.rates.estimators.factors import FactorModel, Term, fit_factors
from crossproof.rates.tables.tally import RateOptions, Tally, number, tally, text

_RECORD = {
    "cross_id", "mother", "father", "date", "time", "hour", "week", "operator", "flowers", "pods", "seeds",
    "temperature_c", "anthers_removed", "target_hybrids", "notes", "cross",
}  # fmt: skip
_MOST_LEVELS = 12
"""A text column of the lab's own with more values is a label, not a factor, unless `rates_by` asks for it."""


def season_factors(season: Tally, options: RateOptions) -> list[Factor]:
    """The factors of a season in the order in which they enter the model.

    Hour, temperature, anthers removed, person, week (as a trend), mother line, then the columns named in
    `rates_by` and other columns of the lab's own that look like factors.
    """
    frame = season.crosses
    factors = [
        Factor("hour", values=number(frame, "hour"), unit="hour later", least_span=1.0),
        Factor("temperature_c", values=number(frame, "temperature_c"), unit="degree warmer", least_span=1.0),
        Factor("anthers_removed", values=number(frame, "anthers_removed"), unit="anther more"),
        _levels("operator", text(frame, "operator")),
        Factor("week", values=week_number(text(frame, "week")), unit="week later"),
        _levels("mother", text(frame, "mother")),
    ]
    own = [c for c in frame if c not in _RECORD and not str(c).startswith("_")]
    for column in dict.fromkeys((*options.rates_by, *map(str, own))):
        if column in {f.name for f in factors} or column not in frame or column in ("father", "pod"):
            continue
        values, words = number(frame, column), text(frame, column)
        filled = np.array([bool(w) for w in words], dtype=bool)
        distinct = len(set(words[filled]))
        if filled.any() and np.isfinite(values[filled]).all() and distinct > 2:
            factors.append(Factor(column, values=values, unit="unit more"))
        elif column in options.rates_by or 2 <= distinct <= _MOST_LEVELS:
            factors.append(_levels(column, words))
    return factors


def week_number(weeks: Objects) -> Floats:
    """Weeks since the first week of the season, of ISO weeks such as 2031-W23; NaN where absent."""
    monday = pd.to_datetime(
        pd.Series([f"{w}-1" if w else None for w in weeks], dtype=object), format="%G-W%V-%u", errors="coerce"
    )
    days = (monday - monday.min()).dt.days
    return np.asarray(days.to_numpy(dtype=float, na_value=np.nan) / 7.0)


def _levels(name: str, words: Objects) -> Factor:
    levels = sorted({w for w in words if w})
    place = {level: index for index, level in enumerate(levels)}
    return Factor(
        name, group=np.array([place.get(w, -1) for w in words], dtype=np.int64), levels=tuple(levels)
    )


def season_model(season: Tally, options: RateOptions) -> FactorModel:
    """The model of self against hybrid over the counted plants of every tag."""
    verdicts = [
        group_sum(season.cluster_tag, season.cluster_verdicts[:, index], season.tags) for index in (0, 1)
    ]
    return fit_factors(
        verdicts[1],
        verdicts[0],
        season_factors(season, options),
        level=options.level,
        least_plants=options.min_group_plants,
        least_tags=options.min_group_tags,
    )


def factors_table(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions, season: Tally | None = None
) -> pd.DataFrame:
    """One row per term of the logistic model of self against hybrid.

    `term`, `level`, `reference`: the factor, and its level against the reference or a slope "per ..";
    `odds_ratio`, `low`, `high`, `p`: adjusted for the other terms, limits robust to correlation in tags;
    `alone` (+ `_low`, `_high`): the factor by itself; `events_per_term`, `variance_inflation`; `note`: why a
    number is missing. Rows with the term "(season)" are sentences about the whole model.
    """
    season = season or tally(crosses, verdicts)
    model = season_model(season, options)
    rows = [
        {
            "term": t.factor,
            "level": t.level,
            "reference": t.reference,
            "plants": t.plants,
            "self": t.selfs,
            "odds_ratio": t.odds_ratio,
            "low": t.low,
            "high": t.high,
            "p": t.p,
            "alone": t.alone,
            "alone_low": t.alone_low,
            "alone_high": t.alone_high,
            "events_per_term": model.events_per_term if np.isfinite(t.odds_ratio) else np.nan,
            "variance_inflation": t.inflation,
            "note": t.note,
        }
        for t in (*model.terms, *(Term(SEASON_NOTE, "", note=note) for note in model.notes))
    ]
    return pd.DataFrame(rows, columns=COLUMNS).astype({"plants": "int64", "self": "int64"})


COLUMNS = [
    "term", "level", "reference", "plants", "self", "odds_ratio", "low", "high", "p", "alone", "alone_low",
    "alone_high", "events_per_term", "variance_inflation", "note",
]  # fmt: skip

SEASON_NOTE = "(season)"
