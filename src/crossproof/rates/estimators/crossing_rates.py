"""From plants to pods to flowers: true success of a tag, and of a group of tags.

    F   flowers pollinated
    P   pods harvested, one per flower at most
    T   pods of which a plant has a verdict
    q   chance that a pod holds at least one hybrid among all its seeds, typed or not (pod_mixture)

*True success* is the share of flowers whose pod holds at least one hybrid. A tag's is the sum of q over its
pods by F, each pod looked at by its own plants, the others taken to be like these. A group's is its pod set
times its mean q: pod set is known from every tag at harvest, q from the pods that were looked at, so that
nothing depends on how much of the season is genotyped yet.

Plants without a pod: a tag of one pod has all of them from it. Those of several pods are dealt out one to a
pod, which says how many are hybrids and nothing of whether pods are mixed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from crossproof.model.arrays import Floats, Objects
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.pod_mixture import Pods


class Basis(StrEnum):
    """What a tag's true success was worked out from."""

    PODS = "by pod"
    SHARE = "pod set x share of pods with a hybrid"
    NO_POD = "no pod set"
    UNKNOWN = ""


@dataclass(frozen=True)
class TrueSuccess:
    """Flowers of each tag whose pod holds a hybrid; arrays (tag,), NaN where it cannot be said.

    `flowers` is an estimate and need not be whole; `low` and `high` are the bounds from what was not looked
    at, not limits of chance. `basis`: Basis values.
    """

    flowers: Floats
    low: Floats
    high: Floats
    basis: Objects


def pods_on_flowers(
    *, flowers: ArrayLike, pods: ArrayLike, pods_tested: ArrayLike, determined: ArrayLike
) -> Floats:
    """Pods of each tag, (tag,), at most one per flower; NaN where nothing tells.

    Where pods were not recorded, the pods seen among the plants are all there is; a tag of one flower with
    plants has one pod.
    """
    f, p, t, n = (np.asarray(x, dtype=float) for x in (flowers, pods, pods_tested, determined))
    p = np.where(np.isnan(p) & (t > 0), t, p)
    p = np.where(np.isnan(p) & (f == 1) & (n > 0), 1.0, p)
    return np.where(f > 0, np.fmin(np.fmax(p, np.where(np.isnan(p), np.nan, t)), f), np.nan)


def looked_at(
    *,
    pods: ArrayLike,
    seeds_per_pod: ArrayLike,
    hybrids: ArrayLike,
    typed: ArrayLike,
    found: ArrayLike,
    tag: ArrayLike,
    named: ArrayLike,
) -> Pods:
    """The pods that plants with a verdict came from.

    Parameters: `pods` on flowers and `seeds_per_pod` (tag,), NaN where unknown (a pod then has the seeds
    that were typed); `hybrids`, `typed`, `found`, `tag`, `named` (cluster,): plants of one pod, or of one
    tag where they are not `named`; `found`, the chance that one of them is a hybrid. Plants without a pod
    beside others of their tag that have one are left out.
    """
    p, s = np.asarray(pods, dtype=float), np.asarray(seeds_per_pod, dtype=float)
    y, n, a = (np.asarray(x, dtype=float) for x in (hybrids, typed, found))
    t, label = np.asarray(tag, dtype=np.int64), np.asarray(named, dtype=bool)
    tested = group_sum(t[label], np.ones(int(label.sum())), len(p))
    single = ~label & (tested[t] == 0) & (p[t] == 1)
    several = ~label & (tested[t] == 0) & (p[t] > 1)
    whole = (label | single) & (p[t] > 0)
    each = np.where(label, np.divide(p[t], tested[t], out=np.ones(len(t)), where=tested[t] > 0), 1.0)
    dealt = np.fmin(n, p[t])[several]
    share = (y / n)[several]
    columns = []
    for kind, part in ((1.0, share), (0.0, 1 - share)):
        one = np.ones(int(several.sum()))
        columns.append(
            (kind * one, one, kind * one, s[t][several], p[t][several] * part, dealt * part, t[several])
        )
    columns.append(
        (y[whole], n[whole], a[whole], s[t][whole], each[whole], np.ones(int(whole.sum())), t[whole])
    )
    y, n, a, m, w, c, t = (np.concatenate(x) for x in zip(*columns, strict=True))
    kept = (c > 0) & (w > 0)
    m = np.fmax(np.where(np.isnan(m), n, m), n)
    y, n, a, m, w, c = (x[kept] for x in (np.round(y), np.round(n), a, m, w, c))
    return Pods(y, n, a, m, w, c, t[kept].astype(np.int64))


def true_success(
    *,
    flowers: ArrayLike,
    pods: ArrayLike,
    pods_tested: ArrayLike,
    any_hybrid: ArrayLike,
    seen: Pods,
    of_pod: ArrayLike,
) -> TrueSuccess:
    """Flowers of each tag whose pod holds at least one hybrid.

    Parameters (tag,): `flowers`; `pods` on flowers; `pods_tested` among plants that carry a pod;
    `any_hybrid`, the chance that one of the tag's plants is a hybrid. `seen`: the pods looked at; `of_pod`
    (pod,) the chance of each to hold a hybrid.
    """
    f, p, t, a = (np.asarray(x, dtype=float) for x in (flowers, pods, pods_tested, any_hybrid))
    chance = np.asarray(of_pod, dtype=float)
    out, low, high = (np.full(f.shape, np.nan) for _ in range(3))
    basis = np.full(f.shape, Basis.UNKNOWN, dtype=object)
    none = (f > 0) & (p == 0)
    out[none] = low[none] = high[none] = 0.0
    basis[none] = Basis.NO_POD
    tags = len(f)
    there = group_sum(seen.tag, seen.weight, tags) > 0
    hits = group_sum(seen.tag, seen.weight * chance, tags)
    out[there] = np.fmin(hits, p)[there]
    labelled = there & (t > 0)
    basis[there] = Basis.SHARE
    basis[labelled] = Basis.PODS
    certain = group_sum(seen.tag, seen.found * seen.count, tags)
    # a pod all of whose seeds were typed without a hybrid holds none; any other may
    closed = (seen.typed >= seen.seeds - 0.5) * (1 - seen.found) * seen.count
    empty = np.where(labelled | (p == 1), group_sum(seen.tag, closed, tags), 0.0)
    low[there] = np.where(labelled, np.fmin(certain, p), np.fmin(a, 1.0))[there]
    high[there] = np.fmax(p - empty, low)[there]
    out[there] = np.clip(out[there], low[there], high[there])
    return TrueSuccess(out, low, high, basis)


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


def product_limits(
    first: tuple[Floats, Floats, Floats], second: tuple[Floats, Floats, Floats]
) -> tuple[Floats, Floats]:
    """Limits of the product of two independent rates from each one's (rate, low, high); any shape.

    Each limit's distance is recovered as a variance on the log scale (MOVER; Zou & Donner 2008, Statistics in
    Medicine 27:1693-1702). NaN where either is unknown.
    """
    (p, pl, ph), (q, ql, qh) = (
        [np.log(np.maximum(np.asarray(x, dtype=float), 1e-12)) for x in part] for part in (first, second)
    )
    low = p + q - np.hypot(p - pl, q - ql)
    high = p + q + np.hypot(ph - p, qh - q)
    low = np.where(np.asarray(first[1]) * np.asarray(second[1]) <= 0, -np.inf, low)
    return np.asarray(np.exp(low)), np.asarray(np.minimum(np.exp(high), 1.0))
