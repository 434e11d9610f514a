"""Tables over several seasons: rates side by side, what is better or worse over the years, what changed.

Each season is counted for itself; nothing is added up over seasons but comparisons made inside them.
Persons and lines are one over the years where their names are, after synonyms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.laws import normal_tail
from crossproof.rates.estimators.season_effects import log_odds, season_effects, trend
from crossproof.rates.estimators.weighted_rates import worth_of
from crossproof.rates.people.operators import false_discovery
from crossproof.rates.tables.grouping import SEASON, grouping
from crossproof.rates.tables.groups import SELFED_FLOWERS, group_rates, tag_success
from crossproof.rates.tables.tally import RateOptions, number, tally, text

FACTORS = (SEASON, "operator", "mother", "father", "hour", "temperature_class")
MEASURES = ("true_success", SELFED_FLOWERS, "pod_set")
"""Compared over the years; only for the second is more worse."""
SURE = 0.05
"""Level of p of a season trend, and of q (false discoveries) of a level."""


class Course(StrEnum):
    """What may be said of a level over the seasons."""

    HIGHER = "higher than the others"
    LOWER = "lower than the others"
    ROSE = "rose"
    FELL = "fell"
    ALIKE = "no more than chance"
    UNKNOWN = "too little to say"


@dataclass(frozen=True)
class SeasonRecord:
    """One season as run: its name, crossing records and verdicts, with names already made one."""

    name: str
    crosses: pd.DataFrame
    verdicts: pd.DataFrame


@dataclass(frozen=True)
class Years:
    """Tables over the seasons; see the functions that make them for their columns."""

    rates: pd.DataFrame
    levels: pd.DataFrame
    trends: pd.DataFrame
    repeats: pd.DataFrame


def years_tables(seasons: Sequence[SeasonRecord], options: RateOptions) -> Years:
    """All tables over seasons in the order of time."""
    rates = _rates(seasons, options)
    names = [s.name for s in seasons]
    return Years(rates, _levels(rates, names, options), _trends(rates, names), _repeats(seasons, options))


def _rates(seasons: Sequence[SeasonRecord], options: RateOptions) -> pd.DataFrame:
    """One row per season, factor and level: the columns of rates_by.csv after `season`."""
    parts = []
    for season in seasons:
        counted = tally(season.crosses, season.verdicts)
        success = tag_success(counted)
        for name in FACTORS:
            of = grouping(counted, name, options)
            if not of.levels:
                continue
            frame = group_rates(counted, success, of.group, len(of.levels), options)
            frame.insert(0, "season", season.name)
            frame.insert(1, "factor", name)
            frame.insert(2, "level", list(of.levels))
            parts.append(frame)
    return (
        pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["season", "factor", "level"])
    )


def _worth(frame: pd.DataFrame, measure: str) -> tuple[Floats, Floats]:
    """Rate and the independent flowers or pods it is known from."""
    p, low, high = (number(frame, f"{measure}{end}") for end in ("", "_low", "_high"))
    return p, worth_of(p, low, high)


def _levels(rates: pd.DataFrame, names: Sequence[str], options: RateOptions) -> pd.DataFrame:
    """One row per factor, level and measure, over all its seasons.

    `odds_ratio`, `low`, `high`: of the level against everyone else of the same season, seasons as chance;
    `p`, `q`; `course`; `changed` (+ `_low`, `_high`, `_q`): odds ratio of the last season of the level
    against its earlier ones, each relative to everyone else of its season; `change`.
    """
    rows = []
    place = {name: k for k, name in enumerate(names)}
    for factor in FACTORS[1:]:
        part = rates[rates["factor"] == factor]
        levels = sorted(set(part["level"]))
        if len(levels) < 2:
            continue
        code = part["level"].map({level: k for k, level in enumerate(levels)}).to_numpy()
        when = part["season"].map(place).to_numpy()
        enough = number(part, "tags") >= options.min_group_tags
        for measure in MEASURES:
            d, v = _beside_others(part, measure, when)
            effects = season_effects(np.where(enough, d, np.nan), v, code, len(levels))
            changed = _changed(np.where(enough, d, np.nan), v, code, when, len(levels), effects.between)
            judged = np.where(effects.seasons >= 2, effects.p, np.nan)
            for k, level in enumerate(levels):
                rows.append(
                    {
                        "factor": factor, "level": level, "measure": measure,
                        "seasons": int(effects.seasons[k]),
                        "odds_ratio": np.exp(effects.mean[k]), "low": np.exp(effects.low[k]),
                        "high": np.exp(effects.high[k]), "p": judged[k],
                        "changed": np.exp(changed[0][k]), "changed_low": np.exp(changed[1][k]),
                        "changed_high": np.exp(changed[2][k]), "_changed_p": changed[3][k],
                    }
                )  # fmt: skip
    out = pd.DataFrame(rows, columns=[*LEVEL_COLUMNS, "_changed_p"])
    for measure in MEASURES:
        of = out["measure"] == measure
        out.loc[of, "q"] = false_discovery(number(out[of], "p"))
        out.loc[of, "changed_q"] = false_discovery(number(out[of], "_changed_p"))
    out["course"] = _courses(out, "q", "odds_ratio", Course.HIGHER, Course.LOWER)
    out["change"] = _courses(out, "changed_q", "changed", Course.ROSE, Course.FELL)
    return out[LEVEL_COLUMNS]


def _courses(frame: pd.DataFrame, chance: str, ratio: str, up: Course, down: Course) -> list[str]:
    pairs = zip(number(frame, chance), number(frame, ratio), strict=True)
    return [str(_course(q, np.log(r) if r > 0 else np.nan, up, down)) for q, r in pairs]


def _beside_others(part: pd.DataFrame, measure: str, when: Floats) -> tuple[Floats, Floats]:
    """Log-odds of every level less those of all other levels of its season, and the variance."""
    p, worth = _worth(part, measure)
    flowers = np.where(np.isfinite(p), number(part, "flowers"), 0.0)
    known = np.isfinite(p)
    out, variance = np.full(len(p), np.nan), np.full(len(p), np.nan)
    own, own_variance = log_odds(p, worth)
    for season in np.unique(when):
        rows = np.flatnonzero((when == season) & known)
        for row in rows:
            others = rows[rows != row]
            if not len(others) or flowers[others].sum() <= 0:
                continue
            share = flowers[others] / flowers[others].sum()
            rest = float(share @ p[others])
            # a weighted mean of independent levels
            spread = float(share**2 @ (p[others] * (1 - p[others]) / np.maximum(worth[others], 1e-9)))
            size = rest * (1 - rest) / spread if spread > 0 else float(worth[others].sum())
            theirs, their_variance = log_odds(rest, size)
            out[row] = own[row] - theirs
            variance[row] = own_variance[row] + their_variance
    return out, variance


def _changed(
    d: Floats, v: Floats, code: Floats, when: Floats, levels: int, between: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Last season of every level less its earlier ones: log odds ratio, limits, p; (level,)."""
    out = np.full((4, levels), np.nan)
    spread = v + (between if np.isfinite(between) else 0.0)
    for level in range(levels):
        rows = np.flatnonzero((code == level) & np.isfinite(d))
        if len(rows) < 2:
            continue
        rows = rows[np.argsort(when[rows])]
        last, before = rows[-1], rows[:-1]
        weight = 1 / spread[before]
        gap = float(d[last] - weight @ d[before] / weight.sum())
        error = float(np.sqrt(spread[last] + 1 / weight.sum()))
        out[:, level] = gap, gap - 1.96 * error, gap + 1.96 * error, 2 * normal_tail(abs(gap / error))
    return out[0], out[1], out[2], out[3]


def _course(chance: float, value: float, up: Course, down: Course) -> Course:
    if not np.isfinite(chance):
        return Course.UNKNOWN
    if chance >= SURE:
        return Course.ALIKE
    return up if value > 0 else down


def _trends(rates: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """One row per measure: the whole season's rate over the seasons.

    `odds_ratio`, `low`, `high`: per season; `p_these`: whether the seasons as they were differ in one
    direction by more than chance; `p_any`: the same with seasons as chance; `course`.
    """
    whole = rates[rates["factor"] == SEASON]
    time = whole["season"].map({name: k for k, name in enumerate(names)}).to_numpy(dtype=float)
    rows = []
    for measure in MEASURES:
        p, worth = _worth(whole, measure)
        found = trend(*log_odds(p, worth), time)
        rows.append(
            {
                "measure": measure, "seasons": found.seasons, "odds_ratio": found.odds_ratio,
                "low": found.low, "high": found.high, "p_these": found.p_these, "p_any": found.p_any,
                "course": str(_course(found.p_these, np.log(found.odds_ratio), Course.ROSE, Course.FELL)),
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=TREND_COLUMNS)


def _repeats(seasons: Sequence[SeasonRecord], options: RateOptions) -> pd.DataFrame:
    """One row per pair crossed in two seasons or more, those that never reached a target first."""
    rows = []
    for place, season in enumerate(seasons):
        counted = tally(season.crosses, season.verdicts)
        target = np.nan_to_num(number(counted.crosses, "target_hybrids"), nan=float(options.target_hybrids))
        frame = pd.DataFrame(
            {
                "mother": text(counted.crosses, "mother"), "father": text(counted.crosses, "father"),
                "tags": 1, "flowers": np.nan_to_num(counted.flowers), "hybrids": counted.verdicts[:, 0],
                "target": target,
            }
        )  # fmt: skip
        pairs = frame.groupby(["mother", "father"], as_index=False, sort=True).agg(
            tags=("tags", "sum"),
            flowers=("flowers", "sum"),
            hybrids=("hybrids", "sum"),
            target=("target", "max"),
        )
        rows.append(pairs.assign(season=season.name, place=place))
    every = pd.concat(rows, ignore_index=True)
    every["reached"] = (every["hybrids"] >= every["target"]) & (every["target"] > 0)
    out = every.groupby(["mother", "father"], as_index=False, sort=True).agg(
        seasons=("season", "nunique"), tags=("tags", "sum"), flowers=("flowers", "sum"),
        hybrids=("hybrids", "sum"), seasons_reached=("reached", "sum"), first=("season", "first"),
        last=("season", "last"),
    )  # fmt: skip
    out = out[(out["seasons"] >= 2) & (out["mother"] != "") & (out["father"] != "")]
    whole = ["seasons", "tags", "flowers", "hybrids", "seasons_reached"]
    out[whole] = out[whole].round().astype("int64")
    order = ["seasons_reached", "seasons", "flowers", "mother", "father"]
    return out.sort_values(
        order, ascending=[True, False, False, True, True], kind="stable", ignore_index=True
    )


LEVEL_COLUMNS = [
    "factor", "level", "measure", "seasons", "odds_ratio", "low", "high", "p", "q", "course", "changed",
    "changed_low", "changed_high", "changed_q", "change",
]  # fmt: skip
TREND_COLUMNS = ["measure", "seasons", "odds_ratio", "low", "high", "p_these", "p_any", "course"]
