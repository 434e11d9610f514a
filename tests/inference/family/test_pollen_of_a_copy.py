"""Pollen of a line that an F1 parent was made of, against the F1's own gametes."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from crossproof.inference.descents import Kinds, component_tables, copy_chains
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.origins import OF_COPY, list_origins
from crossproof.inference.family.posteriors import Priors
from crossproof.inference.pedigree import COPY_RELATIONS, PAIR_RELATIONS
from crossproof.inference.season_results import FamilyInput
from crossproof.model.genotypes import genotype_index
from crossproof.model.results import Verdict
from crossproof.model.settings import CLASS_INDEX, Settings

CHROMOSOMES, MARKERS = 6, 3
MORGAN = np.tile([0.1, 0.5, 0.9], CHROMOSOMES)
HYBRID, SECOND_OF_FATHER = 0, len(PAIR_RELATIONS) + COPY_RELATIONS.index((1, 1))


@pytest.mark.parametrize("kinds", [Kinds(True, False), Kinds(False, True), Kinds(True, True)])
def test_the_child_has_the_copys_allele_and_a_gamete_of_the_mother(kinds: Kinds) -> None:
    parts = component_tables(2, kinds)
    for chain, (side, copy) in zip(copy_chains(kinds), COPY_RELATIONS, strict=True):
        if not (kinds.mother, kinds.father)[side]:
            continue
        table = np.einsum("s,smpg->mpg", chain.weights, parts[list(chain.component)])
        of_mother = [(0, 0), (0, 1), (1, 0), (1, 1)] if kinds.mother else [(0, 0), (0, 1), (1, 1)]
        of_father = [(0, 0), (0, 1), (1, 0), (1, 1)] if kinds.father else [(0, 0), (0, 1), (1, 1)]
        for (m, mother), (f, father) in itertools.product(enumerate(of_mother), enumerate(of_father)):
            child = np.zeros(3)
            for allele in mother:
                child[genotype_index(allele, (mother, father)[side][copy])] += 0.5
            np.testing.assert_allclose(table[m, f], child, atol=1e-12)


def by_hand(like: np.ndarray) -> tuple[float, float]:
    """log P(plant) as a hybrid, over all paths of the F1's gamete, and as the second line's pollen, where
    mother and F1 are 0/0 and 0/1 everywhere."""
    r = 0.5 * (1 - np.exp(-2 * 0.4))
    hybrid = 0.0
    for c in range(CHROMOSOMES):
        e = like[c * MARKERS : (c + 1) * MARKERS, 0, :2]
        total = 0.0
        for path in itertools.product((0, 1), repeat=MARKERS):
            steps = [r if a != b else 1 - r for a, b in itertools.pairwise(path)]
            total += 0.5 * np.prod(steps) * np.prod([e[j, s] for j, s in enumerate(path)])
        hybrid += float(np.log(total))
    return hybrid, float(np.log(like[:, 0, 1]).sum())


def test_pollen_that_carries_one_copy_from_end_to_end_is_not_taken_for_the_f1s() -> None:
    m = CHROMOSOMES * MARKERS
    like = np.full((m, 1, 3), 0.01)
    like[:, 0, 1] = 0.98
    like[4, 0] = 1 / 3
    copies = np.zeros((m, 2, 2))
    copies[:, 0, 1] = 1.0
    block = FamilyBlock(
        2,
        False,
        like,
        np.full((m, 1, 2), 0.5),
        np.repeat(np.arange(CHROMOSOMES), MARKERS),
        MORGAN,
        None,
        copies,
    )
    pair = np.full(len(PAIR_RELATIONS) + len(COPY_RELATIONS), -np.inf)
    pair[[HYBRID, SECOND_OF_FATHER]] = np.log([0.99, 0.01])
    family = Family((block,), Priors(pair, np.full(1, -1e5), np.full(1, -1e5)))
    fixed, f1 = np.tile([1.0, 0.0, 0.0], (m, 1)), np.tile([0.0, 1.0, 0.0], (m, 1))
    solution = family.solve((fixed,), (f1,))
    # the order of a heterozygote's alleles is left open at a hundredth
    np.testing.assert_allclose(solution.pair[[HYBRID, SECOND_OF_FATHER], 0], by_hand(like), atol=0.2)
    score = (pair[:, None] + solution.pair)[:, 0]
    assert score[SECOND_OF_FATHER] > score[HYBRID] + 3


def test_half_of_a_lines_share_as_a_donor_goes_to_the_copy() -> None:
    panel = SimpleNamespace(
        lines=("A", "B", "C", "F1"),
        version_line=np.array([0, 1, 2, 3]),
        share_of_line=np.ones(4),
        copies=np.array([[-2, -2], [-2, -2], [-2, -2], [0, 1]]),
        class_prior=np.array([0.6, 0.3, 0.08, 0.02]),
        segregates=lambda line: line == "F1",
        versions=lambda line: np.array(["ABC".find(line) if line != "F1" else 3]),
    )
    settings = Settings()
    origins = list_origins(FamilyInput("C1", "F1", "A", ()), panel, settings, np.array([1, 2]), (), 0, False)
    assert origins.n_pair == len(PAIR_RELATIONS) + len(COPY_RELATIONS)
    share = np.exp(origins.log_prior) / 0.08 / settings.panel_donor_share
    # the first copy is the father's own line: its pollen makes the hybrids of this tag
    expected = [0.0, 0.5 * OF_COPY, 0.0, 0.0, 0.5 * (1 - OF_COPY), 0.5]
    np.testing.assert_allclose(share[len(PAIR_RELATIONS) : len(PAIR_RELATIONS) + 6], expected, atol=1e-12)
    row = len(PAIR_RELATIONS) + 1
    assert origins.words[row] == "pollen of B"
    assert origins.klass[row] == CLASS_INDEX[Verdict.OUTCROSS]
    fixed = list_origins(FamilyInput("C2", "B", "A", ()), panel, settings, np.array([2]), (), 0, False)
    assert fixed.n_pair == len(PAIR_RELATIONS)
