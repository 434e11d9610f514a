"""Posteriors of relations against Bayes' rule in plain probabilities, and which relations send messages."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.family.posteriors import (
    ACTIVE_DONORS,
    FADED,
    Priors,
    Start,
    hybrids_or_selfs,
    likeliest_left_out,
    summed_by,
    weighed,
    worth_a_message,
)

PAIR = np.array([[0.9, 0.01], [0.2, 0.3], [0.5, 0.02]])  # P(data | relation), relation x plant
DONOR = np.array([[0.04, 0.8], [0.1, 0.1]])
PRIOR_PAIR, PRIOR_DONOR, FLAT = np.array([0.5, 0.2, 0.1]), np.array([0.1, 0.05]), np.array([0.002, 0.004])
PRIORS = Priors(np.log(PRIOR_PAIR), np.log(PRIOR_DONOR), np.log(FLAT))


def test_posteriors_are_those_of_bayes_rule():
    joint = np.vstack([PRIOR_PAIR[:, None] * PAIR, PRIOR_DONOR[:, None] * DONOR, FLAT])
    found, total = weighed(np.log(PAIR), np.log(DONOR), np.arange(3), np.arange(2), PRIORS)
    np.testing.assert_allclose(np.vstack(found), joint / joint.sum(axis=0), rtol=1e-12)
    np.testing.assert_allclose(total, np.log(joint.sum(axis=0)), rtol=1e-12)


@pytest.mark.parametrize(("start", "of_self"), [(Start.HYBRID_OR_SELF, True), (Start.HYBRIDS, False)])
def test_first_posteriors_know_hybrids_and_selfs_alone(start, of_self):
    joint = PRIOR_PAIR[:2, None] * PAIR[:2] * np.array([[1], [of_self]])
    pair, donor, flat = hybrids_or_selfs(np.log(PAIR), PRIORS, 2, start)
    np.testing.assert_allclose(pair[:2], joint / joint.sum(axis=0), rtol=1e-12)
    assert not pair[2:].any()
    assert not donor.any()
    assert not flat.any()


def test_faded_relations_send_no_messages_but_hybrid_self_and_pool_do():
    faded, alive = FADED / 2, 2 * FADED
    pair = np.array([[faded], [faded], [faded], [alive]])
    donor = np.array([[faded], [alive], [0.0]])
    pairs, donors = worth_a_message(np.arange(4), (pair, donor, np.ones(1)))
    assert pairs.tolist() == [0, 1, 3]
    assert donors.tolist() == [1, 2]


def test_of_many_donors_the_likeliest_and_the_pool_send_messages():
    donor = np.linspace(0.001, 0.01, ACTIVE_DONORS + 5)[::-1, None].copy()
    _, donors = worth_a_message(np.arange(2), (np.ones((2, 1)), donor, np.ones(1)))
    assert donors.tolist() == [*range(ACTIVE_DONORS - 1), ACTIVE_DONORS + 4]


def test_the_likeliest_of_those_left_out():
    posterior = np.array([[0.1, 0.9], [0.3, 0.05], [0.6, 0.05]])
    rows = np.array([2, 5, 7])
    assert likeliest_left_out(posterior, rows, np.array([2, 7])) == 0.3
    assert likeliest_left_out(posterior, rows, rows) == 0.0


def test_rows_of_one_number_are_added_up_in_their_order() -> None:
    rng = np.random.default_rng(3)
    number, values = rng.integers(0, 4, size=200), rng.random((200, 5))
    expected = np.zeros((6, 5))
    for row, one in enumerate(number.tolist()):
        expected[one] += values[row]
    np.testing.assert_array_equal(summed_by(number, values, 6), expected)
