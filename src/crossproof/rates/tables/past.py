"""Tags of seasons before this one as prior knowledge, each season counting as far as seasons are alike.

A season whose log-odds are known with variance v says of another season what v + tau2 allows, tau2 the
variance between seasons. Its likelihood therefore enters with the power v / (v + tau2) (a power prior;
Ibrahim & Chen 2000, Statistical Science 15:46-60): a large season counts for no more than seasons are
alike, a small one nearly whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.model.arrays import Floats
from crossproof.rates.estimators.clusters import group_sum, moment_rho
from crossproof.rates.estimators.group_means import effective_size
from crossproof.rates.estimators.intervals import rate
from crossproof.rates.estimators.season_effects import log_odds, season_effects
from crossproof.rates.tables.groups import tag_success
from crossproof.rates.tables.tally import tally

ONE_SEASON = 0.25
"""tau2 where a single season gives no idea of it: log-odds that differ by 0.5 a season; no source."""
LEAST = 0.02
"""Least tau2: that two or three seasons were alike by chance must not make the next one known."""


@dataclass(frozen=True)
class PastTags:
    """Tags of earlier seasons; arrays (tag,), NaN where not recorded.

    `hybrids` of `determined` plants that rates count, `successes` of `flowers`, `pods`, `seeds`; the
    weights of a tag's hybrids, of its successes and of its pods.
    """

    hybrids: Floats
    determined: Floats
    successes: Floats
    flowers: Floats
    pods: Floats
    seeds: Floats
    hybrid_weight: Floats
    success_weight: Floats
    pod_weight: Floats


def past_tags(seasons: Sequence[tuple[pd.DataFrame, pd.DataFrame]]) -> PastTags | None:
    """Tags of seasons given as (crossing records, verdicts); None where there are none."""
    rows, place = [], []
    for number, (crosses, verdicts) in enumerate(seasons):
        counted = tally(crosses, verdicts)
        said = tag_success(counted).true.flowers
        flowers = np.where(np.isfinite(said), counted.flowers, 0.0)
        rows.append(
            (counted.weighted[:, 0], counted.counted, np.nan_to_num(said), flowers, counted.pods,
             counted.seeds, counted.flowers)
        )  # fmt: skip
        place.append(np.full(counted.tags, number))
    if not sum(len(p) for p in place):
        return None
    hybrids, determined, successes, successful, pods, seeds, flowers = (
        np.concatenate(column) for column in zip(*rows, strict=True)
    )
    of = np.concatenate(place)
    count = len(rows)
    set_pods = np.where(np.isfinite(pods), np.fmin(pods, flowers), 0.0)
    with_pods = np.where(np.isfinite(pods), flowers, 0.0)
    return PastTags(
        hybrids, determined, successes, successful, pods, seeds,
        season_weights(hybrids, determined, of, count)[of],
        season_weights(successes, successful, of, count)[of],
        season_weights(set_pods, with_pods, of, count)[of],
    )  # fmt: skip


def season_weights(y: Floats, n: Floats, season: Floats, seasons: int) -> Floats:
    """Power with which each season's tags count, (season,), 0 where it has none.

    Parameters (tag,): `y` of `n`, `season` from 0.
    """
    of = np.asarray(season, dtype=np.int64)
    used = n > 0
    rho = moment_rho(y[used], n[used], of[used])
    worth = effective_size(n[used], of[used], seasons, rho)
    value, variance = log_odds(rate(group_sum(of, y, seasons), group_sum(of, n, seasons)), worth)
    known = np.isfinite(value)
    between = season_effects(value, variance, np.zeros(seasons, dtype=np.int64), 1).between
    tau2 = ONE_SEASON if known.sum() < 2 else max(between, LEAST)
    return np.where(known, variance / (variance + tau2), 0.0)
