"""Arrays that the compiled loops take: what a family is judged by, and what is written.

Axes: `x` cell (marker x plant, plants fastest), `p` pair of parents' genotypes, `g` child's genotype, `c`
component, `a` allele, `d` donor, `r` relation, `h` chain, `k` its state, `m` marker, `i` plant. Markers stand
in the order of the route along the chromosomes.
"""

from __future__ import annotations

from typing import NamedTuple

from crossproof.model.arrays import Floats, Ints


class Cells(NamedTuple):
    """A family at its markers.

    `like` (g, x); `donors` (m, a, d) gametes of those that are weighed; `tables` (c, p, g), `by_pollen`
    (a, mother, g) and `by_mother` (mother g, a) as in `MarkerChunk`.
    """

    like: Floats
    donors: Floats
    tables: Floats
    by_pollen: Floats
    by_mother: Floats


class Relations(NamedTuple):
    """How pair relations are made of components.

    `of_relation` (r,) number of each one's chain; `single` (s, 2) chain and component of those without
    descents; `linked` (h,) numbers of the others, with `states` (h,) how many each has, `component` (h, k),
    `weights` (h, k), `steps` (m, h, k, k); `start` (step + 1,) of the route.
    """

    of_relation: Ints
    single: Ints
    linked: Ints
    states: Ints
    component: Ints
    weights: Floats
    steps: Floats
    start: Ints


class Live(NamedTuple):
    """Numbers of some `relations`, and of the rows of `single` and `linked` and the `components` that they
    need, each increasing."""

    relations: Ints
    single: Ints
    linked: Ints
    components: Ints


class State(NamedTuple):
    """The parents, `log_prior` (p, m), and as the plants have them, changed by every round.

    `outside` (p, x), `message` (p, x), `total` (p, m), `log_total` (m,).
    """

    log_prior: Floats
    outside: Floats
    message: Floats
    total: Floats
    log_total: Floats


class Fits(NamedTuple):
    """What the last messages give, of all components and chains, as far as they are live.

    `emission` (c, x), `before` (h, m, k, i), and log P(D | r) of `pair` (live r, i) and `donor` (d, i). Of
    the donors in the messages, `pollen` (d, a, x) gametes and `by_donor` (d, x).
    """

    emission: Floats
    before: Floats
    pair: Floats
    donor: Floats
    pollen: Floats
    by_donor: Floats


class Weights(NamedTuple):
    """Priors or posteriors: `pair` (r, i) or (r, 1), `donor` (d, i) or (d, 1), `flat` (i,) all else."""

    pair: Floats
    donor: Floats
    flat: Floats


class Limits(NamedTuple):
    """When messages rest, and how long they may not.

    `moved`, `evidence`: what posteriors and evidence may still move by; `rounds`: the most there may be;
    `damp_after`: round from which messages are averaged with the last ones; `faded`: posterior from which on
    a relation is in the messages; `donors`: the most of them; `revived`: posterior at which a relation comes
    back; `revivals`: how often; `distance` at which a relation need not be known exactly.
    """

    moved: float
    evidence: float
    rounds: int
    damp_after: int
    faded: float
    donors: int
    revived: float
    revivals: int
    distance: float
