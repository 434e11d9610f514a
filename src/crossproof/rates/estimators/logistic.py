"""Logistic regression of tagged clusters: maximum likelihood, and the guards it needs.

    y, m    plants of the class (self), and of the other class (hybrid), in one cluster
    X       design matrix (cluster, column), first column 1
    tag     the clusters of one tag are correlated; errors allow for it

Fitted by iterated weighted least squares (McCullagh & Nelder 1989, Generalized Linear Models, section 2.5),
with the sandwich of scores summed by tag (Liang & Zeger 1986, Biometrika 73:13-22) for covariance, after
checks of whether a finite fit exists at all (separation) and whether columns can be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize
from scipy.special import expit

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.rates.estimators.laws import student_quantile, student_tail

MOST_ROUNDS = 100
SMALLEST = 1e-15
"""Rate that no fitted one is below."""
FAR = 12.0
"""Linear predictor (log odds) that no plausible rate has: one in 160,000."""


@dataclass(frozen=True)
class LogisticFit:
    """Coefficients (column,) on the log-odds scale with cluster-robust errors, limits and p values.

    `error`, `low`, `high`, `p` are NaN in a penalised fit, whose errors would mean nothing.
    """

    coefficient: Floats
    error: Floats
    low: Floats
    high: Floats
    p: Floats
    fitted: Floats
    penalised: bool


def separated(y: Floats, m: Floats, design: Floats) -> Bools:
    """Columns along which selfs and others are (quasi-)completely separated, so no finite fit exists.

    A direction b with X b >= 0 wherever there is a self and X b <= 0 wherever there is another, not 0
    everywhere, lets the likelihood rise without end (Albert & Anderson 1984, Biometrika 71:1-10). A linear
    program finds one if there is one (Konis 2007, thesis, Oxford, section 4.2); its non-zero entries are
    the columns at fault. Parameters: `y`, `m` (cluster,), whole counts; `design` of full column rank.
    """
    rows = np.unique(np.vstack([design[y > 0.5], -design[m > 0.5]]), axis=0)
    columns = design.shape[1]
    if not len(rows):
        return np.ones(columns, dtype=bool)
    scale = np.maximum(np.abs(design).max(axis=0), 1e-12)
    rows = rows / scale
    found = optimize.linprog(
        -rows.sum(axis=0),
        A_ub=-rows,
        b_ub=np.zeros(len(rows)),
        bounds=[(-1.0, 1.0)] * columns,
        method="highs",
    )
    if not found.success or -found.fun < 1e-7:
        return np.zeros(columns, dtype=bool)
    return np.asarray(np.abs(found.x) > 1e-7)


def independent_columns(design: Floats) -> Bools:
    """Columns to keep so that none is a sum of others; of two that say the same, the earlier stays."""
    scale = np.linalg.norm(design, axis=0)
    kept: list[int] = []
    basis = np.empty(design.shape)
    for column in range(design.shape[1]):
        if scale[column] <= 0:
            continue
        vector = design[:, column] / scale[column]
        found = basis[:, : len(kept)]
        rest = vector - found @ (found.T @ vector)
        rest -= found @ (found.T @ rest)  # twice, against rounding
        size = float(np.linalg.norm(rest))
        if size > 1e-7:
            basis[:, len(kept)] = rest / size
            kept.append(column)
    out = np.zeros(design.shape[1], dtype=bool)
    out[kept] = True
    return out


def variance_inflation(design: Floats, weight: Floats) -> Floats:
    """Variance inflation factor of every column given the others, weighted by plants; (column,).

    1 / (1 - R^2) of each column on the others, read off the inverse of their correlation matrix; NaN for the
    intercept (column 0) and where the matrix has no inverse. `design` of full column rank.
    """
    out = np.full(design.shape[1], np.nan)
    if design.shape[1] < 2:
        return out
    centred = design[:, 1:] - np.average(design[:, 1:], axis=0, weights=weight)
    products = (centred * weight[:, None]).T @ centred
    scale = np.sqrt(np.diag(products))
    if (scale <= 0).any():
        return out
    try:
        out[1:] = np.diag(linalg.inv(products / np.outer(scale, scale)))
    except linalg.LinAlgError:
        return out
    return out


def fit(y: Floats, m: Floats, design: Floats, tag: Ints, *, level: float = 0.95) -> LogisticFit | None:
    """Maximum likelihood with errors robust to correlation within tags; None where it does not exist.

    Limits are those of Student's t with (number of tags - 1) degrees of freedom, which is what a sandwich
    of few tags deserves. `design` of full column rank.
    """
    tags = len(np.unique(tag))
    if tags < 2 or design.shape[0] <= design.shape[1] or not (y.sum() > 0 and m.sum() > 0):
        return None
    some = (y + m) > 0
    found = _maximum(y[some], m[some], design[some], tag[some])
    if found is None:
        return None
    coefficient, error = found
    # a fit that went off to infinity stops at predictors beyond 18; the exact check is slow, so only then
    if np.abs(design[some] @ coefficient).max() > FAR and separated(y, m, design).any():
        return None
    width = float(student_quantile(0.5 + level / 2, tags - 1)) * error
    ratio = np.divide(coefficient, error, out=np.full(len(error), np.nan), where=error > 0)
    return LogisticFit(
        coefficient,
        error,
        coefficient - width,
        coefficient + width,
        2 * student_tail(np.abs(ratio), tags - 1),
        expit(design @ coefficient),
        penalised=False,
    )


def _maximum(y: Floats, m: Floats, x: Floats, tag: Ints) -> tuple[Floats, Floats] | None:
    """Coefficients and their cluster-robust errors, (column,); None where the iteration fails.

    Small samples of tags: the covariance is multiplied by G / (G - 1) (N - 1) / (N - K), with G tags, N
    clusters and K columns.
    """
    n = y + m
    eta = np.log((y + 0.5) / (m + 0.5))
    deviance, rounds = np.inf, 0
    coefficient = np.zeros(x.shape[1])
    while rounds < MOST_ROUNDS:
        rounds += 1
        rate = np.clip(expit(eta), SMALLEST, 1 - SMALLEST)
        weight = n * rate * (1 - rate)
        try:
            bread = linalg.inv((x * weight[:, None]).T @ x)
        except linalg.LinAlgError:
            return None
        coefficient = bread @ (x.T @ (weight * eta + y - n * rate))
        eta = x @ coefficient
        before, deviance = deviance, float(y @ np.logaddexp(0, -eta) + m @ np.logaddexp(0, eta))
        if abs(before - deviance) < 1e-10:
            break
    if rounds == MOST_ROUNDS or not np.isfinite(coefficient).all():
        return None
    rate = expit(eta)
    try:
        bread = linalg.inv((x * (n * rate * (1 - rate))[:, None]).T @ x)
    except linalg.LinAlgError:
        return None
    names, number = np.unique(tag, return_inverse=True)
    score = np.zeros((len(names), x.shape[1]))
    np.add.at(score, np.ravel(number), x * (y - n * rate)[:, None])
    factor = len(names) / (len(names) - 1) * (len(y) - 1) / (len(y) - x.shape[1])
    variance = np.diag(bread @ (score.T @ score) @ bread) * factor
    if not np.isfinite(variance).all():
        return None
    return coefficient, np.sqrt(np.maximum(variance, 0.0))


def fit_penalised(y: Floats, m: Floats, design: Floats, *, strength: float = 1.0) -> LogisticFit:
    """Ridge fit by Newton's steps, for prediction and for the direction of an effect.

    The penalty is `strength` / 2 times the squared coefficients of columns scaled to a standard deviation
    of 1, as from a normal prior; the intercept goes free. A finite answer exists whenever both classes do.
    """
    weight = y + m
    some = weight > 0
    centre = np.average(design[some], axis=0, weights=weight[some])
    deviation = np.sqrt(np.average((design[some] - centre) ** 2, axis=0, weights=weight[some]))
    moving = deviation > 1e-9
    scaled = np.where(moving, (design - centre) / np.where(moving, deviation, 1.0), 0.0)
    scaled[:, 0] = 1.0
    columns = np.concatenate([[0], np.flatnonzero(moving)])
    columns = np.unique(columns)
    penalty = np.where(columns == 0, 0.0, strength)
    coefficient = np.zeros(design.shape[1])
    inner = _penalised_maximum(y[some], m[some], scaled[some][:, columns], penalty)
    coefficient[columns] = inner
    slopes = coefficient[1:] / np.where(moving[1:], deviation[1:], 1.0)
    natural = np.concatenate([[coefficient[0] - float(slopes @ centre[1:])], slopes])
    nothing = np.full(design.shape[1], np.nan)
    return LogisticFit(
        natural, nothing, nothing, nothing, nothing, expit(scaled @ coefficient), penalised=True
    )


def _penalised_maximum(y: Floats, m: Floats, x: Floats, penalty: Floats) -> Floats:
    """Coefficients (column,) that maximise log likelihood - sum penalty b^2 / 2; first column 1."""
    n = y + m
    both = 0.0 < y.sum() < n.sum()
    b = np.zeros(x.shape[1])
    b[0] = np.log(y.sum() / m.sum()) if both else (FAR if y.sum() > 0 else -FAR)
    if not both:
        return b

    def lack(b: Floats) -> float:
        eta = x @ b
        return float(y @ np.logaddexp(0, -eta) + m @ np.logaddexp(0, eta) + (penalty * b) @ b / 2)

    now = lack(b)
    for _ in range(MOST_ROUNDS):
        rate = expit(x @ b)
        information = (x * (n * rate * (1 - rate))[:, None]).T @ x + np.diag(penalty)
        step = linalg.lstsq(information, x.T @ (y - n * rate) - penalty * b)[0]
        share = 1.0
        while lack(b + share * step) > now + 1e-12 and share > 1e-6:
            share /= 2
        b = b + share * step
        before, now = now, lack(b)
        if np.abs(share * step).max() < 1e-9 or before - now < 1e-13 * (1 + abs(now)):
            break
    return b
