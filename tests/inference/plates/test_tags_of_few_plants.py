"""Two tags that changed places where one of them has a single plant; benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.layout_findings import _wells_finding
from crossproof.inference.plates.proposals import Proposal
from crossproof.model.corrections import Correction, CorrectionKind

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_tag_of_one_plant_swapped_with_one_of_many_is_no_pair_of_wells(seed):
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates, crosses=8)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0))
    n, pairs = len(nursery.lines), list(zip(nursery.mother.tolist(), nursery.father.tolist(), strict=True))
    many = int(np.bincount(plate.identity[plate.identity >= n] - n).argmax())
    few = next(c for c, p in enumerate(pairs) if not set(p) & set(pairs[many]))
    identity = plate.identity.copy()
    spare = np.flatnonzero(identity == n + few)[1:]
    for tag, other in ((many, few), (few, many)):
        identity[plate.identity == n + tag] = n + other
    kept = np.setdiff1d(np.arange(len(identity)), spare)  # of the tag of few, one plant is left
    plate = replace(
        plate,
        identity=identity[kept],
        rows=plate.rows[kept],
        columns=plate.columns[kept],
        samples=tuple(plate.samples[w] for w in kept),
        plants=tuple(plate.plants[w] for w in kept),
        pods=tuple(plate.pods[w] for w in kept) if plate.pods else (),
        blocks=tuple(sim.well_block(b.codes[:, kept]) for b in plate.blocks),
    )
    found = examine_plates(
        [plate, sim.make_parent_plate(nursery, 2)], sim.season_tables(nursery), CheckSettings(remarks=False)
    )
    [f] = [f for f in found if f.critical]
    names = sorted((f"C{few + 1}", f"C{many + 1}"))
    assert f.kind is FindingKind.TAGS_SWAPPED
    assert f.corrections == (Correction(CorrectionKind.SWAP_TAGS, *names),)


def test_two_plants_that_are_all_of_their_tags_have_no_row():
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    nursery = sim.make_nursery(np.random.default_rng(31), rates=rates, crosses=8)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery, by_columns=True, tubes=0))
    n, season = len(nursery.lines), sim.season_tables(nursery)
    first = int(np.flatnonzero(plate.identity == n)[0])
    third, *others = np.flatnonzero(plate.identity == n + 1)
    identity = plate.identity.copy()
    identity[others] = n + 2
    swap = Proposal("wells", 1.0, 1.0, identity, np.zeros(len(plate)), wells=(first, int(third)))
    assert _wells_finding(plate, swap, identity, season, [], []).corrections
    identity[identity == n] = n + 2
    identity[first] = n
    alone = _wells_finding(plate, swap, identity, season, [], [])
    assert alone.corrections == ()
    assert "tags" in alone.evidence


@pytest.mark.parametrize(("crossed", "other_father"), [(1, False), (3, False), (1, True)])
@pytest.mark.parametrize("seed", [42, 43, 44])
def test_a_bag_of_selfs_and_few_hybrids_that_changed_places_is_no_second_bag_of_the_other(
    seed, crossed, other_father
):
    """Two tags of one mother. Her selfs fit either; the hybrids say that the bags were exchanged, unless one
    is of its own tag."""
    rates = sim.Rates(swapped_seed=0, failed_wells=0, bad_assays=0)
    nursery = sim.make_nursery(np.random.default_rng(seed), rates=rates, crosses=8)
    a, b = 2, 5
    for one in (nursery.mother, nursery.mother_plant):
        one[b] = one[a]
    fathers = [x for x in range(len(nursery.lines)) if x not in (nursery.mother[a], nursery.father[a])]
    nursery.father[b] = nursery.father_plant[b] = fathers[3]
    sheet = sim.make_sheet(nursery, by_columns=True)
    n, lines = len(nursery.lines), nursery.lines
    of_a, of_b = (np.flatnonzero(sheet.identity == n + c) for c in (a, b))
    assert min(len(of_a), len(of_b)) >= 4
    mother, fa, fb = (lines[i] for i in (nursery.mother[a], nursery.father[a], nursery.father[b]))
    sheet.genotype[of_a] = (mother + fb) // 2
    sheet.genotype[of_b] = mother
    sheet.genotype[of_b[:crossed]] = (mother + fa) // 2
    if other_father:
        sheet.genotype[of_b[-1]] = (mother + fb) // 2
    plates = [sim.make_plate(nursery, sheet), sim.make_parent_plate(nursery, 2)]
    found = examine_plates(plates, sim.season_tables(nursery), CheckSettings(remarks=False))
    names = sorted((f"C{a + 1}", f"C{b + 1}"))
    [f] = [f for f in found if f.kind in (FindingKind.TAGS_SWAPPED, FindingKind.TAG_WRONG)]
    if other_father:
        assert f.corrections == (Correction(CorrectionKind.TAG_IS, f"C{a + 1}", f"C{b + 1}"),)
        return
    assert f.corrections == (Correction(CorrectionKind.SWAP_TAGS, *names),)
    assert {plates[0].samples[w] for w in np.flatnonzero(plates[0].identity >= n + a)} >= set(f.samples)
    assert len(f.samples) == len(of_a) + len(of_b)
