"""Families on linked markers against enumeration of relations, paths along the chromosome and parents."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from crossproof.inference.descents import Kinds, component_tables, order_share, ordered, relation_chains
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.posteriors import Priors
from crossproof.inference.family.relation_plan import plan_relations, route_of
from crossproof.inference.pedigree import PAIR_RELATIONS

MORGAN = np.array([0.0, 0.08, 0.15, 0.6])
HYBRID, SELF, F2, TO_MOTHER = 0, 1, 3, 7


def family(seed, plants, rows, mother_copies=None):
    """Random evidence on linked markers; only these relations can be, and no donor."""
    rng = np.random.default_rng(seed)
    m = len(MORGAN)
    like = rng.dirichlet(np.full(3, 0.4), (m, plants)) + 0.02
    parents = []
    for _ in range(2):
        prior = rng.dirichlet(np.full(3, 0.3), m) + 0.01
        parents.append(prior / prior.sum(axis=1, keepdims=True))
    if mother_copies is not None:
        parents[0] = np.tile([0.05, 0.9, 0.05], (m, 1))
    pair = np.full(len(PAIR_RELATIONS), -np.inf)
    pair[rows] = np.log(1 / len(rows))
    block = FamilyBlock(
        2, False, like, np.full((m, 1, 2), 0.5), np.zeros(m, dtype=np.int64), MORGAN, mother_copies
    )
    return block, parents, Priors(pair, np.full(1, -1e5), np.full(plants, -1e5))


def enumerate_all(block, parents, priors, rows, kinds):
    """Posterior (relation, plant) and log evidence, over all relations, paths and parents."""
    m, n, _ = block.like.shape
    mother = parents[0]
    if block.mother_copies is not None:
        mother = mother[:, ordered(2)] * order_share(block.mother_copies)
    joint = mother[:, :, None] * parents[1][:, None, :]
    tables = component_tables(2, kinds)
    fit = np.einsum("cabg,mig->micab", tables, block.like)
    r = 0.5 * (1 - np.exp(-2 * np.diff(MORGAN)))
    options = []
    for row in rows:
        chain = relation_chains(kinds)[row]
        steps = chain.steps(r)
        for path in itertools.product(range(len(chain.component)), repeat=m):
            p = chain.weights[path[0]] * np.prod([steps[j][path[j], path[j + 1]] for j in range(m - 1)])
            if p > 0:
                options.append((row, p * np.exp(priors.pair[row]), [chain.component[s] for s in path]))
    posterior, total = np.zeros((len(PAIR_RELATIONS), n)), 0.0
    for chosen in itertools.product(options, repeat=n):
        weight = np.prod([p for _, p, _ in chosen])
        for j in range(m):
            product = joint[j]
            for i, (_, _, path) in enumerate(chosen):
                product = product * fit[j, i, path[j]]
            weight *= product.sum()
        total += weight
        for i, (row, _, _) in enumerate(chosen):
            posterior[row, i] += weight
    return posterior / total, np.log(total)


def posterior_of(solution, priors):
    scores = priors.pair[:, None] + solution.pair
    return np.exp(scores - np.logaddexp.reduce(scores, axis=0))


@pytest.mark.parametrize("copies", [None, np.tile([[0.1, 0.8], [0.05, 0.05]], (4, 1, 1))])
def test_a_family_of_one_is_exact(copies) -> None:
    rows = [HYBRID, SELF, F2, TO_MOTHER] if copies is None else [HYBRID, SELF]
    for seed in range(4):
        block, parents, priors = family(seed, 1, rows, copies)
        exact, total = enumerate_all(block, parents, priors, rows, Kinds(mother=copies is not None))
        solution = Family((block,), priors).solve((parents[0],), (parents[1],))
        np.testing.assert_allclose(posterior_of(solution, priors), exact, rtol=1e-6, atol=1e-12)
        assert solution.log_evidence == pytest.approx(total, rel=1e-9)


@pytest.mark.parametrize("copies", [None, np.tile([[0.1, 0.8], [0.05, 0.05]], (4, 1, 1))])
def test_two_plants_are_near_the_full_enumeration(copies) -> None:
    # messages are exact on a tree; plants and markers form loops, so that a small distance is left
    rows = [HYBRID, TO_MOTHER] if copies is None else [HYBRID, SELF]
    distance, evidence = [], []
    for seed in range(8):
        block, parents, priors = family(seed, 2, rows, copies)
        exact, total = enumerate_all(block, parents, priors, rows, Kinds(mother=copies is not None))
        solution = Family((block,), priors).solve((parents[0],), (parents[1],))
        distance.append(np.abs(posterior_of(solution, priors) - exact).max())
        evidence.append(abs(solution.log_evidence - total))
    assert np.mean(distance) < 0.005
    assert max(distance) < 0.02
    assert max(evidence) < 0.05


def test_families_with_the_same_markers_share_their_plan() -> None:
    one, two = (family(seed, 3, [HYBRID, F2])[0] for seed in (1, 2))
    assert route_of([one]) is route_of([two])
    plan = plan_relations((HYBRID, F2), Kinds(), route_of([one]))
    assert plan is plan_relations((HYBRID, F2), Kinds(), route_of([two]))
    # a hybrid is one component everywhere, an F2 the hybrid and either parent's allele twice
    np.testing.assert_array_equal(plan.components, [0, 1, 3])
    assert [len(n) for n, _ in plan.groups] == [1]


def test_a_bound_in_place_of_a_chain_is_never_below_it() -> None:
    block, _, _ = family(3, 4, [HYBRID, F2, TO_MOTHER])
    plan = plan_relations((HYBRID, F2, TO_MOTHER), Kinds(), route_of([block]))
    rng = np.random.default_rng(9)
    before, after = rng.uniform(0.01, 1, (2, 4, len(plan.components), 4))
    prior = np.zeros((3, 4))
    first = plan.fit(before, prior, np.full(4, -np.inf), None)
    exact = plan.fit(after, prior, np.full(4, -np.inf), None).relations
    bound = plan.fit(after, prior, np.full(4, 1e9), first).relations
    assert (bound[1:] >= exact[1:] - 1e-12).all()
    np.testing.assert_array_equal(bound[0], exact[0])
