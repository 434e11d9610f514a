"""How much tags still differ once the factors are allowed for: logistic regression with a normal tag effect.

    y, m    plants of the class, and of the other class, in one cluster
    b       effect of the cluster on the log-odds, normal with mean 0
    sigma   its standard deviation

The likelihood of a cluster is an integral over b. It is taken by adaptive Gauss-Hermite quadrature, nodes
centred at each cluster's own mode and scaled by its curvature (Pinheiro & Bates 1995, Journal of
Computational and Graphical Statistics 4:12-35, section 2.4), and maximised over coefficients and sigma.
statsmodels' BinomialBayesMixedGLM gives an approximate posterior instead of the maximum, so this is ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize
from scipy.special import expit, logsumexp

from crossproof.model.arrays import Floats

_NODES, _WEIGHTS = np.polynomial.hermite.hermgauss(15)


@dataclass(frozen=True)
class RandomIntercept:
    """Maximum likelihood: coefficients (column,), sigma of the clusters, log-likelihood without constants."""

    coefficient: Floats
    sigma: float
    log_likelihood: float


def _log_marginal(y: Floats, m: Floats, eta: Floats, sigma: float) -> Floats:
    """Log-likelihood of each cluster, b integrated out, without the binomial coefficient; (cluster,)."""
    b = np.zeros(len(eta))
    for _ in range(40):
        p = expit(eta + b)
        slope = y - (y + m) * p - b / sigma**2
        curve = (y + m) * p * (1 - p) + 1 / sigma**2
        step = np.clip(slope / curve, -2.0, 2.0)
        b = b + step
        if np.abs(step).max(initial=0.0) < 1e-10:
            break
    p = expit(eta + b)
    scale = 1 / np.sqrt((y + m) * p * (1 - p) + 1 / sigma**2)
    at = b[:, None] + np.sqrt(2.0) * scale[:, None] * _NODES  # cluster, node
    predictor = eta[:, None] + at
    log_density = (
        -y[:, None] * np.logaddexp(0.0, -predictor)
        - m[:, None] * np.logaddexp(0.0, predictor)
        - 0.5 * (at / sigma) ** 2
        - np.log(sigma)
        - 0.5 * np.log(2 * np.pi)
    )
    inner = log_density + _NODES**2 + np.log(_WEIGHTS)
    return np.asarray(logsumexp(inner, axis=1) + np.log(np.sqrt(2.0) * scale))


def fit_random_intercept(
    y: Floats, m: Floats, design: Floats, *, offset: Floats | None = None
) -> RandomIntercept:
    """Maximum likelihood of logit P = offset + X beta + b with b normal between clusters.

    Parameters: `y`, `m` (cluster,); `design` (cluster, column) of full rank; `offset` (cluster,), fixed part
    of the log-odds, 0 where absent. sigma is bounded to 0.001 .. 20.
    """
    fixed = np.zeros(len(y)) if offset is None else offset

    def minus(theta: Floats) -> float:
        return -float(_log_marginal(y, m, fixed + design @ theta[:-1], float(np.exp(theta[-1]))).sum())

    start = np.zeros(design.shape[1] + 1)
    start[-1] = np.log(0.5)
    bounds = [(-20.0, 20.0)] * design.shape[1] + [(np.log(1e-3), np.log(20.0))]
    found = optimize.minimize(
        minus, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7}
    )
    theta = np.asarray(found.x, dtype=float)
    return RandomIntercept(theta[:-1], float(np.exp(theta[-1])), -float(found.fun))
