"""Which other crosses pass the screen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crossproof.inference.family.donors import OtherCrosses, best_of_rows, screen_crosses


@pytest.mark.parametrize("columns", [9, 255, 256, 300, 2000])
@pytest.mark.parametrize("rows", [1, 7])
def test_the_highest_of_every_row_are_found(rows: int, columns: int) -> None:
    score = np.random.default_rng(columns + rows).normal(size=(rows, columns)).astype(np.float32)
    score[:, 3] = -np.inf
    found = best_of_rows(score, 8)
    expected = np.argsort(-score, axis=1)[:, :8]
    np.testing.assert_array_equal(np.sort(found, axis=1), np.sort(expected, axis=1))


def test_of_equal_scores_the_partition_says_which() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        score = rng.integers(0, 40, size=(6, 800)).astype(np.float32)
        partition = np.argpartition(-score, 7, axis=1)[:, :8]
        np.testing.assert_array_equal(np.sort(best_of_rows(score, 8)), np.sort(partition))


def crosses_of(seed: int, lines: int = 30, markers: int = 40) -> OtherCrosses:
    """All crosses of lines that are fixed at most markers, with the genotypes of their hybrids."""
    rng = np.random.default_rng(seed)
    second = rng.choice([0.01, 0.5, 0.99], p=[0.48, 0.04, 0.48], size=(markers, lines)).astype(np.float32)
    mother, father = np.triu_indices(lines, 1)
    x, y = second[:, mother], second[:, father]
    f1 = np.stack([(1 - x) * (1 - y), x * (1 - y) + (1 - x) * y, x * y], axis=2).transpose(1, 0, 2)
    names = tuple(f"C{i}" for i in range(len(mother)))
    screen = np.ascontiguousarray(f1.reshape(len(mother), -1))
    return OtherCrosses(names, mother, father, np.arange(markers), screen, second)


def plants_of(seed: int, markers: int = 40, plants: int = 7) -> np.ndarray:
    like = np.random.default_rng(seed).dirichlet(np.full(3, 0.1), (markers, plants))
    return 0.99 * like + 0.01 / 3


def test_the_loop_finds_the_crosses_of_the_highest_bounds_or_says_that_it_is_not_certain() -> None:
    clearly_best = pytest.importorskip(
        "crossproof.inference.family.kernel_screen", reason="nothing is compiled here", exc_type=ImportError
    ).clearly_best
    certain = 0
    for seed in range(20):
        others, like = crosses_of(seed), plants_of(seed)
        leave_out = np.arange(len(others.ids)) % 50 == 3
        # Jensen's bound, sum_j sum_g P(g | F1) log L_ij(g), in double precision
        bound = np.einsum("xmg,mng->nx", others.screen.reshape(-1, 40, 3).astype(float), np.log(like))
        bound[:, leave_out] = -np.inf
        best = np.argsort(-bound, axis=1)[:, :8]
        given = (np.log(like).astype(np.float32), others.second, others.both, others.mother, others.father)
        for loop in (clearly_best, clearly_best.py_func) if seed < 3 else (clearly_best,):
            chosen, sure = loop(*given, leave_out, 8)
            if sure:
                np.testing.assert_array_equal(np.flatnonzero(chosen), np.unique(best))
        certain += sure
        # the last of a plant's eight stands there once more, as a cross of its own: none can tell them apart
        twice = np.append(np.arange(len(others.ids)), best[0, 7])
        again = replace(others, mother=others.mother[twice], father=others.father[twice])
        assert not clearly_best(*given[:2], again.both, again.mother, again.father, leave_out[twice], 8)[1]
    assert certain >= 15


@pytest.mark.parametrize("seed", range(20, 26))
def test_screened_by_the_loop_or_by_a_product_the_crosses_are_the_same(seed: int) -> None:
    others, like = crosses_of(seed, lines=60), plants_of(seed)
    leave_out = np.zeros(len(others.ids), dtype=bool)
    by_product = screen_crosses(others, like, leave_out)
    np.testing.assert_array_equal(screen_crosses(others, like, leave_out, compiled=True), by_product)
    few = np.arange(len(others.ids)) >= 8
    np.testing.assert_array_equal(screen_crosses(others, like, few, compiled=True), np.arange(8))
