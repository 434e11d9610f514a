"""How a season's tags are put into groups: by person, line, hour, temperature class, week, own columns."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.tables.tally import RateOptions, Tally, number, text

SEASON = "season"
OPERATOR = "operator"
STANDARD = (OPERATOR, "mother", "father", "hour", "temperature_class", "week")


@dataclass(frozen=True, eq=False)
class Grouping:
    """`group` (tag,) counts from 0 into `levels`, -1 where the tag has no entry."""

    name: str
    group: Ints
    levels: tuple[str, ...]


@lru_cache(maxsize=16)
def grouping(tally: Tally, name: str, options: RateOptions) -> Grouping:
    """Tags grouped by one column; `hour` by the whole hour, `temperature_class` by steps of degrees."""
    frame = tally.crosses
    if name == SEASON:
        return Grouping(name, np.zeros(tally.tags, dtype=np.int64), ("all",))
    if name == "hour":
        return _by_value(name, np.floor(number(frame, "hour")), lambda h: f"{int(h):02d}:00")
    if name == "temperature_class":
        step = options.temperature_step
        low = np.floor(number(frame, "temperature_c") / step) * step
        return _by_value(name, low, lambda t: f"{t:g} to {t + step:g} °C")
    values = text(frame, name)
    levels = sorted({v for v in values if v})
    place = {level: index for index, level in enumerate(levels)}
    return Grouping(name, np.array([place.get(v, -1) for v in values], dtype=np.int64), tuple(levels))


def _by_value(name: str, values: Floats, label: Callable[[float], str]) -> Grouping:
    known = np.isfinite(values)
    levels, inverse = np.unique(values[known], return_inverse=True)
    group = np.full(len(values), -1, dtype=np.int64)
    group[known] = np.ravel(inverse)
    return Grouping(name, group, tuple(label(v) for v in levels))


def groupings(tally: Tally, options: RateOptions) -> list[Grouping]:
    """The season as a whole, the standard groupings and those of `rates_by`; empty ones left out."""
    names = dict.fromkeys((SEASON, *STANDARD, *options.rates_by))
    names.pop("pod", None)
    found = [grouping(tally, name, options) for name in names]
    return [g for g in found if g.levels]
