"""Exchanged pods against one foreign donor to each; plates of benchmarks/plate_simulator.py, and by hand."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.pod_donors import swap_odds
from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Hold

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def test_a_donor_as_likely_as_all_else_halves_the_odds():
    """By hand: V equal to what the pod is alone doubles that, and V far below it changes nothing."""
    assert swap_odds(2.0, (-10.0, -20.0), (-10.0, -20.0)) == pytest.approx(2.0 - 2 * np.log10(2))
    assert swap_odds(2.0, (-10.0, -20.0), (-10.0 + np.log(9.0), -np.inf)) == pytest.approx(1.0)
    assert swap_odds(2.0, (-10.0, -20.0), (-90.0, -90.0)) == pytest.approx(2.0)


def foreign_pods(seed, common):
    """Four plants of one pod of each of two tags are crossed with the other tag's father; with a `common`
    mother as two insects leave them, else on the other tag's mother too, as an exchange does."""
    nursery = sim.make_nursery(
        np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0, failed_wells=0), crosses=8
    )
    if common:
        nursery.mother[1] = nursery.mother[0]
        nursery.mother_plant[1] = nursery.mother_plant[0]
    nursery.father[1] = next(
        i
        for i in range(len(nursery.lines))
        if i not in (nursery.mother[0], nursery.father[0], nursery.mother[1])
    )
    nursery.father_plant[1] = nursery.lines[nursery.father[1]]
    sheet = sim.make_sheet(nursery)
    n = len(nursery.lines)
    genotype, pods = sheet.genotype.copy(), [""] * len(sheet.identity)
    for c in range(len(nursery.mother)):
        for k, w in enumerate(np.flatnonzero(sheet.identity == n + c).tolist()):
            pods[w] = "1" if k < 4 else "2"
            if c < 2 and k < 4:
                genotype[w] = (nursery.mother_plant[1 - c] + nursery.father_plant[1 - c]) // 2
    plate = replace(sim.make_plate(nursery, replace(sheet, genotype=genotype)), pods=tuple(pods))
    found = examine_plates(
        [plate, sim.make_parent_plate(nursery, 2)], sim.season_tables(nursery), CheckSettings(remarks=False)
    )
    return [f for f in found if f.critical and {f.subject, f.other} == {"C1", "C2"}]


@pytest.mark.parametrize("seed", [210, 211, 212])
@pytest.mark.parametrize("common", [True, False])
def test_pods_of_a_common_mother_wait_and_get_no_row(seed, common):
    """Calls cannot tell whose bag it was from whose pollen it was, where the mother is one."""
    [f] = foreign_pods(seed, common)
    assert (f.kind, f.hold) == (FindingKind.PODS_SWAPPED, Hold.SAMPLES)
    assert [row.kind for row in f.corrections] == ([] if common else [CorrectionKind.SWAP_PODS])
    assert ("One foreign donor to a pod" in f.evidence) == common
    assert ("the row swap pods,C1:1,C2:1" in f.remedy) == common
