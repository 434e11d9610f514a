"""Panel lines: pool frequencies, line genotypes, tubes that contradict each other."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.lines.consensus import (
    POOL_PSEUDO_COUNT,
    cluster_wells,
    discordance,
    fit_pool,
    line_prior,
)


def test_line_prior_by_hand():
    # q = (.3, .7), F = .98: .02 x (.09, .42, .49) + .98 x (.3, 0, .7)
    prior = line_prior(np.array([[0.3, 0.7]]), np.array([0.98]))
    np.testing.assert_allclose(prior[0, 0], [0.2958, 0.0084, 0.6958], rtol=1e-12)


def test_pool_frequency_of_certain_lines_is_a_count():
    # Three lines 0/0, one 1/1, seen without doubt: (3 + 1/2) / (4 + 1) with half a line of prior per allele.
    like = np.zeros((1, 4, 3))
    like[0, :3, 0] = 1
    like[0, 3, 2] = 1
    q, posterior = fit_pool(like, np.full(4, 0.98), np.ones(4))
    assert q[0, 0] == pytest.approx((3 + POOL_PSEUDO_COUNT) / (4 + 2 * POOL_PSEUDO_COUNT), rel=1e-4)
    np.testing.assert_allclose(posterior[0, 0], [1, 0, 0])


def test_lines_weigh_the_same_however_often_they_were_typed():
    like = np.zeros((1, 3, 3))
    like[0, :2, 0] = 1
    like[0, 2, 2] = 1
    # The first two entries are two clusters of one line.
    q, _ = fit_pool(like, np.full(3, 0.98), np.array([0.5, 0.5, 1.0]))
    assert q[0, 0] == pytest.approx(0.5, rel=1e-6)


def test_untyped_line_is_as_the_pool():
    like = np.zeros((1, 3, 3))
    like[0, :2, 0] = 1
    like[0, 2] = 1 / 3
    q, posterior = fit_pool(like, np.full(3, 1.0), np.ones(3))
    np.testing.assert_allclose(posterior[0, 2], [q[0, 0], 0, q[0, 1]], rtol=1e-9)


def test_heterozygous_parent_stays_heterozygous():
    like = np.array([[[0.005, 0.99, 0.005]] * 4])
    fixed = fit_pool(like, np.full(4, 0.98), np.ones(4))[1]
    open_ = fit_pool(like, np.zeros(4), np.ones(4))[1]
    assert open_[0, 0, 1] > 0.99
    assert fixed[0, 0, 1] < open_[0, 0, 1]


def test_discordance_by_hand():
    like = np.full((4, 3, 3), 0.01)
    best = np.array([[0, 0, 2], [0, 0, 2], [2, 2, 2], [0, 1, 1]])
    np.put_along_axis(like, best[..., None], 0.98, axis=2)
    like[3, 0] = 1 / 3  # says nothing
    differ = discordance([like])
    assert differ[0, 1] == 0
    assert differ[0, 2] == pytest.approx(2 / 3)
    assert differ[1, 2] == pytest.approx(1 / 2)


@pytest.mark.parametrize(
    ("differ", "labels"),
    [
        ([[0, 0.01, 0.4], [0.01, 0, 0.4], [0.4, 0.4, 0]], [0, 0, 1]),
        ([[0, 0.4, 0.4], [0.4, 0, 0.02], [0.4, 0.02, 0]], [1, 0, 0]),
        ([[0, 0.09], [0.09, 0]], [0, 0]),
        ([[0, 0.11], [0.11, 0]], [0, 1]),
        ([[0, np.nan], [np.nan, 0]], [0, 0]),
    ],
)
def test_tubes_that_contradict_each_other_part(differ, labels):
    assert cluster_wells(np.array(differ), 0.10).tolist() == labels


def test_one_miscall_among_few_markers_parts_no_tubes():
    # 7 markers of a poor well, one miscall: 1 / 7 is above a limit of 0.1, (1 + 0.2) / (7 + 10) is not.
    for markers, apart, parted in ((7, 1, False), (7, 2, True), (20, 2, False), (20, 3, True), (60, 7, True)):
        like = np.full((markers, 2, 3), 0.01)
        best = np.zeros((markers, 2), dtype=np.int64)
        best[:apart, 1] = 2
        np.put_along_axis(like, best[..., None], 0.98, axis=2)
        differ = discordance([like], cautious=True)
        np.testing.assert_allclose(differ[0, 1], (apart + 0.2) / (markers + 10))
        assert len(set(cluster_wells(differ, 0.1).tolist())) == 1 + parted
