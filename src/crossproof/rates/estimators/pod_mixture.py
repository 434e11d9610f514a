"""Whether a pod's seed is all of one kind or mixed, and from it the chance that a pod holds a hybrid.

    y, n    hybrids, and plants with a verdict, of one pod
    m       seeds of the pod, typed or not
    h       share of hybrids among a pod's seeds
    mu      mean of h over the pods of a group
    pi      share of *pure* pods, h = 0 or h = 1
    c       share of h = 1 among the pure pods
    a, b    of the beta distribution of h in the mixed pods; k = a + b
    q       chance that a pod holds at least one hybrid among its m seeds

Over the pods of a group h is 1 with chance pi c, 0 with chance pi (1 - c), else beta(a, b). One pod gives

    L(y, n) = pi c [y = n] + pi (1 - c) [y = 0] + (1 - pi) B(a + y, b + n - y) / B(a, b)

and q = 1 - pi (1 - c) - (1 - pi) B(a, b + m) / B(a, b). What a pod's untyped seeds hold follows from the
typed ones: with y = 0 of n, q becomes 1 - L(0, m) / L(0, n).

The structure is the same for all groups and lies on a grid; mu is each group's own. Either pi, k and the
log-odds by which pure pods lean to one side are fixed and the mixed pods' mean moves with mu; or the mixed
pods are alike in all groups, and groups differ by the pods beside them that are all of one kind. One plant
per pod says nothing of the structure: every one gives the same likelihood. The limits of q are therefore
those of its *profile* likelihood, the best over all structures, which stay as wide as that leaves them (Cox
& Hinkley 1974, Theoretical Statistics, section 9.3). Pods of one tag resemble each other; a group's
log-likelihood is divided by the design effect of that (a composite likelihood with adjusted magnitude;
Pauli, Racugno & Ventura 2011, Statistica Sinica 21:149-164).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, gammaln, logit

from crossproof.model.arrays import Floats, Ints
from crossproof.rates.estimators.clusters import group_sum, log_sum, moment_rho
from crossproof.rates.estimators.laws import beta_quantile

_PURE = (0.0, 0.1, 0.25, 0.4, 0.6, 0.8, 1.0)
_SIZE = (0.5, 1.5, 4.0, 12.0, 60.0, 2000.0)
_LEAN = (-2.5, 0.0, 2.5)
_FIXED_MEAN = (0.3, 0.6, 0.8, 0.92)
_FIXED_SIZE = (1.5, 5.0, 20.0)
_POINTS = 41
_FINE = np.linspace(-24.0, 24.0, 481)
_TINY = 1e-300
_SURE = 1e-9
_Z = 1.959964
_CUT = _Z**2 / 2
_TAIL = 0.025
_NEARLY_ALL = 0.1


@dataclass(frozen=True)
class _Shape:
    """The distribution of h at every structure and mean; arrays (structure, point).

    `none`, `all`: chance of h = 0 and of h = 1; `a`, `b`: of the beta distribution of the others.
    """

    none: Floats
    all: Floats
    a: Floats
    b: Floats


def _moving() -> list[tuple[float, float, float, float]]:
    """Structures whose mixed pods have the group's own mean: share pure, size, lean, prior mass."""
    rows = []
    for pure in _PURE:
        sizes = _SIZE if pure < 1 else _SIZE[:1]
        leans = _LEAN if 0 < pure < 1 else (0.0,)
        mass = 0.5 / (len(_PURE) * len(sizes) * len(leans))
        rows += [(pure, size, lean, mass) for size in sizes for lean in leans]
    return rows


_MOVING = np.array(_moving()).T
_FIXED = np.array(
    [(m, k, 0.5 / (len(_FIXED_MEAN) * len(_FIXED_SIZE))) for m in _FIXED_MEAN for k in _FIXED_SIZE]
).T
_SIZES = np.concatenate([_MOVING[1], _FIXED[1]])
_LOG_PRIOR = np.log(np.concatenate([_MOVING[3], _FIXED[2]]))


def _mean_odds() -> Floats:
    """Log-odds of all pods' mean at the mixed pods' own (structure, point of _FINE)."""
    pure, _, lean = _MOVING[:3, :, None]
    means = pure * expit(_FINE + lean) + (1 - pure) * expit(_FINE)
    return np.asarray(logit(np.clip(means, 1e-12, 1 - 1e-12)))


_MEAN_ODDS, _ODDS_OF = np.unique(_mean_odds(), axis=0, return_inverse=True)
"""Structures that differ in size alone share their odds; rows, and the row of each structure."""


def _shape(mu: Floats) -> _Shape:
    """Every structure at means mu (point,).

    Moving: pure pods are a fixed share, and the mixed pods' mean goes with the group's. Fixed: mixed pods are
    alike in all groups, and what a group differs by are pods that are all of one kind.
    """
    pure, size, lean = _MOVING[:3, :, None]
    at = logit(mu)
    x = np.array([np.interp(at, odds, _FINE) for odds in _MEAN_ODDS])[_ODDS_OF]
    top = expit(x + lean)
    mean, fixed_size = _FIXED[:2, :, None]
    alike = np.broadcast_to(mean, (_FIXED.shape[1], len(mu)))
    return _Shape(
        np.concatenate([pure * (1 - top), np.maximum(1 - mu / mean, 0.0)]),
        np.concatenate([pure * top, np.maximum((mu - mean) / (1 - mean), 0.0)]),
        np.maximum(np.concatenate([expit(x) * size, alike * fixed_size]), 1e-12),
        np.maximum(np.concatenate([expit(-x) * size, (1 - alike) * fixed_size]), 1e-12),
    )


@dataclass(frozen=True)
class Pods:
    """Pods that were looked at; arrays (pod,).

    `hybrids` of `typed`, whole numbers, `typed` at least 1; `found`: chance that one of the typed is a
    hybrid; `seeds`, at least `typed`; `weight`: pods that each stands for (its tag's pods over those looked
    at); `count`: pods that the row is, 1 unless plants of unknown pods are dealt out; `tag`.
    """

    hybrids: Floats
    typed: Floats
    found: Floats
    seeds: Floats
    weight: Floats
    count: Floats
    tag: Ints


@dataclass(frozen=True)
class PodSuccess:
    """Chance that a pod holds a hybrid, by group; arrays (group,), NaN where no pod was looked at.

    `of_pod` (pod,): the same for each pod, given its own plants, NaN outside all groups. `several` (group,):
    pods with two or more plants, which alone tell the structure.
    """

    mean: Floats
    low: Floats
    high: Floats
    of_pod: Floats
    several: Floats


def pod_success(pods: Pods, group: Ints, groups: int) -> PodSuccess:
    """Chance q of each group's pods to hold a hybrid, with 95 % limits.

    `group` (pod,) from 0, -1 for none. The estimate is the mean over the pods looked at of what each holds,
    given its own plants; the limits are those of q's profile likelihood, widened where that mean varies more
    than q does.
    """
    mean, low, high = (np.full(groups, np.nan) for _ in range(3))
    of_pod = np.full(len(pods.typed), np.nan)
    used = group >= 0
    several = group_sum(group[used], (pods.typed[used] > 1) * pods.count[used], groups)
    parts = {int(g): np.flatnonzero(group == g) for g in np.unique(group[used])}
    if not parts:
        return PodSuccess(mean, low, high, of_pod, several)
    effect = _design_effect(pods, group, groups)
    made = {g: _group(pods, rows, effect[g]) for g, rows in parts.items()}
    evidence = np.sum([m.log_evidence for m in made.values()], axis=0)
    for g, one in made.items():
        rest = evidence - one.log_evidence
        weight = one.log_joint + (rest + _LOG_PRIOR)[:, None]
        weight = np.exp(weight - log_sum(weight))
        rows = parts[g]
        inside = pods.found[rows] + (1 - pods.found[rows]) * one.left(weight)
        of_pod[rows] = inside
        share = pods.weight[rows] / pods.weight[rows].sum()
        mean[g] = min(float(share @ inside), 1.0)
        worth = float(pods.count[rows].sum()) / effect[g]
        low[g], high[g] = _limits(one, rest, weight, mean[g], _sampled(inside, share, worth), worth)
    return PodSuccess(mean, low, high, of_pod, several)


def _sampled(inside: Floats, share: Floats, worth: float) -> float:
    """Standard deviation of the mean over the pods looked at, the structure and mu known."""
    mean = float(share @ inside)
    return float(np.sqrt(share @ (inside - mean) ** 2 / worth))


@dataclass(frozen=True)
class _Group:
    """One group on the grid (structure, point): log-likelihood with Jeffreys' prior of mu, and q."""

    log_joint: Floats
    log_evidence: Floats
    q: Floats
    none: Floats
    """L(0, s) for each distinct number of seeds s, (structure, point, s)."""
    pairs: Ints
    """Distinct (typed, seeds) of the pods, as places in the last axis of `none`."""
    pair: Ints
    empty: Floats
    """Share of the group's pods without a hybrid so far, by pair."""

    def left(self, weight: Floats) -> Floats:
        """Chance that the untyped seeds of each pod hold a hybrid where none of the typed is one; (pod,)."""
        chance = [np.sum(weight * (1 - self.none[..., s] / self.none[..., t])) for t, s in self.pairs]
        return np.array(chance)[self.pair]

    def pods_mean(self, structure: int) -> Floats:
        """Mean of the same over the pods, at each point of one structure; (point,)."""
        none = self.none[structure]
        left = 1 - none[:, self.pairs[:, 1]] / none[:, self.pairs[:, 0]]
        return np.asarray(1 - self.empty.sum() + left @ self.empty)


def _group(pods: Pods, rows: Ints, effect: float) -> _Group:
    y, n, weight = pods.hybrids[rows], pods.typed[rows], pods.weight[rows]
    m = np.maximum(np.round(pods.seeds[rows] * 2) / 2, n)
    points = _grid(y / n, pods.count[rows], effect)
    shape = _shape(expit(points))
    mixed = np.maximum(1 - shape.none - shape.all, 0.0)
    size = _SIZES[:, None]  # a + b, the same at every point of a structure
    steps = np.arange(int(n.max()))[:, None, None]

    def rising(start: Floats) -> Floats:
        """log of start (start + 1) .. (start + j - 1), j = 0 .. n; (j, structure, point)."""
        out = np.zeros((len(steps) + 1, *start.shape))
        np.cumsum(np.log(start + steps), axis=0, out=out[1:])
        return out

    up, down, whole = rising(shape.a), rising(shape.b), rising(size)
    cells, cell = np.unique(np.column_stack([y, n]).astype(np.int64), axis=0, return_inverse=True)
    worth = weight * (pods.count[rows].sum() / weight.sum() / effect)
    times = group_sum(np.ravel(cell), worth, len(cells))
    total = np.zeros_like(mixed)
    for (hybrids, typed), many in zip(cells, times, strict=True):
        chance = mixed * np.exp(up[hybrids] + down[typed - hybrids] - whole[typed])
        if hybrids == typed:
            chance = chance + shape.all
        if hybrids == 0:
            chance = chance + shape.none
        total += many * np.log(np.maximum(chance, _TINY))
    jeffreys = -0.5 * (np.logaddexp(0, -points) + np.logaddexp(0, points))
    joint = total + jeffreys

    seeds, at = np.unique(np.concatenate([m, n]), return_inverse=True)
    at = np.ravel(at)
    fall = gammaln(shape.b[..., None] + seeds) - gammaln(shape.b)[..., None]
    fall += gammaln(size)[..., None] - gammaln(size[..., None] + seeds)
    none = np.maximum(shape.none[..., None] + mixed[..., None] * np.exp(fall), _TINY)
    share = group_sum(at[: len(m)], weight, len(seeds)) / weight.sum()
    pairs, pair = np.unique(np.column_stack([at[len(m) :], at[: len(m)]]), axis=0, return_inverse=True)
    pair = np.ravel(pair)
    empty = group_sum(pair, weight * (y == 0), len(pairs)) / weight.sum()
    evidence = log_sum(joint, axis=1) + np.log(points[1] - points[0])
    return _Group(joint, evidence, 1 - none @ share, none, pairs, pair, empty)


def _grid(share: Floats, count: Floats, effect: float) -> Floats:
    """Log-odds of mu, (point,): eight standard errors either way, were all pods pure."""
    pods = float(count.sum())
    mean = (float(share @ count) + 0.5) / (pods + 1.0)
    spread = float(np.clip(8.0 / np.sqrt(max(pods / effect, 0.7) * mean * (1 - mean)), 0.2, 14.0))
    return np.linspace(logit(mean) - spread, logit(mean) + spread, _POINTS)


def _design_effect(pods: Pods, group: Ints, groups: int) -> Floats:
    """How much likeness within tags and unequal weights inflate a variance; (group,), at least 1."""
    used = group >= 0
    of, count, weight = group[used], pods.count[used], pods.weight[used]
    _, first, tag = np.unique(pods.tag[used], return_index=True, return_inverse=True)
    tag = np.ravel(tag)
    sizes = group_sum(tag, count, len(first))
    shares = group_sum(tag, count * pods.hybrids[used] / pods.typed[used], len(first))
    alike = moment_rho(shares, sizes, of[first])
    each = np.divide(weight**2, count, out=np.zeros(len(weight)), where=count > 0)
    squares = group_sum(of, each, groups)
    together = group_sum(of[first], group_sum(tag, weight, len(first)) ** 2, groups)
    total, rows = group_sum(of, weight, groups), group_sum(of, count, groups)
    variance = squares + alike * np.maximum(together - squares, 0.0)
    out = np.ones(groups)
    np.divide(variance * rows, total**2, out=out, where=total > 0)
    return np.maximum(out, 1.0)


def _limits(
    group: _Group, rest: Floats, weight: Floats, mean: float, sampled: float, worth: float
) -> tuple[float, float]:
    """95 % limits of q about the mean of the group's pods, on the log-odds scale.

    The profile likelihood's half widths hold what is not known of structure and mu. The mean over pods also
    varies with the sample of pods: `sampled` and, hand in hand with it, mu's own effect on what untyped seeds
    are taken for. What that has beyond the model's own standard error of q comes on top.
    """
    odds = logit(np.clip(group.q, _SURE, 1 - _SURE))
    best = group.log_joint + rest[:, None]
    peak = float(best.max())
    near = best > peak - _CUT - 3.0
    grid = np.linspace(odds[near].min() - 0.3, odds[near].max() + 0.3, 241)
    profile = np.full(len(grid), -np.inf)
    for s in map(int, np.flatnonzero(near.any(axis=1))):
        profile = np.maximum(profile, np.interp(grid, odds[s], best[s], left=-np.inf, right=-np.inf))
    kept = np.flatnonzero(profile >= peak - _CUT)
    if not len(kept):
        kept = np.array([int(profile.argmax())])
    low, high = (_cross(grid, profile, int(kept[k]), step, peak - _CUT) for k, step in ((0, -1), (-1, 1)))

    s = int(weight.sum(axis=1).argmax())
    here = weight[s] / weight[s].sum()
    model = _deviation(here, odds[s])
    middle = min(max(mean, _SURE), 1 - _SURE)
    taken = _deviation(here, group.pods_mean(s)) + sampled
    more = max((taken / (middle * (1 - middle))) ** 2 - model**2, 0.0) if 0 < mean < 1 else 0.0
    centre = float(logit(np.clip(np.sum(weight * group.q), _SURE, 1 - _SURE)))
    down = np.sqrt(max(centre - low, 0.0) ** 2 + _Z**2 * more)
    up = np.sqrt(max(high - centre, 0.0) ** 2 + _Z**2 * more)
    if mean <= 0:
        return 0.0, float(expit(high))
    # nearly every pod known to hold one: what the next pods may lack is the sample's own uncertainty
    floor = float(beta_quantile(_TAIL, mean * worth + 0.5, (1 - mean) * worth + 0.5))
    if mean >= 1 - _SURE:
        return min(float(expit(low)), floor), 1.0
    low, high = float(expit(logit(mean) - down)), float(expit(logit(mean) + up))
    return (min(low, floor) if group.empty.sum() < _NEARLY_ALL else low), high


def _deviation(weight: Floats, values: Floats) -> float:
    """Standard deviation of values (point,) under weights that sum to 1."""
    mean = float(weight @ values)
    return float(np.sqrt(max(float(weight @ (values - mean) ** 2), 0.0)))


def _cross(grid: Floats, profile: Floats, at: int, step: int, height: float) -> float:
    """Where the profile falls to a height, beyond the last grid point above it."""
    beyond = at + step
    if not 0 <= beyond < len(grid) or not np.isfinite(profile[beyond]):
        return float(grid[at])
    part = (profile[at] - height) / (profile[at] - profile[beyond])
    return float(grid[at] + part * (grid[beyond] - grid[at]))
