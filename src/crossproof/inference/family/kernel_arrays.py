"""Arrays that the compiled loops take: what a family is judged by, and what is written.

Axes: `x` cell (marker x plant, plants fastest), `p` pair of parents' genotypes, `g` child's genotype, `c`
component, `a` allele, `d` donor, `r` relation, `h` chain, `k` its state, `m` marker, `i` plant, `b` block of
markers. Nuclear markers stand in the order of the route along the chromosomes, within each block too.

Blocks differ in their numbers of markers and alleles: what each has lies end to end in arrays of one axis,
and `kernel_blocks` cuts it out.
"""

from __future__ import annotations

from typing import NamedTuple

from crossproof.model.arrays import Floats, Ints

MARKERS, ALLELES, GENOTYPES, TABLES, MATERNAL = range(5)
"""Columns of `Blocks.sizes`."""
(
    OF_MARKERS,
    OF_LIKE,
    OF_DONORS,
    OF_PAIRS,
    OF_CHILDREN,
    OF_PARENTS,
    OF_POLLEN,
    OF_MOTHER,
    OF_NUCLEAR,
    OF_MATERNAL,
) = range(10)
"""Columns of `Blocks.before`: markers; markers x genotypes, x alleles, x pairs; rows of the four `Sums`, with
one more for their ends; markers of nuclear and of maternal blocks."""

SIZES, BEFORE, SPOT, ROWS, AT, OF_RELATION, SINGLE, LINKED, STATES, COMPONENT, START, SUMS = range(12)
"""Arrays of whole numbers of a layout: those of `Blocks` and `Relations` by their names; ROWS (r,) of the
relations among all; AT, per block the place of each marker in the order of the loops; from SUMS on `start`
and `place` of each of the four `Sums`."""
N_NUMBERS = SUMS + 8
SHARES, WEIGHTS, STEPS = 0, 4, 5
"""Arrays of real numbers of a layout: SHARES on the `share` of each of the four `Sums`."""


class Sums(NamedTuple):
    """Sums of rows of another array, of which each has but a few.

    Row s is the sum of `share` (e,) times row `place` (e,) over e from `start[s]` to `start[s + 1]`.
    """

    start: Ints
    place: Ints
    share: Floats


class Cells(NamedTuple):
    """A family at the markers of one block.

    `like` (g, x). `children`: row (c, g) over pairs p, P(g | c, p), of relations r where markers are of the
    mother's line alone; `parents`: the same, row (p, g) over c. `by_pollen`: row (a, g) over the mother's
    genotypes, P(g | mother, a); `by_mother`: the same, row (mother, g) over a.
    """

    like: Floats
    children: Sums
    parents: Sums
    by_pollen: Sums
    by_mother: Sums


class Blocks(NamedTuple):
    """A family at its markers, block after block.

    `sizes` (b, 5): MARKERS, ALLELES, GENOTYPES, TABLES (components or relations), and MATERNAL, 1 where they
    are inherited from the mother alone; `before` (b, 10): what the blocks before this one add up to; `spot`
    (nuclear m,) place of each on the route, block after block; `donors` (m, a, d) gametes of those that are
    weighed, and the rest as in `Cells`, all end to end.
    """

    sizes: Ints
    before: Ints
    spot: Ints
    donors: Floats
    like: Floats
    children: Sums
    parents: Sums
    by_pollen: Sums
    by_mother: Sums


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

    `outside` (p, x), `message` (p, x), `total` (p, m), `log_total` (m,); of one block, or end to end.
    """

    log_prior: Floats
    outside: Floats
    message: Floats
    total: Floats
    log_total: Floats


class Fits(NamedTuple):
    """What the last messages give, of all components and chains, as far as they are live.

    `emission` (c, nuclear x), `before` (h, m, k, i), and log P(D | r) of `pair` (live r, i), at nuclear
    markers, and `donor` (d, i). At those of the mother's line alone `maternal`, P(D | r) (r, x) end to end,
    and `of_maternal` (live r, i) its log over all. Of the donors in the messages, end to end, `pollen`
    (d, a, x) gametes and `by_donor` (d, x).
    """

    emission: Floats
    before: Floats
    pair: Floats
    donor: Floats
    maternal: Floats
    of_maternal: Floats
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
