"""Inheritance along chromosomes: a hidden Markov chain of the copies that each gamete carries.

A gamete of a plant with two different copies of a chromosome carries one of them at a marker and, most
likely, the same one at the next. Which one it is runs along the chromosome as a Markov chain (Lander and
Green 1987, PNAS 84:2363), when crossovers fall without interference (Haldane 1919, J Genet 8:299).

Glossary: `r` recombination fraction between a marker and the one before it on its chromosome, (1 - exp(-2 d))
/ 2 for d Morgan (Haldane); `state` what a plant's gametes carry at a marker, K of them; `T` (state, state)
their transition probabilities; `e` emission P(D_ij | state), averaged over the parents as the others show
them; `component` the number of an emission: several states can have the same one; `cavity weight` of a state
at marker j: its probability by all other markers of the chromosome, (forward without e_j) x (backward without
e_j), up to a factor for each marker and plant.

    log P(D_i | r) = sum over chromosomes of log sum_paths P(path) prod_j e_ij(state_j)      (forward pass)

With r = 1/2 everywhere each marker is drawn from the chain's own frequencies and markers are independent.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from crossproof.model.arrays import Floats, Ints

CLOSEST = 1e-5
"""Morgan: no two markers are taken to be closer, so that one wrong call cannot forbid a path."""
RESCALE = 16
"""Steps after which a pass is brought back to scale; that many emissions, at least 1e-4 each, stay within
it."""
NUMBERS_AT_ONCE = 1_500_000
"""Numbers (marker x chain x state x plant) that a pass over some plants may hold."""


class Descent(Enum):
    """What segregates: each has its states and its transitions.

    GAMETE: one gamete of a plant with copies 1 and 2; states 1, 2. F2, F3, F4, FIXED: a plant after so many
    selfings of a plant with copies 1 and 2; states 11, 12, 22. F2 is the union of any two gametes of a plant.
    """

    GAMETE = 0
    F2 = 1
    F3 = 2
    F4 = 3
    FIXED = 4


def recombination(morgan: Floats) -> Floats:
    """Recombination fraction over a distance in Morgan, Haldane's map function."""
    return np.asarray(-0.5 * np.expm1(-2 * np.maximum(morgan, CLOSEST)))


def selfed_pairs(r: Floats, selfings: int | None) -> Floats:
    """Joint distribution (..., 3, 3) of two loci after selfings of a double heterozygote in coupling.

    `r` (...): recombination fraction; `selfings` at least 1, None for ever. The frequencies of the two-locus
    genotypes follow the recursion of Haldane and Waddington (1931, Genetics 16:357), here with those that are
    alike by symmetry taken together:

        C: 11/11 and 22/22   D: 11/22 and 22/11   E: one locus heterozygous
        F: both, in coupling                      G: both, in repulsion

    Its limit for ever is D = 2r / (1 + 2r).
    """
    r = np.asarray(r, dtype=np.float64)
    zero = np.zeros_like(r)
    if selfings is None:
        apart = 2 * r / (1 + 2 * r)
        c, d, e, f, g = 1 - apart, apart, zero, zero, zero
    else:
        c, d, e, f, g = zero, zero, zero, zero + 1, zero
        same, other, one = (1 - r) ** 2 / 2, r**2 / 2, 2 * r * (1 - r)
        for _ in range(selfings):
            c, d, e, f, g = (
                c + e / 4 + same * f + other * g,
                d + e / 4 + other * f + same * g,
                e / 2 + one * (f + g),
                same * f + other * g,
                other * f + same * g,
            )
    rows = [[c / 2, e / 4, d / 2], [e / 4, f + g, e / 4], [d / 2, e / 4, c / 2]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


_SELFINGS = {Descent.F2: 1, Descent.F3: 2, Descent.F4: 3, Descent.FIXED: None}


def frequencies(descent: Descent) -> Floats:
    """Probability of each state (K,) at one marker."""
    if descent is Descent.GAMETE:
        return np.array([0.5, 0.5])
    het = 0.0 if descent is Descent.FIXED else 0.5 ** (_SELFINGS[descent] or 0)
    return np.array([(1 - het) / 2, het, (1 - het) / 2])


def transitions(descent: Descent, r: Floats) -> Floats:
    """Transition probabilities (..., K, K) to the next marker at recombination fraction r (...).

    Exact for GAMETE and F2. From F3 on states are no Markov chain; the transitions are those of the exact
    joint distribution of two neighbours.
    """
    r = np.asarray(r, dtype=np.float64)
    if descent is Descent.GAMETE:
        stay = np.stack([1 - r, r], axis=-1)
        return np.asarray(np.stack([stay, stay[..., ::-1]], axis=-2))
    joint = selfed_pairs(r, _SELFINGS[descent])
    marginal = joint.sum(axis=-1, keepdims=True)
    # A heterozygote of a fixed line never occurs; from there either copy may become fixed, but none can stay,
    # or the backward pass would be scaled by a path that cannot be.
    never = np.broadcast_to(np.array([0.5, 0.0, 0.5]), joint.shape).copy()
    return np.asarray(np.divide(joint, marginal, out=never, where=marginal > 0))


@dataclass(frozen=True)
class Chain:
    """What one relation lets segregate: `descents` that run side by side, each independently of the others,
    and the `component` (K,) of each of their joint states, the last descent's state running fastest."""

    descents: tuple[Descent, ...]
    component: tuple[int, ...]

    @property
    def weights(self) -> Floats:
        """Probability of each joint state (K,) at one marker."""
        out: Floats = np.ones(1)
        for descent in self.descents:
            out = np.asarray(np.kron(out, frequencies(descent)), dtype=np.float64)
        return out

    def steps(self, r: Floats) -> Floats:
        """Transitions (marker, K, K) for recombination fractions r (marker,)."""
        out = np.ones((len(r), 1, 1))
        for descent in self.descents:
            t = transitions(descent, r)
            size = out.shape[1] * t.shape[1]
            out = np.einsum("mab,mcd->macbd", out, t).reshape(len(r), size, size)
        return out


@dataclass(frozen=True)
class Stretches:
    """Whether a plant is as its line or, over a stretch, another: states as the line, and within a stretch.

    `share`: share of the genome within stretches; `morgan`: their mean length.
    """

    share: float
    morgan: float
    component: tuple[int, ...] = (0, 1)

    @property
    def weights(self) -> Floats:
        """Probability of each state (2,) at one marker."""
        return np.array([1 - self.share, self.share])

    def steps(self, r: Floats) -> Floats:
        """Transitions (marker, 2, 2): beginnings and ends of stretches are Poisson along the chromosome."""
        kept = np.maximum(1 - 2 * r, 0.0) ** (1 / (2 * (1 - self.share) * self.morgan))
        return np.asarray(kept[:, None, None] * np.eye(2) + (1 - kept)[:, None, None] * self.weights)


@dataclass(frozen=True)
class Pass:
    """A forward pass over all plants: emissions of states, and states before them, (marker, R, K, n) each."""

    emitted: Floats
    before: Floats


@dataclass(frozen=True, eq=False)
class Route:
    """The order in which markers are visited: all first markers of chromosomes, then all second ones, and so
    on, long chromosomes first, so that the chromosomes that go on are always the first ones of a step.

    `order` (marker,): marker of each place on the route; `start` (step + 1,): where steps begin; `r`
    (marker,) by place: recombination fraction from the marker before, 1/2 where there is none.
    """

    order: Ints
    start: Ints
    r: Floats

    def __len__(self) -> int:
        return len(self.start) - 1


def plan_route(chromosome: Ints, morgan: Floats) -> Route:
    """The route over markers with `chromosome` (marker,) numbers, -1 for one that is not placed and is a
    chromosome of its own, and `morgan` (marker,) positions."""
    m = len(chromosome)
    chromosome = np.where(chromosome < 0, chromosome.max(initial=0) + 1 + np.arange(m), chromosome)
    by_place = np.lexsort((np.arange(m), morgan, chromosome))
    first = np.flatnonzero(np.diff(chromosome[by_place], prepend=-1) != 0)
    length = np.diff(np.append(first, m))
    step = np.arange(m) - np.repeat(first, length)
    gap = np.diff(morgan[by_place], prepend=0.0)
    r = np.where(step == 0, 0.5, recombination(gap))
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(-length, kind="stable")] = np.arange(len(first))
    route = np.lexsort((np.repeat(rank, length), step))
    counts = np.bincount(step) if m else np.empty(0, dtype=np.int64)
    return Route(by_place[route], np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), r[route])


class Chains:
    """Chains run together over one route, all with as many states as the largest of them.

    `component` (R, K); `weights` (R, K); `steps` (marker, R, K, K) in the order of the route, from the state
    before in the rows. States that a chain does not have are never entered.
    """

    def __init__(self, chains: Sequence[Chain | Stretches], route: Route) -> None:
        self.route = route
        r, k, m = len(chains), max(len(c.component) for c in chains), len(route.r)
        self.component = np.zeros((r, k), dtype=np.int64)
        self.weights = np.zeros((r, k))
        self.steps = np.zeros((m, r, k, k))
        for i, chain in enumerate(chains):
            own = len(chain.component)
            self.component[i] = chain.component[0]
            self.component[i, :own] = chain.component
            self.weights[i, :own] = chain.weights
            self.steps[:, i, :own, :own] = chain.steps(route.r)
        steps = range(len(route))
        self._places = [slice(int(route.start[s]), int(route.start[s + 1])) for s in steps]
        size = np.append(np.diff(route.start), 0)
        self._last = np.concatenate(
            [np.arange(route.start[s] + size[s + 1], route.start[s + 1]) for s in steps] or [np.empty(0)]
        ).astype(np.int64)

    def plants(self, n: int) -> Iterator[slice]:
        """Slices of the plants that are run at once."""
        step = max(1, NUMBERS_AT_ONCE // max(1, len(self.route.r) * self.component.size))
        return (slice(start, min(start + step, n)) for start in range(0, n, step))

    def fit(self, emission: Floats) -> tuple[Floats, Pass | None]:
        """log P(D | chain) (R, n) from emissions (marker, component, n) in the order of the route; and the
        pass, for `cavity`, unless it would not fit into memory."""
        n = emission.shape[2]
        out = np.zeros((len(self.weights), n))
        for part in self.plants(n):
            emitted = emission[:, self.component, part]
            before, out[:, part] = self._forward(emitted)
        return out, Pass(emitted, before) if n and part == slice(0, n) else None

    def cavity(self, emission: Floats, posterior: Floats, done: Pass | None = None) -> Floats:
        """Weights of the components in the messages to the parents, (marker, component, n).

        For chain c with `posterior` (R, n), state weight w and marker's own fit s = sum_k w(k) e(k): the sum
        of posterior w(k) / s over the states k that have the component. `done`: the pass of `fit` with the
        same emissions; it cannot be used again.
        """
        m, n_components, n = emission.shape
        r, k = self.component.shape
        to_component = np.zeros((n_components, r * k))
        to_component[self.component.ravel(), np.arange(r * k)] = 1.0
        out = np.zeros((m, n_components, n))
        for part in self.plants(n) if m else ():
            if done is not None:
                emitted, weight = done.emitted, done.before
            else:
                emitted = emission[:, self.component, part]
                weight, _ = self._forward(emitted)
            weight *= self._backward(emitted)
            emitted *= weight
            weight *= (posterior[None, :, part] / emitted.sum(axis=2))[:, :, None]
            out[:, :, part] = np.matmul(to_component, weight.reshape(m, r * k, -1))
        return out

    def _forward(self, emitted: Floats) -> tuple[Floats, Floats]:
        """States before each marker's own emission (marker, R, K, n), each marker on its own scale, and
        log P(D | chain) (R, n)."""
        before, alpha = np.empty_like(emitted), np.empty_like(emitted)
        total = np.zeros((len(self.weights), emitted.shape[3]))
        for s, at in enumerate(self._places):
            if s == 0:
                before[at] = self.weights[None, :, :, None]
            else:
                came = alpha[self._places[s - 1]][: at.stop - at.start]
                np.matmul(self.steps[at].swapaxes(2, 3), came, out=before[at])
            np.multiply(before[at], emitted[at], out=alpha[at])
            if s % RESCALE == RESCALE - 1:
                scale = alpha[at].sum(axis=2)
                alpha[at] /= scale[:, :, None]
                total += np.log(scale).sum(axis=0)
        return before, total + np.log(alpha[self._last].sum(axis=2)).sum(axis=0)

    def _backward(self, emitted: Floats) -> Floats:
        """What the markers after each one say of its states (marker, R, K, n), each on its own scale."""
        after = np.empty_like(emitted)
        for s in range(len(self._places) - 1, -1, -1):
            at = self._places[s]
            count = 0
            if s + 1 < len(self._places):
                following = self._places[s + 1]
                count = following.stop - following.start
                np.matmul(self.steps[following], emitted[following] * after[following], out=after[at][:count])
                if s % RESCALE == 0:
                    after[at][:count] /= after[at][:count].max(axis=2, keepdims=True)
            after[at][count:] = 1.0
        return after
