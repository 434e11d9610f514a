"""Whether a person's selfs are more or fewer than chance and conditions make them.

    y, n    selfs and determined plants of one tag e       the tag's expected selfing rate given hour,
    mother line and week, persons left out rho     correlation of two plants of one tag d       1 for the
    person's tags, 0 for the others w       1 / (1 + (n - 1) rho), what a plant of the tag counts (Williams
    1982, Applied Statistics 31:144-148) W       w n e (1 - e) a       d with what the conditions say of it
    taken out, d - X (X'WX)^-1 X'W d

The person's score U = sum a w (y - n e) asks whether the person would improve the model that has the
conditions already; as a is at right angles to the conditions, it also allows for e having been estimated
from the same tags, the person's own among them. Its null distribution is simulated: seasons of
beta-binomial tags with rates e and correlation rho, U divided in each by its standard error under the rho
found in it. Beyond one in a hundred the tail is carried on as a normal one through its own quantiles at 10
% and 1 %.

*Retained* is a'Wa over the same without conditions: what is left of the person once mother line, hour and
week are allowed for. Where little is left, no rate of the person exists that is not the mother line's as
well.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import expit, logit

from crossproof.model.arrays import Floats, Ints

DRAWS = 4000
_LEAST_DRAWS = 500
_CELLS = 300_000_000
"""Products of tags and squared columns over all draws: some two seconds."""
_INNER, _OUTER = 0.1, 0.01


@dataclass(frozen=True)
class FairTest:
    """Per person, (person,), NaN where there is nothing to compare with.

    `p`: two-sided; `retained`: share of the comparison that conditions leave; `variance`: of observed minus
    expected selfs under the null, expected being fitted to the same tags. `rho`: correlation inside tags.
    """

    p: Floats
    retained: Floats
    variance: Floats
    rho: float


def fair_test(
    y: Floats,
    n: Floats,
    design: Floats,
    person: Ints,
    people: int,
    *,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> FairTest:
    """Test every person against all others under the conditions in `design`.

    Parameters: `y`, `n` (tag,), whole; `design` (tag, column), first column 1, full rank; `person` (tag,)
    from 0, -1 for none; `draws`: simulated seasons at most.
    """
    nothing = np.full(people, np.nan)
    used = n > 0
    y, n, x, who = y[used], n[used], design[used], person[used]
    if len(n) < 3 or not 0 < y.sum() < n.sum():
        return FairTest(nothing, nothing.copy(), nothing.copy(), 0.0)
    member = (who[:, None] == np.arange(people)).astype(float)  # tag, person
    plain = np.ones(len(n))
    e = _fit(y, n, x, plain)
    rho = float(_correlation((y - n * e)[None, :], n, e, member, x.shape[1])[0])
    w = 1 / (1 + (n - 1) * rho)
    e = _fit(y, n, x, w)
    rho = float(_correlation((y - n * e)[None, :], n, e, member, x.shape[1])[0])
    spread = n * e * (1 - e)
    a = _residual(x, member, w * spread)
    one = _residual(np.ones((len(n), 1)), member, w * spread)
    before = (w * spread) @ one**2
    retained = np.divide((w * spread) @ a**2, before, out=nothing.copy(), where=before > 1e-9)
    low, high = _tails(y, e, rho, _Model(n, x, w, member), rng, draws)
    p = np.minimum(1.0, 2 * np.minimum(low, high))
    # what is left of rounding is no comparison
    p[~(retained > 1e-6)] = np.nan
    equal = _residual(x, member, spread)
    variance = (spread * (1 + (n - 1) * rho)) @ equal**2
    return FairTest(p, retained, variance, rho)


def _fit(y: Floats, n: Floats, x: Floats, w: Floats) -> Floats:
    """Fitted rates (tag,) of the weighted logistic regression, by Newton's steps held to a hair of ridge."""
    mean = float((w * y).sum() / (w * n).sum())
    beta = np.zeros(x.shape[1])
    beta[0] = logit(mean)
    for _ in range(25):
        e = expit(np.clip(x @ beta, -12.0, 12.0))
        inside = w * n * e * (1 - e)
        information = (x * inside[:, None]).T @ x
        information[np.diag_indices_from(information)] += 1e-4 * np.trace(information) / len(beta)
        step = np.linalg.solve(information, x.T @ (w * (y - n * e)))
        beta = beta + np.clip(step, -3.0, 3.0)
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(expit(np.clip(x @ beta, -12.0, 12.0)))


def _residual(x: Floats, d: Floats, weight: Floats) -> Floats:
    """d (tag, person) with its weighted projection on x taken out."""
    root = np.sqrt(np.maximum(weight, 1e-12))[:, None]
    found = np.linalg.lstsq(x * root, d * root, rcond=None)[0]
    return np.asarray(d - x @ found)


def _correlation(residual: Floats, n: Floats, e: Floats, member: Floats, columns: int) -> Floats:
    """rho of every season from residuals (season, tag), persons' own means taken out; (season,).

    Pearson's statistic set to its expectation, sum 1 + (n - 1) rho (Williams 1982), in [0, 0.95].
    """
    spread = np.maximum(n * e * (1 - e), 1e-9)
    of_person = spread @ member
    mean = (residual @ member) / np.maximum(of_person, 1e-9)
    rest = residual - (mean @ member.T) * spread
    free = len(n) - columns - int(member.any(axis=0).sum()) + 1
    pearson = (rest**2 / spread).sum(axis=1) * len(n) / max(free, 1)
    several = float((n - 1).sum())
    if several <= 0:
        return np.zeros(len(residual))
    return np.asarray(np.clip((pearson - len(n)) / several, 0.0, 0.95))


@dataclass(frozen=True)
class _Model:
    """What every simulated season shares; arrays over tags."""

    n: Floats
    x: Floats
    w: Floats
    member: Floats

    @cached_property
    def products(self) -> Floats:
        """Products of the design's columns (tag, column x column): weighted sums of them are one matrix
        product for all seasons together."""
        return _pairs(self.x, self.x)

    @cached_property
    def shared(self) -> Floats:
        """Products of the design's columns and persons (tag, column x person)."""
        return _pairs(self.x, self.member)

    def information(self, weight: Floats) -> Floats:
        """X' diag(weight) X of every season, (season, column, column), from weights (season, tag)."""
        columns = self.x.shape[1]
        return np.asarray((weight @ self.products).reshape(len(weight), columns, columns))

    def of_members(self, weight: Floats) -> Floats:
        """X' diag(weight) d of every season, (season, column, person)."""
        return np.asarray((weight @ self.shared).reshape(len(weight), self.x.shape[1], self.member.shape[1]))


def _pairs(left: Floats, right: Floats) -> Floats:
    return np.asarray((left[:, :, None] * right[:, None, :]).reshape(len(left), -1))


def _scores(y: Floats, e: Floats, model: _Model) -> Floats:
    """Standardised score of every person in seasons y (season, tag); (season, person).

    Every season is fitted anew: two of Newton's steps from the rates e that it was drawn from. Sums over tags
    are taken before the conditions are: with s what they take out of a person, sum v (d - X s)^2 is
    v'd^2 - 2 s'(X'V d) + s'(X'V X) s, and no array of seasons, tags and persons is made.
    """
    n, x, w, member = model.n, model.x, model.w, model.member
    eta = np.broadcast_to(logit(np.clip(e, 1e-6, 1 - 1e-6)), y.shape)
    ridge = 1e-4 * np.eye(x.shape[1])
    for _ in range(2):
        rate = expit(eta)
        information = model.information(w * n * rate * (1 - rate))
        size = np.trace(information, axis1=1, axis2=2)[:, None, None] / x.shape[1]
        step = np.linalg.solve(information + ridge * size, ((w * (y - n * rate)) @ x)[..., None])[..., 0]
        eta = np.clip(eta + np.clip(step, -3.0, 3.0) @ x.T, -12.0, 12.0)
    rate = expit(eta)
    residual = y - n * rate
    rho = _correlation(residual, n, rate, member, x.shape[1])[:, None]
    inside = w * n * rate * (1 - rate)
    information = model.information(inside)
    size = np.trace(information, axis1=1, axis2=2)[:, None, None] / x.shape[1]
    taken = np.linalg.solve(information + 1e-9 * np.eye(x.shape[1]) * size, model.of_members(inside))
    left = w * residual
    u = left @ member - np.einsum("sc,scp->sp", left @ x, taken)
    variance = w**2 * n * rate * (1 - rate) * (1 + (n - 1) * rho)
    error = variance @ member**2 - 2 * (taken * model.of_members(variance)).sum(axis=1)
    error += (taken * np.matmul(model.information(variance), taken)).sum(axis=1)
    return np.asarray(u / np.sqrt(np.maximum(error, 1e-12)))


class _AsFitted:
    """The same with the rates e and what the conditions take out of a person held as they are."""

    def __init__(self, e: Floats, model: _Model) -> None:
        n, w = model.n, model.w
        self._spread = n * e * (1 - e)
        self._score = _residual(model.x, model.member, w * self._spread) * w[:, None]
        self._alone = self._spread @ self._score**2
        self._alike = (self._spread * (n - 1)) @ self._score**2

    def __call__(self, y: Floats, e: Floats, model: _Model) -> Floats:
        """Standardised score of every person in seasons y (season, tag); (season, person)."""
        residual = y - model.n * e
        rho = _correlation(residual, model.n, e, model.member, model.x.shape[1])[:, None]
        error = self._alone + self._alike * rho
        return np.asarray((residual @ self._score) / np.sqrt(np.maximum(error, 1e-12)))


def _tails(
    y: Floats, e: Floats, rho: float, model: _Model, rng: np.random.Generator, most: int
) -> tuple[Floats, Floats]:
    """Chance of a score as low, and as high, as each person's; both (person,)."""
    n, people = model.n, model.member.shape[1]
    columns = model.x.shape[1]
    draws = min(_CELLS // (len(n) * (people + columns**2)), most)
    scores: Callable[[Floats, Floats, _Model], Floats] = _scores
    if draws < min(_LEAST_DRAWS, most):
        # many tags to a column: fitting anew changes little, and would take minutes
        draws, scores = (
            int(np.clip(_CELLS // (3 * len(n) * max(people, 1)), _LEAST_DRAWS, most)),
            _AsFitted(e, model),
        )
    portion = int(np.clip(2_000_000 // (len(n) * (people + columns)), 10, 500))
    size = (1 - rho) / rho if rho > 1e-6 else np.inf
    found = []
    for start in range(0, draws, portion):
        shape = (min(portion, draws - start), len(n))
        rate = np.broadcast_to(e, shape)
        if np.isfinite(size):
            rate = rng.beta(np.maximum(e * size, 1e-6), np.maximum((1 - e) * size, 1e-6), shape)
        found.append(scores(rng.binomial(n.astype(np.int64), rate).astype(float), e, model))
    z = np.sort(np.concatenate(found), axis=0)  # draw, person
    own = scores(y[None, :], e, model)[0]
    return _tail(-own, -z[::-1]), _tail(own, z)


def _tail(value: Floats, z: Floats) -> Floats:
    """P(Z >= value) by person from sorted draws, carried on as a normal tail beyond the outer quantile."""
    draws, people = z.shape
    out = np.empty(people)
    for k in range(people):
        above = draws - np.searchsorted(z[:, k], value[k], side="left")
        ties = np.searchsorted(z[:, k], value[k], side="right") - np.searchsorted(
            z[:, k], value[k], side="left"
        )
        out[k] = (above - ties / 2 + 0.5) / (draws + 1)
        inner, outer = np.quantile(z[:, k], [1 - _INNER, 1 - _OUTER])
        if value[k] > outer > inner > 0:
            slope = np.log(_INNER / _OUTER) / (outer**2 - inner**2)
            out[k] = min(out[k], _OUTER * np.exp(-slope * (value[k] ** 2 - outer**2)))
    return out
