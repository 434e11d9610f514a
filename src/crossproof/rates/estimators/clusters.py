"""Plants that share their fate: how strongly.

y, n    plants of the class, and plants looked at, in one cluster
rho     correlation of two plants of one cluster
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats


def group_sum(group: ArrayLike, values: ArrayLike, groups: int) -> Floats:
    """Sum of `values` (item,) by `group` (item,), 0-based; (group,)."""
    return np.bincount(
        np.asarray(group, dtype=np.int64), np.asarray(values, dtype=float), minlength=groups
    ).astype(float)


def moment_rho(y: ArrayLike, n: ArrayLike, group: ArrayLike) -> float:
    """Quick correlation inside clusters, about each group's own mean, kept in [0, 0.95].

    Analysis of variance estimator for binary data (Ridout, Demetrio & Firth 1999, Biometrics 55:137-148,
    eq. 3). 0 where no group has two clusters, or no cluster two plants.
    """
    yy, nn = np.asarray(y, dtype=float), np.asarray(n, dtype=float)
    gg = np.asarray(group, dtype=np.int64)
    if not len(nn):
        return 0.0
    groups = int(gg.max()) + 1
    total, sums = group_sum(gg, nn, groups), group_sum(gg, yy, groups)
    used = group_sum(gg, np.ones(len(gg)), groups) > 0
    clusters, plants = float(len(nn)), float(nn.sum())
    degrees_between, degrees_within = clusters - used.sum(), plants - clusters
    if degrees_between <= 0 or degrees_within <= 0:
        return 0.0
    mean = np.divide(sums, total, out=np.zeros(groups), where=total > 0)
    p = yy / nn
    between = float(np.sum(nn * (p - mean[gg]) ** 2)) / degrees_between
    within = float(np.sum(nn * p * (1 - p))) / degrees_within
    squares = group_sum(gg, nn**2, groups)
    share = np.divide(squares, total, out=np.zeros(groups), where=total > 0)
    size = (plants - float(share.sum())) / degrees_between
    if between + (size - 1) * within <= 0:
        return 0.0
    return float(np.clip((between - within) / (between + (size - 1) * within), 0.0, 0.95))


def log_sum(values: Floats, axis: int | None = None) -> Floats:
    """log(sum(exp(values))) over one axis or all, for finite values, sooner than scipy's."""
    top = values.max(axis=axis, keepdims=True)
    total = np.log(np.exp(values - top).sum(axis=axis, keepdims=True)) + top
    return np.asarray(total.squeeze(axis=axis))
