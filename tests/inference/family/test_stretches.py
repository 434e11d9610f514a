"""A hybrid but for one stretch, against a sum over all stretches written out marker by marker.

Genetics: Mendel's rules only; genotypes 0/0, 0/1, 1/1 as in VCF 4.3, section 1.6.2. Plants are invented."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from small_seasons import wells_of_calls

from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.stretches import log_gain, other_copy
from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    fit_panel,
    verify_family,
)
from crossproof.model.results import CLASSES, Verdict

PER = 16
MARKERS = 11 * PER


def child(a, b):
    """P(0/0, 0/1, 1/1) from the shares of allele 1 in two gametes."""
    return np.array([(1 - a) * (1 - b), a * (1 - b) + (1 - a) * b, a * b])


def alleles(share):
    return np.stack([1 - share, share], axis=1)


def test_the_gain_is_the_mean_over_all_stretches_of_both_parents():
    rng = np.random.default_rng(4)
    chromosome, morgan = np.array([0, 1, 0, 0, 1, -1]), np.array([0.3, 0.1, 0.1, 0.2, 0.4, 0.0])
    like = rng.dirichlet([1, 1, 1], (6, 2))
    mother, father, pool, other_mother, other_father = rng.uniform(0.05, 0.95, (5, 6))
    block = FamilyBlock(2, False, like, alleles(pool)[:, None], chromosome, morgan)
    maternal = FamilyBlock(2, True, like[:1], alleles(pool[:1])[:, None])
    found = log_gain(
        [block, maternal],
        [(alleles(mother), alleles(father)), (alleles(mother[:1]), alleles(father[:1]))],
        [(alleles(other_mother), alleles(other_father)), (alleles(mother[:1]), alleles(father[:1]))],
    )
    places = [[2, 3, 0], [1, 4], [5]]
    for i in range(2):
        of_hybrid = [like[j, i] @ child(mother[j], father[j]) for j in range(6)]
        means = []
        for parent, copy in itertools.product((0, 1), (0, 1)):
            for on in places:
                terms = []
                for first, last in itertools.combinations_with_replacement(range(len(on)), 2):
                    inside = on[first : last + 1]
                    ratio = 1.0
                    for j in inside:
                        a = mother[j] if parent else (pool[j], other_mother[j])[copy]
                        b = (pool[j], other_father[j])[copy] if parent else father[j]
                        ratio *= like[j, i] @ child(a, b) / of_hybrid[j]
                    terms.append(ratio)
                means.append(np.mean(terms))
        np.testing.assert_allclose(found[i], np.log(np.mean(means)), rtol=1e-10)


def test_the_other_copy_of_a_heterozygote_is_the_allele_that_the_line_has_not():
    posterior = np.array([[0.2, 0.8, 0.0], [0.0, 0.5, 0.5], [0.0, 0.0, 1.0]])
    # 0/0 with 0 leaves 0; 0/1 leaves 1; of 1/1, where the line has 0, both copies are 1
    expected = [[0.2, 0.8], [0.5, 0.5], [0.0, 1.0]]
    np.testing.assert_allclose(other_copy(posterior, np.array([0, 1, 0]), 2), expected)


def test_no_nuclear_marker_is_no_gain():
    like = np.ones((1, 3, 3))
    block = FamilyBlock(2, True, like, alleles(np.array([0.5]))[:, None])
    one = alleles(np.array([0.1]))
    assert log_gain([block], [(one, one)], [(one, one)]).tolist() == [0.0, 0.0, 0.0]


def judged(odd):
    """Posteriors of the classes of the last of six plants, homozygous for the father at the `odd` markers.

    Eight lines typed twice, 176 markers on 11 chromosomes; mother and father differ at every second marker.
    """
    rng = np.random.default_rng(8)
    names = [f"M{j:03d}" for j in range(MARKERS)]
    lines = rng.integers(0, 2, (8, MARKERS))
    lines[0] = 0
    lines[1] = np.arange(MARKERS) % 2
    wells = [[f"{a}/{a}" for a in line] for line in lines for _ in range(2)]
    hybrid = [f"0/{a}" for a in lines[1]]
    wells += [list(hybrid) for _ in range(6)]
    for j in odd:
        wells[-1][j] = "1/1"
    calls = {name: [well[j] for well in wells] for j, name in enumerate(names)}
    of_chromosome = {name: f"Pv{j // PER:02d}" for j, name in enumerate(names)}
    season = wells_of_calls(calls, chromosomes=of_chromosome)
    inputs = [LineInput(f"L{i}", (2 * i, 2 * i + 1)) for i in range(8)]
    family = FamilyInput("C1", "L0", "L1", tuple(Plant(f"C1-{i}", (16 + i,)) for i in range(6)))
    panel = fit_panel(season, inputs, [family], Settings())
    return verify_family(family, season, panel, Settings()).class_posterior[-1]


@pytest.mark.parametrize(
    ("odd", "expected"),
    [
        # all eight contrast markers of one chromosome: a stretch of the mother plant's other copy
        (tuple(range(49, 64, 2)), Verdict.HYBRID),
        # as many on each of five chromosomes: a backcross to the father
        (
            tuple(j for c in (0, 2, 3, 7, 9) for j in range(PER * c + 1, PER * c + PER, 2)),
            Verdict.OFF_PEDIGREE,
        ),
    ],
)
def test_a_hybrid_with_one_odd_stretch_is_no_backcross_and_a_backcross_is_no_hybrid(odd, expected):
    posterior = judged(odd)
    assert CLASSES[int(posterior.argmax())] is expected
    # stretches apart, the first would be taken for a backcross, and culled as one
    assert posterior.max() > (0.95 if expected is Verdict.OFF_PEDIGREE else 0.6)
