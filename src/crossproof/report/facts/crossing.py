"""How crossing went as facts: from flower to hybrid, rates by level, the terms of the model of selfs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.report.content.inputs import flags, numbers, texts

SEASON_TERM = "(season)"
"""Rows of factors.csv with this term are sentences about the whole model."""


@dataclass(frozen=True)
class Estimate:
    """A share with its 95 % limits; NaN where unknown."""

    value: float
    low: float
    high: float

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)


@dataclass(frozen=True)
class ChainFacts:
    """What became of the flowers of a season. `pods` is NaN where none are recorded, `seeds` 0."""

    flowers: float
    pods: float
    seeds: float
    tested: float
    hybrids: float
    determined: float
    success: Estimate
    selfed_seed: Estimate
    selfed_flowers: Estimate
    pods_with_several: float
    estimated: bool
    """Whether success is the season's estimate; else the mean of its crosses."""

    @property
    def pod_share(self) -> float:
        """Share of the flowers that set a pod."""
        return self.pods / self.flowers if self.flowers else math.nan

    @property
    def seeds_per_pod(self) -> float:
        """Seeds of a pod."""
        return self.seeds / self.pods if self.seeds and self.pods else math.nan

    @property
    def hybrid_share(self) -> float:
        """Share of hybrids among plants with a verdict."""
        return self.hybrids / self.determined if self.determined else math.nan


def chain_facts(crosses: pd.DataFrame, rates_by: pd.DataFrame) -> ChainFacts:
    """The facts of the tables of crosses and of rates."""
    flowers, pods, seeds, tested, hybrids, determined = (
        float(np.nansum(numbers(crosses, c)))
        for c in ("flowers", "pods", "seeds", "tested", "hybrid", "determined")
    )
    whole = rows_of(rates_by, "season")
    success = _estimate(whole, "true_success")
    estimated = success.known
    if not estimated:
        success = Estimate(_by_flower(crosses), success.low, success.high)
    several = numbers(whole, "pods_with_several_typed")
    return ChainFacts(
        flowers,
        pods if np.isfinite(numbers(crosses, "pods")).any() else math.nan,
        seeds,
        tested,
        hybrids,
        determined,
        success,
        _estimate(whole, "selfed_seed_share"),
        _estimate(whole, "selfed_flower_share"),
        float(several[0]) if len(several) else math.nan,
        estimated,
    )


def _by_flower(crosses: pd.DataFrame) -> float:
    """Mean true success of the crosses, weighted by their flowers."""
    weights, each = np.nan_to_num(numbers(crosses, "flowers")), numbers(crosses, "true_success")
    known = np.isfinite(each) & (weights > 0)
    return float((each[known] * weights[known]).sum() / weights[known].sum()) if known.any() else math.nan


def rows_of(rates_by: pd.DataFrame, factor: str) -> pd.DataFrame:
    """The rows of one factor of rates_by.csv."""
    return rates_by[np.array(texts(rates_by, "factor"), dtype=object) == factor]


def _estimate(frame: pd.DataFrame, name: str) -> Estimate:
    columns = (numbers(frame, c) for c in (name, f"{name}_low", f"{name}_high"))
    return Estimate(*(float(c[0]) if len(c) else math.nan for c in columns))


@dataclass(frozen=True)
class RateFact:
    """The rate at one level; `rate` is drawn to the season's mean where that was worked out, `raw` is not."""

    level: str
    rate: Estimate
    raw: float
    tags: float
    tested: float
    selfs: float
    outcrosses: float
    few: bool


@dataclass(frozen=True)
class RatesFacts:
    """The rates at the levels of a factor, those that are known, in the order of rates_by.csv."""

    factor: str
    success: bool
    """Whether they are true success per flower; else hybrids among plants with a verdict."""
    overall: float
    rows: tuple[RateFact, ...]

    @property
    def best(self) -> RateFact:
        """The highest rate."""
        return max(self.rows, key=lambda r: r.rate.value)

    @property
    def worst(self) -> RateFact:
        """The lowest rate."""
        return min(self.rows, key=lambda r: r.rate.value)

    @property
    def apart(self) -> bool | None:
        """Whether the intervals of the highest and the lowest do not touch; None where unknown."""
        low, high = self.best.rate.low, self.worst.rate.high
        return low > high if math.isfinite(low) and math.isfinite(high) else None


def rates_facts(rates_by: pd.DataFrame, factor: str) -> RatesFacts | None:
    """The facts of one factor; None where fewer than two levels or no rate is known."""
    rows = rows_of(rates_by, factor)
    name = next((n for n in ("true_success", "hybrid_rate") if np.isfinite(numbers(rows, n)).any()), "")
    if not name or len(rows) < 2:
        return None
    raw, shrunk = (
        [numbers(rows, f"{n}{end}") for end in ("", "_low", "_high")] for n in (name, f"{name}_shrunk")
    )
    columns = ("tags", "tested", "selfing_rate", "outcrossing_rate")
    tags, tested, selfs, outcrosses = (numbers(rows, c).tolist() for c in columns)
    levels, few = texts(rows, "level"), flags(rows, "too_few")
    found = []
    for i in range(len(rows)):
        use = math.isfinite(shrunk[0][i])
        rate = Estimate(*(float(c[i]) for c in (shrunk if use else raw)))
        if rate.known:
            found.append(
                RateFact(
                    levels[i], rate, float(raw[0][i]) if use else math.nan, tags[i], tested[i], selfs[i],
                    outcrosses[i], few[i],
                )
            )  # fmt: skip
    if not found:
        return None
    return RatesFacts(
        factor, name == "true_success", _estimate(rows_of(rates_by, "season"), name).value, tuple(found)
    )


@dataclass(frozen=True)
class TermFact:
    """A term of the model of selfs: odds ratio with limits, NaN where there is none; `note` says why."""

    term: str
    level: str
    reference: str
    odds: Estimate
    note: str

    @property
    def drawable(self) -> bool:
        """Whether its interval can be drawn on a scale of odds."""
        return self.odds.known and self.odds.low > 0 and self.odds.high < 1e4

    @property
    def clear(self) -> bool:
        """Whether its interval leaves out 1."""
        return self.odds.low > 1 or self.odds.high < 1


@dataclass(frozen=True)
class ModelFacts:
    """The model of selfs: its terms, and what is said of the whole."""

    terms: tuple[TermFact, ...]
    about: tuple[str, ...]

    @property
    def drawn(self) -> tuple[TermFact, ...]:
        """Terms with an interval that can be drawn, at most thirty."""
        return tuple(t for t in self.terms if t.drawable)[:30]


def model_facts(factors: pd.DataFrame) -> ModelFacts:
    """The facts of factors.csv."""
    term, level, reference, note = (texts(factors, c) for c in ("term", "level", "reference", "note"))
    odds = [numbers(factors, c).tolist() for c in ("odds_ratio", "low", "high")]
    terms = tuple(
        TermFact(term[i], level[i], reference[i], Estimate(*(c[i] for c in odds)), note[i])
        for i in range(len(factors))
        if term[i] != SEASON_TERM
    )
    about = (n.strip().removesuffix(".") for t, n in zip(term, note, strict=True) if t == SEASON_TERM)
    return ModelFacts(terms, tuple(n for n in about if n))
