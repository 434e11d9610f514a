"""Places of markers on the genetic map: centimorgan as given, between given ones, and from positions."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.evidence.genetic_map import place_markers
from crossproof.model.genotypes import Markers


def markers(chrom, pos, cm=None, maternal=None):
    n = len(chrom)
    return Markers(
        np.array([f"M{j}" for j in range(n)], dtype=object),
        np.array(chrom, dtype=object),
        np.array(pos, dtype=np.int64),
        (("A", "G"),) * n,
        np.zeros(n, dtype=bool) if maternal is None else np.array(maternal),
        None if cm is None else np.array(cm, dtype=np.float64),
    )


def test_centimorgan_are_taken_as_given_and_others_lie_between() -> None:
    placed = markers(["1"] * 4, [100, 200, 300, 0], [10.0, np.nan, 30.0, np.nan])
    chromosome, morgan = place_markers(placed, 0.0)
    assert chromosome[0] == chromosome[1] == chromosome[2] >= 0
    assert chromosome[3] == -1  # neither place
    np.testing.assert_allclose(morgan[:3], [0.1, 0.2, 0.3])


def test_positions_span_their_part_of_a_morgan() -> None:
    # 9 markers evenly spread span 8/10 of their chromosome on average
    chromosome, morgan = place_markers(markers(["1"] * 9, np.arange(1, 10) * 1_000_000), 0.0)
    assert len(set(chromosome)) == 1
    assert np.ptp(morgan) == pytest.approx(0.8)


def test_a_rate_overrides_the_usual_length() -> None:
    _, morgan = place_markers(markers(["1", "1"], [1_000_000, 3_000_000]), 2.5)
    assert np.ptp(morgan) == pytest.approx(2 * 0.025)


def test_a_piece_of_a_chromosome_has_the_rate_of_the_longest() -> None:
    place = markers(["1", "1", "piece", "piece"], [1, 100_000_001, 1, 1_000_001])
    _, morgan = place_markers(place, 0.0)
    assert abs(morgan[3] - morgan[2]) == pytest.approx(0.01)


def test_without_a_place_each_marker_is_its_own_chromosome() -> None:
    chromosome, _ = place_markers(markers(["", "1", "Pt"], [5, 0, 7], maternal=[False, False, True]), 0.0)
    np.testing.assert_array_equal(chromosome, -1)
