"""Chains along chromosomes against brute force, published recursions and genotype probabilities by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from crossproof.inference.descents import (
    Kinds,
    component_tables,
    copy_gametes,
    order_share,
    pollen_components,
    relation_chains,
)
from crossproof.inference.linkage import (
    Chain,
    Chains,
    Descent,
    frequencies,
    plan_route,
    recombination,
    selfed_pairs,
    transitions,
)
from crossproof.inference.pedigree import PAIR_RELATIONS, gamete_table, pair_tables

R = np.array([0.0, 0.02, 0.1, 0.25, 0.4, 0.5])
ALL_KINDS = [Kinds(m, f) for m in (False, True) for f in (False, True)]


def test_haldane_map_function() -> None:
    # Haldane 1919: r = (1 - exp(-2 d)) / 2, and d = -ln(1 - 2 r) / 2 back again
    r = recombination(np.array([0.05, 0.5, 30.0]))
    np.testing.assert_allclose(-0.5 * np.log(1 - 2 * r[:2]), [0.05, 0.5], rtol=1e-12)
    assert r[2] == pytest.approx(0.5)


def two_locus_gametes(plant, r):
    """Gametes of a plant of two haplotypes of two loci, as {haplotype: probability}."""
    (a1, b1), (a2, b2) = plant
    out: dict[tuple[int, int], float] = {}
    for hap, p in (((a1, b1), (1 - r) / 2), ((a2, b2), (1 - r) / 2), ((a1, b2), r / 2), ((a2, b1), r / 2)):
        out[hap] = out.get(hap, 0.0) + p
    return out


def selfed_by_hand(r, generations):
    """Two-locus plants after selfings of a double heterozygote, every gamete and every union written out."""
    plants = {((0, 0), (1, 1)): 1.0}
    for _ in range(generations):
        following: dict[tuple[tuple[int, int], tuple[int, int]], float] = {}
        for plant, share in plants.items():
            gametes = two_locus_gametes(plant, r)
            for (x, px), (y, py) in itertools.product(gametes.items(), repeat=2):
                child = tuple(sorted((x, y)))
                following[child] = following.get(child, 0.0) + share * px * py
        plants = following
    joint = np.zeros((3, 3))
    for (x, y), share in plants.items():
        joint[x[0] + y[0], x[1] + y[1]] += share
    return joint


@pytest.mark.parametrize("generations", [1, 2, 3, 5])
def test_selfing_follows_every_gamete_and_union(generations: int) -> None:
    for r in R:
        np.testing.assert_allclose(
            selfed_pairs(np.array(r), generations), selfed_by_hand(r, generations), atol=1e-14
        )


def test_selfing_for_ever_is_the_published_limit() -> None:
    # Haldane and Waddington 1931, Genetics 16:357: recombinant lines by selfing R = 2r / (1 + 2r)
    many = selfed_pairs(R, 60)
    limit = selfed_pairs(R, None)
    np.testing.assert_allclose(many, limit, atol=1e-9)
    np.testing.assert_allclose(limit[:, 0, 2] + limit[:, 2, 0], 2 * R / (1 + 2 * R), rtol=1e-12)


def test_an_f2_is_two_gametes() -> None:
    # Haldane 1919: both gametes without a crossover (1-r)^2, one of them r(1-r), both r^2
    r = 0.1
    np.testing.assert_allclose(
        transitions(Descent.F2, np.array(r)),
        [
            [(1 - r) ** 2, 2 * r * (1 - r), r**2],
            [r * (1 - r), (1 - r) ** 2 + r**2, r * (1 - r)],
            [r**2, 2 * r * (1 - r), (1 - r) ** 2],
        ],
    )


@pytest.mark.parametrize("descent", list(Descent))
def test_transitions_keep_the_frequencies(descent: Descent) -> None:
    pi, t = frequencies(descent), transitions(descent, R)
    np.testing.assert_allclose(t.sum(axis=-1), 1)
    np.testing.assert_allclose(pi @ t, np.broadcast_to(pi, (len(R), len(pi))), atol=1e-12)


def emissions(markers, components, plants, seed=0):
    return np.random.default_rng(seed).uniform(0.01, 1, (markers, components, plants))


MORGAN = np.array([0.0, 0.03, 0.1, 0.55, 0.551])


def brute_force(chain, e, morgan):
    """log P over every path of joint states, and the posterior of the states of every marker."""
    k = len(chain.component)
    r = 0.5 * (1 - np.exp(-2 * np.diff(morgan)))
    steps = chain.steps(r)
    total, by_state = 0.0, np.zeros((len(morgan), k))
    for path in itertools.product(range(k), repeat=len(morgan)):
        p = chain.weights[path[0]] * np.prod([steps[i][path[i], path[i + 1]] for i in range(len(r))])
        p *= np.prod([e[j, chain.component[s]] for j, s in enumerate(path)])
        total += p
        by_state[np.arange(len(morgan)), list(path)] += p
    return np.log(total), by_state / total


@pytest.mark.parametrize("row", range(len(PAIR_RELATIONS)))
def test_five_markers_against_all_paths(row: int) -> None:
    chain = relation_chains(Kinds())[row]
    if not chain.descents:
        return
    e = emissions(5, 5, 2, seed=row)
    chains = Chains([chain], plan_route(np.zeros(5, dtype=np.int64), MORGAN))
    fit, _ = chains.fit(e)
    weights = chains.cavity(e, np.full((1, 2), 0.7))
    for i in range(2):
        exact, states = brute_force(chain, e[:, :, i], MORGAN)
        assert fit[0, i] == pytest.approx(exact, rel=1e-12)
        for c in range(5):
            # posterior of a component is weight x emission, over the plant's posterior of the relation
            by_component = states[:, [s for s, own in enumerate(chain.component) if own == c]].sum(axis=1)
            np.testing.assert_allclose(weights[:, c, i] * e[:, c, i] / 0.7, by_component, atol=1e-12)


def test_gametes_of_a_backcross_against_all_crossovers() -> None:
    # Every set of intervals with a crossover, each interval by itself (no interference), either start.
    r = 0.5 * (1 - np.exp(-2 * np.diff(MORGAN)))
    e = emissions(5, 2, 1, seed=4)
    total = 0.0
    for start, crossed in itertools.product((0, 1), itertools.product((0, 1), repeat=4)):
        copy = (start + np.cumsum([0, *crossed])) % 2
        total += 0.5 * np.prod(np.where(crossed, r, 1 - r)) * np.prod(e[np.arange(5), copy, 0])
    chains = Chains([Chain((Descent.GAMETE,), (0, 1))], plan_route(np.zeros(5, dtype=np.int64), MORGAN))
    assert chains.fit(e)[0][0, 0] == pytest.approx(np.log(total), rel=1e-12)


@pytest.mark.parametrize("kinds", ALL_KINDS)
def test_at_one_marker_every_chain_is_the_relation(kinds: Kinds) -> None:
    # Averaged over its states' own frequencies, a chain is the one-marker table of the relation.
    for k in (2, 3):
        tables = pair_tables(k).reshape(len(PAIR_RELATIONS), k * (k + 1) // 2, k * (k + 1) // 2, -1)
        parts = component_tables(k, kinds)
        for row, chain in enumerate(relation_chains(kinds)):
            mixed = np.einsum("s,smpg->mpg", chain.weights, parts[list(chain.component)])
            m_of, p_of = (genotype_of(k, side) for side in (kinds.mother, kinds.father))
            np.testing.assert_allclose(mixed, tables[row][np.ix_(m_of, p_of)], atol=1e-12)


def genotype_of(k, segregating):
    """Genotype of every state of a parent."""
    if not segregating:
        return np.arange(k * (k + 1) // 2)
    first, second = np.divmod(np.arange(k * k), k)
    low, high = np.minimum(first, second), np.maximum(first, second)
    return high * (high + 1) // 2 + low


def test_unlinked_markers_are_independent() -> None:
    chains = [c for c in relation_chains(Kinds(mother=True)) if c.descents]
    e = emissions(7, 12, 3)
    for morgan in (None, np.arange(7) * 50.0):
        chromosome = np.full(7, -1) if morgan is None else np.zeros(7, dtype=np.int64)
        route = plan_route(chromosome, np.zeros(7) if morgan is None else morgan)
        for chain in chains:
            fit, _ = Chains([chain], route).fit(e[route.order])
            alone = np.log(np.einsum("k,mkn->mn", chain.weights, e[:, list(chain.component)])).sum(axis=0)
            np.testing.assert_allclose(fit[0], alone, rtol=1e-9)


def test_order_and_direction_of_chromosomes_change_nothing() -> None:
    rng = np.random.default_rng(5)
    chromosome = np.array([0, 0, 0, 0, 1, 1, 2, -1, -1, 0])
    morgan = np.array([0.1, 0.5, 0.11, 0.9, 0.3, 0.2, 0.7, 0.0, 0.4, 0.51])
    e = emissions(10, 5, 3)
    chains = [c for c in relation_chains(Kinds()) if c.descents]

    def fit(order, places):
        route = plan_route(chromosome[order], places[order])
        return Chains(chains, route).fit(e[order][route.order])[0]

    plain = fit(np.arange(10), morgan)
    np.testing.assert_allclose(fit(rng.permutation(10), morgan), plain, rtol=1e-12)
    np.testing.assert_allclose(fit(np.arange(10), 1.0 - morgan), plain, rtol=1e-9)


def test_long_and_coincident_markers_stay_finite() -> None:
    m = 3000
    morgan = np.repeat(np.linspace(0, 1, m // 3), 3)
    chains = [c for c in relation_chains(Kinds()) if c.descents]
    e = np.full((m, 5, 2), 1e-4)
    e[::2, 0] = 1.0
    run = Chains(chains, plan_route(np.zeros(m, dtype=np.int64), morgan))
    fit, done = run.fit(e)
    assert np.isfinite(fit).all()
    weights = run.cavity(e, np.ones((len(chains), 2)), done)
    assert np.isfinite(weights).all()
    np.testing.assert_allclose((weights * e).sum(axis=1), len(chains), rtol=1e-9)


def test_genotype_between_two_markers_by_hand() -> None:
    # An F2 with markers at 0 and 20 cM, both homozygous for the mother's allele, and one between them, at
    # 5 cM, that was not typed. By hand from Haldane's function, each gamete by itself:
    # P(mother's | mother's, mother's) = ((1-r1)(1-r2) / (1-r12))^2, r1 = 0.0475813, r2 = 0.1295909,
    # r12 = 0.1648400: 0.9926169^2 = 0.9852883
    e = np.ones((3, 3, 1))
    e[[0, 2], 1:] = 1e-12
    chains = Chains(
        [Chain((Descent.F2,), (0, 1, 2))], plan_route(np.zeros(3, dtype=np.int64), np.array([0, 0.05, 0.2]))
    )
    order = chains.route.order
    weights = chains.cavity(e[order], np.ones((1, 1)))
    middle = weights[np.flatnonzero(order == 1)[0], :, 0]
    assert middle[0] == pytest.approx(0.9852883, abs=1e-6)
    assert middle[2] == pytest.approx((1 - 0.9926169) ** 2, abs=1e-6)


def test_genotype_on_a_published_map_by_hand() -> None:
    # D1Mit296, D1Mit123 and D1Mit156 at 3.3, 19.7 and 32.8 cM on mouse chromosome 1: the map of the first
    # backcross of Sugiyama et al. 2001, Genomics 71:70 (names and places as in Debian's r-cran-qtl 1.58-1).
    # A backcross plant heterozygous at the outer two. By hand: r1 = (1 - exp(-0.328)) / 2 = 0.139818,
    # r2 = (1 - exp(-0.262)) / 2 = 0.115244, r12 = (1 - exp(-0.59)) / 2 = 0.222836;
    # heterozygous in the middle (1 - r1)(1 - r2) / (1 - r12) = 0.979267
    e = np.ones((3, 2, 1))
    e[[0, 2], 0] = 1e-12
    route = plan_route(np.zeros(3, dtype=np.int64), np.array([0.033, 0.197, 0.328]))
    chains = Chains([Chain((Descent.GAMETE,), (0, 1))], route)
    middle = chains.cavity(e[route.order], np.ones((1, 1)))[np.flatnonzero(route.order == 1)[0], :, 0]
    assert middle[1] == pytest.approx(0.979267, abs=1e-6)


def test_copies_of_a_segregating_parent() -> None:
    for k in (2, 3):
        mean = copy_gametes(k, True).mean(axis=0)
        np.testing.assert_allclose(mean, gamete_table(k)[genotype_of(k, True)])
        np.testing.assert_allclose(pollen_components(k, True).sum(axis=3), 1)
    share = order_share(np.array([[[0.2, 0.7], [0.1, 0.0]], [[0.5, 0.0], [0.0, 0.5]]]))
    np.testing.assert_allclose(share[:, [0, 3]], 1)
    np.testing.assert_allclose(share[:, 1] + share[:, 2], 1)
    assert share[0, 1] == pytest.approx(0.99 * 7 / 8 + 0.005)
    assert share[1, 1] == 0.5
