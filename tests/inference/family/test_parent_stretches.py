"""A plant crossed with an F1 that is not as its line over a stretch of a chromosome."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from crossproof.inference.descents import Kinds
from crossproof.inference.family.emissions import FamilyBlock, MarkerChunk
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.parent_stretches import STRETCHES, along_stretches
from crossproof.inference.family.posteriors import Priors, Start
from crossproof.inference.family.two_starts import near_another
from crossproof.inference.linkage import Chains, Stretches, plan_route
from crossproof.inference.pedigree import PAIR_RELATIONS

HYBRID, SELF = 0, 1


def test_stretches_begin_and_end_at_random_along_the_chromosome() -> None:
    stretches = Stretches(0.1, 0.25)
    morgan = np.array([0.0, 0.05, 0.4])
    once, again, both = stretches.steps(0.5 * (1 - np.exp(-2 * np.array([0.05, 0.35, 0.4]))))
    np.testing.assert_allclose(once @ again, both, atol=1e-12)
    np.testing.assert_allclose(stretches.weights @ both, stretches.weights, atol=1e-12)
    # a stretch of mean length L ends over a short distance d with probability d / L
    assert morgan[1] == 0.05
    end = stretches.steps(0.5 * (1 - np.exp(-2 * np.array([1e-4]))))[0, 1, 0]
    assert end == pytest.approx(1e-4 / 0.25, rel=1e-3)


def test_messages_and_evidence_are_those_of_full_enumeration() -> None:
    rng = np.random.default_rng(5)
    m, n = 5, 2
    chromosome, morgan = np.array([0, 0, 0, 1, 1]), np.array([0.0, 0.1, 0.3, 0.2, 0.25])
    route = plan_route(chromosome, morgan)
    at = np.empty(m, dtype=np.int64)
    at[route.order] = np.arange(m)
    block = FamilyBlock(2, False, rng.dirichlet(np.ones(3), (m, n)), np.full((m, 1, 2), 0.5))
    chunk = MarkerChunk(block, slice(0, m), Kinds(), at)
    mother, father, other = (rng.dirichlet(np.ones(3), m) for _ in range(3))
    chunk.begin(mother, father, (mother, other), STRETCHES.share)
    message = rng.uniform(0.2, 3.0, (9, m, n))
    chunk.gather(message, damp=False)
    along_stretches(Chains([STRETCHES], route), [chunk])

    r = 0.5 * (1 - np.exp(-2 * np.diff(morgan)))
    r[2] = 0.5
    steps = STRETCHES.steps(r)
    prior = [np.einsum("ma,mb->abm", mother, x).reshape(9, m) for x in (father, other)]

    def weighed(heard: list[int], free: int) -> tuple[np.ndarray, float]:
        """W (pair,) at marker `free`, all others and the plants `heard` summed out, and the total."""
        out = np.zeros(9)
        for path in itertools.product((0, 1), repeat=m):
            p = STRETCHES.weights[path[0]]
            p *= np.prod([steps[j][path[j], path[j + 1]] for j in range(m - 1)])
            said = [prior[path[j]][:, j] * message[:, j, heard].prod(axis=1) for j in range(m)]
            out += p * said[free] * np.prod([s.sum() for j, s in enumerate(said) if j != free])
        return out / out.sum(), float(out.sum())

    assert chunk.log_total.sum() == pytest.approx(np.log(weighed([0, 1], 0)[1]), rel=1e-9)
    for j, i in itertools.product(range(m), range(n)):
        expected, _ = weighed([1 - i], j)
        np.testing.assert_allclose(chunk.outside.reshape(9, m, n)[:, j, i], expected, atol=1e-9)


def test_seed_of_a_plant_heterozygous_over_a_stretch_is_no_self_of_the_f1() -> None:
    chromosomes, per, plants = 8, 12, 6
    m = chromosomes * per
    # F1 0/1, line 0/0; the plant of the line is 0/1 at four markers of the first chromosome. Plants 0 to 2
    # have the other allele from both sides there; as selfs of the F1 they would be 1/1 elsewhere as well.
    rng = np.random.default_rng(1)
    crossover = np.repeat(rng.integers(1, per, (chromosomes, plants)), per, axis=0)
    first = np.repeat(rng.integers(2, size=(chromosomes, plants)), per, axis=0)
    child = np.where(np.tile(np.arange(per), chromosomes)[:, None] < crossover, first, 1 - first)
    child[:per, :3] = 1
    child[4:8, :3] = 2
    like = np.full((m, plants, 3), 0.01)
    np.put_along_axis(like, child[:, :, None], 0.98, axis=2)
    copies = np.zeros((m, 2, 2))
    copies[:, 0, 1] = 1.0
    number, morgan = np.repeat(np.arange(chromosomes), per), np.tile(np.linspace(0.0, 0.9, per), chromosomes)
    block = FamilyBlock(2, False, like, np.full((m, 1, 2), 0.5), number, morgan, copies, None)
    pair = np.full(len(PAIR_RELATIONS), -np.inf)
    pair[[HYBRID, SELF]] = np.log([0.65, 0.3])
    family = Family((block,), Priors(pair, np.full(1, -1e5), np.full(plants, -1e5)))
    f1, line = np.tile([0.005, 0.99, 0.005], (m, 1)), np.tile([0.985, 0.005, 0.01], (m, 1))
    lead = []
    for within in (None, ((f1,), (np.tile([0.5, 0.25, 0.25], (m, 1)),))):
        alone, hybrids = (
            family.solve((f1,), (line,), start=s, within=within) for s in (Start.ALONE, Start.HYBRIDS)
        )
        assert alone.converged
        assert hybrids.converged
        lead.append(hybrids.log_evidence - alone.log_evidence)
        assert (hybrids.pair[HYBRID] > hybrids.pair[SELF]).all()
    assert lead[0] < 1
    assert lead[1] > 5
    assert near_another(family, alone)
