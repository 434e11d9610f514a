"""What plates and crosses have in common, worked out once."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.pedigree import fixed_table, gamete_table, self_table, union_table
from crossproof.inference.plates import mixtures
from crossproof.inference.plates import scores as scores_module
from crossproof.inference.plates.arrays import Plate, SeasonBlock, SeasonTables, WellBlock, line_evidence
from crossproof.inference.plates.cross_tables import cross_table
from crossproof.inference.plates.each import AskedOnce, one_by_one
from crossproof.inference.plates.plate_excess import OddPlants, season_shares
from crossproof.inference.plates.reversed_tags import OUTCROSS, TURNED
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.plates import PLATE_FORMATS


def test_a_question_is_asked_once_for_what_its_answer_depends_on():
    asked: list[int] = []

    def square(number: int) -> int:
        asked.append(number)
        return number * number

    once = AskedOnce(one_by_one)
    assert once(square, [3, -3, 4], abs) == [9, 9, 16]
    assert once(square, [4, 5], abs) == [16, 25]
    assert asked == [3, -3, 4, 5]  # both 3 and -3 were new when they were asked about


def test_several_questions_are_asked_of_each_item_at_once_and_not_again():
    rounds: list[int] = []

    def each(function, items):
        rounds.append(len(items))
        return one_by_one(function, items)

    def doubled(item: list[int]) -> int:
        return 2 * item[0]

    def squared(item: list[int]) -> int:
        return item[0] ** 2

    items = [[3], [4], [4]]
    asked = AskedOnce(each)
    asked.ahead((doubled, items), (squared, items[1:]))
    assert asked.of_same(doubled, items) == [6, 8, 8]
    assert asked.of_same(squared, items) == [9, 16, 16]
    assert rounds == [3, 0, 1]  # all three; nothing; the one of which this was not asked


def test_shares_of_the_season_are_those_of_the_other_plates():
    """Hand: the third plate, 2 odd of 10, is too odd to count; of the others (0.005 x 200 + stray) / (200 +
    plants) and (0.03 x 100 + odd) / (100 + plants)."""

    def plate(plants: int, stray: int, odd: int) -> OddPlants:
        at = np.arange(plants)
        return OddPlants(at, at < stray, at < odd, at)

    found = season_shares([plate(20, 1, 2), plate(30, 0, 0), plate(10, 2, 2)])
    assert found[0] == (1.0 / 230, 3.0 / 130)
    assert found[1] == (2.0 / 220, 5.0 / 120)
    assert found[2] == (2.0 / 250, 5.0 / 150)
    # Where most of the others are odd, all of them count.
    odd = season_shares([plate(10, 5, 5), plate(10, 5, 5), plate(10, 0, 0)])
    assert odd[2] == (11.0 / 220, 13.0 / 120)
    assert odd[0] == (1.0 / 210, 3.0 / 110)


@pytest.mark.parametrize("k", [2, 3])
def test_what_a_plant_of_a_cross_may_be_by_the_tables_of_pedigree(k):
    """By the definitions, one sum over alleles and genotypes."""
    rng = np.random.default_rng(k)
    n_g = k * (k + 1) // 2
    mother, father = rng.dirichlet(np.ones(n_g), size=(2, 4, 3))
    pollen = rng.dirichlet(np.ones(k), size=3)
    eggs, sperm = mother @ gamete_table(k), father @ gamete_table(k)
    f1 = np.einsum("cma,cmb,abg->cmg", eggs, sperm, union_table(k))
    outcross = np.einsum("cma,mb,abg->cmg", eggs, pollen, union_table(k))
    selfs = [np.einsum("cmp,pg->cmg", parent, self_table(k)) for parent in (mother, father, f1)]
    fixed = np.einsum("cmp,pg->cmg", f1, fixed_table(k))
    expected = np.stack([f1, selfs[0], outcross, selfs[1], selfs[2], fixed], axis=1)
    np.testing.assert_allclose(cross_table(mother, father, pollen), expected, rtol=1e-12, atol=1e-15)


def invented_plate() -> PlateScores:
    """Five tubes and plants of two crosses at 21 markers, genotypes drawn at random."""
    rng = np.random.default_rng(11)
    n_lines, n_wells, n_markers = 5, 9, 21
    likelihood = rng.dirichlet(np.full(3, 0.2), size=(n_markers, n_wells)).astype(np.float32)
    likelihood += np.float32(1e-3)
    at = np.arange(n_wells)
    names = tuple(f"s{w}" for w in at)
    block = WellBlock(2, likelihood, likelihood.argmax(axis=2).astype(np.uint8))
    identity = np.array([0, 1, 2, 3, 4, 5, 5, 6, 6])
    plate = Plate("P", "B", PLATE_FORMATS[0], at * 0, at, names, names, identity, (block,))
    q, maternal = rng.dirichlet(np.ones(2), size=n_markers), np.zeros(n_markers, dtype=bool)
    blocks = (SeasonBlock(2, tuple(map(str, range(n_markers))), q, maternal),)
    parents = np.array([0, 2]), np.array([1, 3])
    season = SeasonTables(tuple("abcde"), ("c", "d"), *parents, blocks, np.full(n_lines, 0.9))
    return PlateScores(plate, season, line_evidence(season, [plate]), usual=0.9, background=0.02)


def test_many_pairs_of_parents_fit_as_they_do_pair_by_pair(monkeypatch):
    scores = invented_plate()
    at, state = np.arange(9), scores.lines_under(scores.plate.identity)
    mother, father = (x.ravel() for x in np.meshgrid(np.arange(-1, 5), np.arange(-1, 5)))
    apart = scores.relation_scores(mother, father, at, state)
    monkeypatch.setattr(scores_module, "FEW_PAIRS", 10)
    np.testing.assert_allclose(scores.relation_scores(mother, father, at, state), apart, rtol=1e-12)


@pytest.mark.parametrize("kept", [False, True])
def test_relations_to_the_own_cross_are_those_asked_for_one_by_one(kept):
    scores = invented_plate()
    identity = scores.plate.identity
    if kept:
        scores.matrix(identity, labelled=True)
    state = scores.lines_under(identity)
    own = scores.own_relations(identity)
    assert not own[:5].any()
    for wells, pair in (([5, 6], ([0], [1])), ([7, 8], ([2], [3]))):
        one = scores.relation_scores(*map(np.array, pair), np.array(wells), state)[:, 0]
        np.testing.assert_allclose(own[wells], one, rtol=1e-12)
        turned = scores.relation_scores(*map(np.array, pair[::-1]), np.array(wells), state)[:, 0]
        kept_sides = [r for r in range(6) if r != OUTCROSS]
        np.testing.assert_allclose(own[wells][:, TURNED][:, kept_sides], turned[:, kept_sides], rtol=1e-12)
        by_line = scores.outcross_scores(np.array(pair[1]), np.array(wells), state)[:, 0]
        np.testing.assert_allclose(by_line, turned[:, OUTCROSS], rtol=1e-12)


def test_nothing_fits_better_than_the_best_genotype_at_every_marker():
    scores = invented_plate()
    identity = scores.plate.identity
    state = scores.lines_under(identity)
    assert (scores.own_plain(identity) <= scores.best_fit).all()
    for well in (5, 6, 7, 8):
        first, prior = scores.identity_tables(int(identity[well]), well, state)
        sources = mixtures._contaminants(scores, np.flatnonzero(np.arange(9) != well))
        mixed = mixtures._mixed_calls(scores, well, first, prior, sources)
        assert (mixed <= scores.best_fit[well]).all()
