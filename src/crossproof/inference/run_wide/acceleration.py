"""Fewer rounds of expectation and maximisation: extrapolate where the estimates are heading.

Near its end EM closes a constant share of what is left with every round; two moves in a row tell that share,
and with it where the rounds lead (Aitken's method along the slowest direction; Dempster, Laird & Rubin 1977,
J R Stat Soc B 39:1-38, on the rate; Varadhan & Roland 2008, Scand J Stat 35:335-353, on steps of this kind;
both from memory). The fixed point is that of plain EM: it ends only after a plain round that moves nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.lines.panel import Panel
from crossproof.model.arrays import Floats

MOST = 0.9
"""Share of the way left after a round, at most: a jump goes at most nine moves ahead."""
EDGE = 1e-9
LARGEST_RATE = 0.5
"""Error rate that no extrapolation goes beyond: half of the calls wrong. What EM itself estimates stands."""


def _numbers(panel: Panel) -> tuple[Floats, ...]:
    """The estimates in groups that move at one pace each: h, error rates, class prior."""
    rates = np.clip(np.concatenate([panel.f, panel.d]), EDGE, 1 - EDGE)
    classes = np.log(np.clip(panel.class_prior, EDGE, 1.0))
    return np.array([panel.h]), np.log(rates) - np.log1p(-rates), classes


def _with_numbers(panel: Panel, numbers: Sequence[Floats]) -> Panel:
    m = len(panel.f)
    h, rates, classes = numbers[0], 1 / (1 + np.exp(-numbers[1])), np.exp(numbers[2])
    frozen = panel.frozen
    # Near 1 a logit runs away from what the last moves can tell, and f + e above 1 is no error matrix at all.
    rates = np.minimum(rates, np.maximum(np.concatenate([panel.f, panel.d]), LARGEST_RATE))
    return replace(
        panel,
        h=float(np.clip(h[0], EDGE, 1 - EDGE)),
        f=np.where(frozen, panel.f, rates[:m]),
        d=np.where(frozen, panel.d, rates[m:]),
        class_prior=classes / classes.sum(),
    )


class Accelerator:
    """Looks on while estimates move, and takes them ahead after every second move."""

    def __init__(self) -> None:
        self._seen: list[tuple[Floats, ...]] = []

    def ahead(self, panel: Panel) -> Panel:
        """The estimates, taken ahead where the last two moves tell where to; else as they are."""
        self._seen.append(_numbers(panel))
        if len(self._seen) < 3:
            return panel
        taken = _with_numbers(panel, [_extrapolated(*three) for three in zip(*self._seen, strict=True)])
        self._seen = [_numbers(taken)]
        return taken


def _extrapolated(before: Floats, between: Floats, now: Floats) -> Floats:
    """Where three points in a row lead; the last of them where they lead nowhere."""
    first, second = between - before, now - between
    length = float(first @ first)
    share = min(float(first @ second) / length, MOST) if length > 0 else 0.0
    return now + share / (1 - share) * second if share > 0 else now
