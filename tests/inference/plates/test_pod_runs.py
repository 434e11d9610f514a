"""Runs of wells within pods; the probabilities by integration, which the code does not do."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from crossproof.inference.plates.pod_runs import HIT, LONGEST, STRAY, run_nats
from crossproof.model.arrays import Ints

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def plate_of_pods(size: int):
    """A plate filled by columns whose samples are all of one cross, in pods of so many."""
    nursery = sim.make_nursery(np.random.default_rng(5))
    sheet = sim.make_sheet(nursery, by_columns=True, blanks=0)
    plate = sim.make_plate(nursery, sheet)
    order = np.argsort(plate.columns * plate.format.rows + plate.rows)
    pods = np.empty(len(order), dtype=object)
    pods[order] = [f"pod {i // size}" for i in range(len(order))]
    return replace(plate, pods=tuple(pods.tolist())), order


def of_a_donor(shows: int, others: int) -> float:
    """log P(just these plants of a pod are of its foreign donor), any share of the donor being as likely."""
    return float(np.log(quad(lambda share: share**shows * (1 - share) ** others, 0, 1)[0]))


def nats(like: Ints, clear: Ints, group: Ints, *, size: int = 12) -> float:
    plate, order = plate_of_pods(size)
    identity = np.full(len(order), 20)
    return run_nats(plate, identity, order[group], order[like], order[clear])


def test_a_run_in_a_pod_is_no_donors():
    like, clear = np.arange(5, 12), np.arange(5)
    known = 7 * np.log(HIT) - of_a_donor(7, 5) - np.log(2 * LONGEST)
    assert nats(like, clear, like) == pytest.approx(known, abs=1e-6)
    assert known > 3


def test_plants_anywhere_in_the_pod_are_a_donors():
    like, clear = np.array([0, 2, 4, 5, 8, 11]), np.array([1, 3, 6, 7, 9, 10])
    assert nats(like, clear, like) == 0.0
    elsewhere = np.array([0, 1, 2, 3, 4, 10])
    known = 5 * np.log(HIT) + np.log(STRAY) - of_a_donor(6, 6) - np.log(2 * LONGEST)
    assert nats(elsewhere, np.setdiff1d(np.arange(12), elsewhere), np.arange(5)) == pytest.approx(
        max(known, 0.0), abs=1e-6
    )


def test_whole_pods_and_plants_without_pods_say_nothing():
    assert nats(np.arange(4), np.empty(0, dtype=np.int64), np.arange(4), size=4) == 0.0
    plate, order = plate_of_pods(12)
    plate = replace(plate, pods=())
    like = order[:5]
    assert run_nats(plate, np.full(len(order), 20), like, like, order[5:12]) == 0.0
