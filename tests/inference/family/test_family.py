"""The family model against enumeration of every parental genotype pair and every assignment of relations."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from crossproof.inference.family.emissions import FamilyBlock, log_product
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.posteriors import Priors
from crossproof.inference.pedigree import PAIR_RELATIONS, pair_tables, pollen_table

N_PAIR = len(PAIR_RELATIONS)


def random_family(seed, plants, markers, k=2, donors=2, noise=0.02):
    """Random evidence: parents fixed for different or equal alleles, plants of random relations, noise."""
    rng = np.random.default_rng(seed)
    n_g = k * (k + 1) // 2
    homozygotes = np.array([b * (b + 1) // 2 + b for b in range(k)])
    mother, father = (homozygotes[rng.integers(k, size=markers)] for _ in range(2))
    tables = pair_tables(k).reshape(N_PAIR, n_g, n_g, n_g)
    like = np.full((markers, plants, n_g), noise)
    for i in range(plants):
        relation = rng.choice([0, 0, 1, 1, 3, 7])
        for j in range(markers):
            p = tables[relation, mother[j], father[j]]
            like[j, i, rng.choice(n_g, p=p)] += 1
    like /= like.sum(axis=2, keepdims=True)
    priors = []
    for line in (mother, father):
        prior = np.full((markers, n_g), 0.04 / n_g)
        prior[np.arange(markers), line] += 0.96
        priors.append((prior,))
    gametes = rng.dirichlet(np.full(k, 0.5), (markers, donors))
    block = FamilyBlock(k, False, like, gametes)
    weights = rng.dirichlet(np.ones(N_PAIR + donors + 1))
    weights[:2] += 1.0
    weights /= weights.sum()
    flat = np.log(weights[-1]) + np.log(rng.uniform(0.1, 0.5, (markers, plants))).sum(axis=0)
    return block, priors, Priors(np.log(weights[:N_PAIR]), np.log(weights[N_PAIR:-1]), flat)


def tables_of(block):
    """F_ij(r; M, P) as (relation, marker, plant, M, P): the pair relations, then the donors."""
    n_g = block.like.shape[2]
    pair = pair_tables(block.k).reshape(N_PAIR, n_g, n_g, n_g)
    of_pair = np.einsum("mig,rabg->rmiab", block.like, pair)
    child = np.einsum("mda,Mag->dmMg", block.donors, pollen_table(block.k))
    of_donor = np.einsum("mig,dmMg->dmiM", block.like, child)[..., None]
    return np.concatenate([of_pair, np.repeat(of_donor, n_g, axis=4)])


def enumerate_family(block, parents, priors):
    """Exact posterior (relation, plant), the last row all flat relations together, and log evidence."""
    f = tables_of(block)
    log_prior = np.concatenate([priors.pair, priors.donor])
    n = block.like.shape[1]
    joint_prior = np.einsum("ma,mb->mab", parents[0][0], parents[1][0])
    rows = len(log_prior)
    posterior = np.zeros((rows + 1, n))
    total = -np.inf
    for assignment in itertools.product(range(rows + 1), repeat=n):
        product = joint_prior.copy()
        log_weight = 0.0
        for i, r in enumerate(assignment):
            if r == rows:
                log_weight += priors.flat[i]
            else:
                log_weight += log_prior[r]
                product = product * f[r, :, i]
        log_weight += np.log(product.sum(axis=(1, 2))).sum()
        total = np.logaddexp(total, log_weight)
        for i, r in enumerate(assignment):
            posterior[r, i] += np.exp(log_weight)
    return posterior / np.exp(total), total


def posterior_of(solution, priors):
    scores = np.concatenate(
        [priors.pair[:, None] + solution.pair, priors.donor[:, None] + solution.donor, priors.flat[None]]
    )
    return np.exp(scores - np.logaddexp.reduce(scores, axis=0))


def plain_messages(block, parents, priors, rounds=200):
    """The same iteration without taking a marker's own evidence out of a plant's posterior."""
    f = tables_of(block)
    log_prior = np.concatenate([priors.pair, priors.donor])[:, None]
    n = block.like.shape[1]
    outside = np.repeat(np.einsum("ma,mb->mab", parents[0][0], parents[1][0])[:, None], n, axis=1)
    prior = outside
    for _ in range(rounds):
        s = np.einsum("miab,rmiab->rmi", outside, f)
        scores = np.concatenate([log_prior + np.log(s).sum(axis=1), priors.flat[None]])
        pi = np.exp(scores - np.logaddexp.reduce(scores, axis=0))
        message = np.einsum("ri,rmiab->miab", pi[:-1], f) + (pi[-1] * s[0].mean())[:, None, None]
        log_m = np.log(message)
        outside = prior * np.exp(log_m.sum(axis=1, keepdims=True) - log_m)
        outside = outside / outside.sum(axis=(2, 3), keepdims=True)
    return pi


@pytest.mark.parametrize("k", [2, 3])
def test_family_of_one_is_exact(k):
    for seed in range(5):
        block, parents, priors = random_family(seed, plants=1, markers=6, k=k)
        exact, total = enumerate_family(block, parents, priors)
        solution = Family((block,), priors).solve(*parents)
        np.testing.assert_allclose(posterior_of(solution, priors), exact, rtol=1e-6, atol=1e-12)
        assert solution.log_evidence == pytest.approx(total, rel=1e-9)


def test_known_relations_make_the_messages_exact():
    # With one relation possible, markers are independent: every product of messages can be enumerated.
    block, parents, priors = random_family(3, plants=4, markers=5)
    only = np.full(N_PAIR, -np.inf)
    only[0] = 0.0
    certain = Priors(only, np.full(len(priors.donor), -1e6), np.full(4, -1e6))
    solution = Family((block,), certain).solve(*parents, keep_outside=True)
    f = tables_of(block)[0]  # marker, plant, M, P
    joint = np.einsum("ma,mb->mab", parents[0][0], parents[1][0])
    everyone = joint * f.prod(axis=1)
    np.testing.assert_allclose(
        solution.mother[0], everyone.sum(axis=2) / everyone.sum(axis=(1, 2))[:, None], rtol=1e-6
    )
    assert solution.log_evidence == pytest.approx(np.log(everyone.sum(axis=(1, 2))).sum(), rel=1e-6)
    for i in range(4):
        others = joint * np.delete(f, i, axis=1).prod(axis=1)
        others /= others.sum(axis=(1, 2), keepdims=True)
        np.testing.assert_allclose(
            solution.outside[0][:, :, i].T, others.reshape(len(others), -1), rtol=1e-6, atol=1e-12
        )
        fit = np.log(np.einsum("mab,mab->m", others, f[:, i])).sum()
        assert solution.pair[0, i] == pytest.approx(fit, rel=1e-6)


def test_distance_from_the_exact_posterior():
    # The messages are exact on a tree; plants and markers form loops. The distance is small, and smaller than
    # that of the same messages with a plant's own call left in.
    ours, plain, evidence = [], [], []
    for seed in range(25):
        block, parents, priors = random_family(seed, plants=3, markers=6, donors=2, noise=0.05)
        exact, total = enumerate_family(block, parents, priors)
        solution = Family((block,), priors).solve(*parents)
        assert solution.converged
        ours.append(np.abs(posterior_of(solution, priors) - exact).max())
        plain.append(np.abs(plain_messages(block, parents, priors) - exact).max())
        evidence.append(abs(solution.log_evidence - total))
    print(f"\nlargest distance: mean {np.mean(ours):.4f}, worst {max(ours):.4f}; plain {np.mean(plain):.4f}")
    print(f"log evidence off by {np.mean(evidence):.4f} on average, {max(evidence):.4f} at worst")
    assert np.mean(ours) < 0.005
    assert max(ours) < 0.05
    assert np.mean(ours) < 0.5 * np.mean(plain)
    assert max(evidence) < 0.1


def test_two_hundred_plants_do_not_underflow():
    block, parents, priors = random_family(5, plants=200, markers=40)
    solution = Family((block,), priors).solve(*parents)
    assert solution.converged
    assert np.isfinite(solution.log_evidence)
    np.testing.assert_allclose(posterior_of(solution, priors).sum(axis=0), 1, rtol=1e-9)


def test_markers_cut_differently_give_the_same_answer():
    block, parents, priors = random_family(8, plants=4, markers=30)
    half = [FamilyBlock(2, False, block.like[p], block.donors[p]) for p in (slice(0, 11), slice(11, 30))]
    cut = [tuple(x[0][p] for p in (slice(0, 11), slice(11, 30))) for x in parents]
    whole = Family((block,), priors).solve(*parents)
    parts = Family(tuple(half), priors).solve(*cut)
    np.testing.assert_allclose(parts.pair, whole.pair, rtol=1e-9)
    assert parts.log_evidence == pytest.approx(whole.log_evidence, rel=1e-9)


def test_log_product_is_the_sum_of_logs():
    values = np.random.default_rng(1).uniform(1e-4, 1, (50, 3, 4))
    np.testing.assert_allclose(log_product(values, 0), np.log(values).sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(log_product(values[:5], 0), np.log(values[:5]).sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(log_product(values, 1), np.log(values).sum(axis=1), rtol=1e-12)
