"""One file's evidence renumbered to joined alleles: worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.evidence.blocks import EvidenceBlock, batch_evidence
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers, n_genotypes, observation_codes


def texts(*values: str) -> np.ndarray:
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def one_file() -> CallBatch:
    """Two markers A/G and three wells, with calls, depths and likelihoods; and a third marker C/T/A."""
    two = CallBlock(
        2,
        np.array([0, 1]),
        np.array([[[0, 0], [0, 1], [-1, -1]], [[1, 1], [-1, 0], [0, 1]]], np.int8),
        np.array([[[0, 30, 60], [20, 0, 40], [0, 0, 0]], [[90, 9, 0], [0, 3, 20], [7, 0, 7]]], np.uint8),
        np.array([[[9, 0], [4, 5], [0, 0]], [[0, 7], [2, 0], [3, 3]]], np.uint16),
    )
    three = CallBlock(
        3,
        np.array([2]),
        np.array([[[0, 2], [1, 1], [2, 2]]], np.int8),
        np.array([[[9, 8, 7, 0, 6, 5], [9, 9, 0, 9, 9, 9], [1, 2, 3, 4, 5, 0]]], np.uint8),
        np.array([[[1, 0, 2], [0, 3, 0], [0, 0, 4]]], np.uint16),
    )
    markers = Markers(
        texts("m1", "m2", "m3"),
        texts("1", "1", "1"),
        np.array([1, 2, 3]),
        (("A", "G"), ("A", "G"), ("C", "T", "A")),
        np.zeros(3, bool),
    )
    return CallBatch("B", markers, ("a", "b", "c"), (two, three), Evidence.LIKELIHOODS)


def joined(
    recode: list[list[int]], rows: list[int], n_alleles: list[int], wells: tuple[int, ...] = (5, -1, 3)
) -> tuple[EvidenceBlock, ...]:
    padded = np.full((3, 8), -1)
    for i, line in enumerate(recode):
        padded[i, : len(line)] = line
    out = batch_evidence(
        one_file(),
        wells=np.array(wells),
        joined_row=np.array(rows),
        recode=padded,
        n_alleles=np.array(n_alleles),
    )
    assert out.wells.tolist() == [w for w in wells if w >= 0]
    return out.blocks


def test_alleles_in_the_order_of_the_file_stay() -> None:
    two, three = joined([[0, 1], [0, 1], [0, 1, 2]], [0, 1, 2], [2, 2, 3])
    held = one_file().blocks
    for block, own in zip((two, three), held, strict=True):
        assert block.k == own.k
        np.testing.assert_array_equal(block.phred, own.phred[:, [0, 2]])
        np.testing.assert_array_equal(block.depths, own.depths[:, [0, 2]])
        np.testing.assert_array_equal(block.codes, observation_codes(own.calls[:, [0, 2]], own.k))


def test_turned_alleles_turn_everything() -> None:
    """G/A for the file's A/G: likelihoods of AA, AG, GG are read backwards, depths change places."""
    (two, _) = joined([[1, 0], [0, 1], [0, 1, 2]], [0, 1, 2], [2, 2, 3])
    assert two.phred[0].tolist() == [[60, 30, 0], [0, 0, 0]]
    assert two.depths[0].tolist() == [[0, 9], [0, 0]]
    calls = np.array([[[1, 1], [-1, -1]]], np.int8)
    np.testing.assert_array_equal(two.codes[:1], observation_codes(calls, 2))
    assert two.phred[1].tolist() == [[90, 9, 0], [7, 0, 7]]


def test_an_allele_that_the_file_never_saw_is_as_bad_as_the_worst() -> None:
    """A/T/G joined, A/G in the file: genotypes AA AT TT AG TG GG; those with T as the worst of the well."""
    blocks = joined([[0, 2], [0, 1], [0, 1, 2]], [0, 1, 2], [3, 2, 3])
    assert [b.k for b in blocks] == [2, 3]
    three = blocks[1]
    assert three.rows.tolist() == [0, 2]
    assert three.phred.shape == (2, 2, n_genotypes(3))
    assert three.phred[0].tolist() == [[0, 60, 60, 30, 60, 60], [0, 0, 0, 0, 0, 0]]
    assert three.depths[0].tolist() == [[9, 0, 0], [0, 0, 0]]


def test_rows_are_brought_into_the_joined_order_and_set_aside_markers_are_left_out() -> None:
    (two,) = joined([[0, 1], [0, 1], [0, 1, 2]], [1, 0, -1], [2, 2])
    assert two.rows.tolist() == [0, 1]
    assert two.phred[0, 0].tolist() == [90, 9, 0]
    assert two.phred[1, 0].tolist() == [0, 30, 60]


@pytest.mark.parametrize("order", [(0, 1, 2), (7, 7, 7)])
def test_every_well_may_be_kept(order: tuple[int, ...]) -> None:
    (two, _) = joined([[0, 1], [0, 1], [0, 1, 2]], [0, 1, 2], [2, 2, 3], wells=order)
    assert two.codes.shape == (2, 3)
