"""From plants to pods to flowers: true success of a tag.

    F   flowers pollinated
    P   pods harvested, one per flower at most
    T   pods of which a plant has a verdict
    S   of those, pods with at least one verified hybrid
    r   hybrid rate of the tag's determined plants
    s   seeds per pod
    rho correlation of two plants of one pod

*True success* is the share of flowers that gave at least one verified hybrid.

Where plants carry their pod: (S + (P - T) S / T) / F; the pods not looked at are taken to be like the tag's
others, and the bounds take none or all of them.
Else: pod set times the share of pods with a hybrid, P q / F. One pod: q is whether a hybrid was found.
Several: q is the chance that a pod of s seeds has a hybrid, 1 - prod_{i<s} (beta + i) / (alpha + beta + i)
with alpha, beta of mean r and correlation rho: r when a pod's seeds share their fate (rho = 1), 1 - (1-r)^s
when they do not (rho = 0). Bounds: one pod has all the hybrids; every pod has one, as far as they go.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats, Objects
from crossproof.rates.estimators.clusters import group_sum


class Basis(StrEnum):
    """What a tag's true success was worked out from."""

    PODS = "by pod"
    SHARE = "pod set x share of pods with a hybrid"
    NO_POD = "no pod set"
    UNKNOWN = ""


@dataclass(frozen=True)
class TrueSuccess:
    """Flowers of each tag that gave a verified hybrid; arrays (tag,), NaN where it cannot be said.

    `flowers` is an estimate and need not be whole; `low` and `high` are the bounds from what was not looked
    at, not limits of chance. `seen`: share of the tag's pods that was looked at. `basis`: Basis values.
    """

    flowers: Floats
    low: Floats
    high: Floats
    seen: Floats
    basis: Objects


def share_of_pods(rate: ArrayLike, seeds_per_pod: ArrayLike, rho: float) -> Floats:
    """Chance that a pod has at least one hybrid among its seeds; NaN where the rate is unknown.

    `seeds_per_pod` need not be whole: between two whole numbers the log of the chance of none is straight.
    """
    r, s = np.broadcast_arrays(np.asarray(rate, dtype=float), np.asarray(seeds_per_pod, dtype=float))
    out = np.array(r, dtype=float)  # at rho = 1, and at r = 0 or 1, the share is the rate
    inner = (r > 0) & (r < 1) & (s > 0)
    if rho < 1 and inner.any():
        steps = np.arange(int(np.ceil(s[inner].max())))
        part = np.clip(s[inner][:, None] - steps, 0.0, 1.0)
        if rho <= 1e-6:
            none = np.log1p(-r[inner]) * part.sum(axis=1)
        else:
            size = (1 - rho) / rho
            none = np.sum(part * np.log(((1 - r[inner]) * size)[:, None] + steps), axis=1)
            none -= np.sum(part * np.log(size + steps), axis=1)
        out[inner] = -np.expm1(none)
    return out


def true_success(
    *,
    flowers: ArrayLike,
    pods: ArrayLike,
    pods_tested: ArrayLike,
    pods_with_hybrid: ArrayLike,
    determined: ArrayLike,
    hybrids: ArrayLike,
    any_hybrid: ArrayLike,
    seeds_per_pod: ArrayLike,
    rho: float,
) -> TrueSuccess:
    """Flowers of each tag that gave at least one verified hybrid.

    Parameters, all (tag,): `flowers`; `pods` harvested, NaN where not recorded; `pods_tested` and
    `pods_with_hybrid` among plants that carry a pod, 0 where none does; `determined` plants and expected
    `hybrids` among them; `any_hybrid`, the chance that at least one determined plant is a hybrid;
    `seeds_per_pod`, NaN where unknown (then the plants looked at stand in); `rho` correlation in a pod.
    Where pods were not recorded, the pods seen among the plants are all there is; a tag of one flower has
    one pod.
    """
    f, p, t, s, n, h, a, per_pod = (
        np.asarray(x, dtype=float)
        for x in (
            flowers, pods, pods_tested, pods_with_hybrid, determined, hybrids, any_hybrid, seeds_per_pod,
        )
    )  # fmt: skip
    out, low, high = (np.full(f.shape, np.nan) for _ in range(3))
    known = np.ones(f.shape)
    basis = np.full(f.shape, Basis.UNKNOWN, dtype=object)
    usable = f > 0
    p = np.where(np.isnan(p) & (t > 0), t, p)
    p = np.where(np.isnan(p) & (f == 1) & (n > 0), 1.0, p)
    p = np.fmin(np.fmax(p, t), f)

    none = usable & (p == 0)
    out[none] = low[none] = high[none] = 0.0
    basis[none] = Basis.NO_POD

    by_pod = usable & (t > 0) & ~none
    seen = np.fmin(t, f)[by_pod]
    hit = np.fmin(s[by_pod], seen)
    rest = np.maximum(p[by_pod] - seen, 0.0)
    out[by_pod] = hit + rest * hit / seen
    low[by_pod], high[by_pod] = hit, hit + rest
    known[by_pod] = seen / (seen + rest)
    basis[by_pod] = Basis.PODS

    by_share = usable & (t <= 0) & (p > 0) & (n > 0)
    if by_share.any():
        pp, nn, hh, aa = p[by_share], n[by_share], h[by_share], a[by_share]
        seeds = np.where(np.isnan(per_pod[by_share]), np.maximum(nn / pp, 1.0), per_pod[by_share])
        share = share_of_pods(np.clip(hh / nn, 0.0, 1.0), np.maximum(seeds, 1.0), rho)
        most = np.where(pp == 1, aa, np.fmin(pp, np.where(seeds * pp > nn + 0.5, pp * (aa > 0.5), hh)))
        estimate = np.where(pp == 1, aa, pp * share)
        low[by_share] = np.fmin(aa, 1.0)
        high[by_share] = np.fmax(most, low[by_share])
        out[by_share] = np.clip(estimate, low[by_share], np.fmax(high[by_share], low[by_share]))
        basis[by_share] = Basis.SHARE
    return TrueSuccess(out, low, high, known, basis)


def tag_weight(
    *,
    flowers: ArrayLike,
    pods: ArrayLike,
    looked_at: ArrayLike,
    seen: ArrayLike,
    group: ArrayLike,
    groups: int,
) -> tuple[Floats, Floats]:
    """What each tag counts in its group's true success, and in the limits of it; both (tag,).

    The first is `no_pod_weight`. The second is smaller by the share of its pods that the group was looked at:
    what was extended to the others is no information of its own. The share is the group's, not the tag's, or
    tags with many pods, the successful ones, would count least.
    """
    f, of = np.asarray(flowers, dtype=float), np.asarray(group, dtype=np.int64)
    weight = no_pod_weight(f, pods, looked_at, of, groups)
    known = (of >= 0) & np.asarray(looked_at, dtype=bool)
    total = group_sum(of[known], f[known], groups)
    partial = group_sum(of[known], (f * np.asarray(seen, dtype=float))[known], groups)
    share = np.append(np.divide(partial, total, out=np.ones(groups), where=total > 0), 1.0)
    return weight, weight * share[of]


def no_pod_weight(
    flowers: ArrayLike, pods: ArrayLike, looked_at: ArrayLike, group: ArrayLike, groups: int
) -> Floats:
    """How much a tag without a pod counts beside the tags that were looked at, (tag,); 1 for all others.

    That a tag set no pod is known at harvest, what its neighbours' pods hold only once they are genotyped. Of
    a group of which half the pods' flowers were looked at, only half of the podless may count, or its success
    would seem to fall with every tag not yet tested.
    Parameters (tag,): `looked_at`, whether a plant has a verdict; `group` from 0, -1 for none.
    """
    f, p = np.asarray(flowers, dtype=float), np.asarray(pods, dtype=float)
    seen, of = np.asarray(looked_at, dtype=bool), np.asarray(group, dtype=np.int64)
    with_pod = (of >= 0) & ~(p == 0) & np.isfinite(p) & (f > 0)
    every = group_sum(of[with_pod], f[with_pod], groups)
    looked = group_sum(of[with_pod & seen], f[with_pod & seen], groups)
    share = np.divide(looked, every, out=np.ones(groups), where=every > 0)
    podless = (of >= 0) & (p == 0)
    weight = np.ones(len(of))
    weight[podless] = share[of[podless]]
    return weight
