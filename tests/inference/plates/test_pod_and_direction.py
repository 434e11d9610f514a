"""Exchanged pods and tags written the wrong way round, on plates of benchmarks/plate_simulator.py."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from crossproof.inference.plates import reversed_tags
from crossproof.inference.plates.checks import CheckSettings, FindingKind, examine_plates
from crossproof.inference.plates.pod_swaps import explains_more
from crossproof.inference.plates.reversed_tags import Directions, _gain, _off_pedigree, _off_share
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Hold, held_samples

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


def season(seed: int, **rates):
    return sim.make_nursery(
        np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0, failed_wells=0, **rates)
    )


def found(nursery, plates, tables=None):
    tables = tables or sim.season_tables(nursery)
    return [f for f in examine_plates(plates, tables, CheckSettings(remarks=False)) if f.critical]


def with_pods(plate, n):
    """Three plants to a pod, in the order of the wells."""
    pods, count = [], {}
    for i in plate.identity.tolist():
        count[i] = count.get(i, 0) + 1
        pods.append(str((count[i] - 1) // 3 + 1) if i >= n else "")
    return replace(plate, pods=tuple(pods))


def exchanged_pods(seed, apart):
    """Two pods of crosses without a common parent change tags; on one plate, or on two."""
    nursery = season(seed)
    n = len(nursery.lines)
    groups = [list(range(5)), list(range(5, 10))] if apart else [list(range(10))]
    plates = [
        with_pods(sim.make_plate(nursery, sim.make_sheet(nursery, crosses=g, prefix=f"P{i}"), f"P{i + 1}"), n)
        for i, g in enumerate(groups)
    ]
    first, last = plates[0], plates[-1]

    def full(plate, cross):
        return {p for p, i in zip(plate.pods, plate.identity, strict=True) if i == n + cross and p == "1"}

    pairs = [
        (a, b)
        for a in groups[0]
        for b in groups[-1]
        if not {nursery.mother[a], nursery.father[a]} & {nursery.mother[b], nursery.father[b]}
        and full(first, a)
        and full(last, b)
        and (first.identity == n + a).sum() >= 6
        and (last.identity == n + b).sum() >= 6
    ]
    a, b = pairs[0]
    for k, plate in enumerate(plates):
        identity = plate.identity.copy()
        for w, (i, pod) in enumerate(zip(plate.identity, plate.pods, strict=True)):
            if pod == "1" and i in (n + a, n + b):
                identity[w] = n + b if i == n + a else n + a
        plates[k] = replace(plate, identity=identity)
    return nursery, plates, (f"C{a + 1}", f"C{b + 1}")


@pytest.mark.parametrize("seed", [80, 82])
def test_whole_tags_that_changed_places_are_not_taken_for_two_of_their_pods(seed):
    """All pods of both tags fit the other tag: two pods exchanged would leave the others to be culled."""
    nursery = season(seed)
    n = len(nursery.lines)
    plate = with_pods(sim.make_plate(nursery, sim.make_sheet(nursery, crosses=list(range(10))), "P1"), n)
    a, b = next(
        (a, b)
        for a in range(10)
        for b in range(a + 1, 10)
        if not {nursery.mother[a], nursery.father[a]} & {nursery.mother[b], nursery.father[b]}
        and min((plate.identity == n + a).sum(), (plate.identity == n + b).sum()) >= 4
    )
    identity = plate.identity.copy()
    identity[plate.identity == n + a], identity[plate.identity == n + b] = n + b, n + a
    kinds = {f.kind for f in found(nursery, [replace(plate, identity=identity)])}
    assert FindingKind.TAGS_SWAPPED in kinds
    assert FindingKind.PODS_SWAPPED not in kinds


@pytest.mark.parametrize(("seed", "apart"), [(80, False), (81, True)])
def test_exchanged_pods_are_one_finding_with_the_row_that_mends_it(seed, apart):
    nursery, plates, names = exchanged_pods(seed, apart)
    [f] = found(nursery, [*plates, sim.make_parent_plate(nursery, 2)])
    assert (f.kind, {f.subject, f.other}, f.hold) == (FindingKind.PODS_SWAPPED, set(names), Hold.SAMPLES)
    assert f.corrections == (Correction(CorrectionKind.SWAP_PODS, f"{f.subject}:1", f"{f.other}:1"),)
    n = len(nursery.lines)
    crosses = [n + int(name[1:]) - 1 for name in names]
    moved = {
        s
        for p in plates
        for s, i, pod in zip(p.samples, p.identity, p.pods, strict=True)
        if i in crosses and pod == "1"
    }
    assert held_samples((f,)) == moved
    # As corrected there is nothing to find.
    mended = []
    where = dict(f.reassigned)
    for p in plates:
        identity = [where.get(s, i) for s, i in zip(p.samples, p.identity, strict=True)]
        mended.append(replace(p, identity=np.array(identity)))
    assert found(nursery, [*mended, sim.make_parent_plate(nursery, 2)]) == []


@pytest.mark.parametrize(
    ("least", "pods", "row"),
    [(2.0, ("", ""), True), (1e6, ("", ""), False), (2.0, ("1", "1"), False), (2.0, ("1", "2"), True)],
)
def test_a_tag_written_the_wrong_way_round_is_one_finding(least, pods, row, monkeypatch):
    """With a row from odds of 100 to 1 and not for one pod; else it only waits."""
    monkeypatch.setattr(reversed_tags, "PROPOSED", least)
    nursery = season(82, classes=(0.5, 0.45, 0.05, 0.0))
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    plate = replace(plate, pods=tuple(pods[w % 2] for w in range(len(plate))))
    n = len(nursery.lines)
    cross = int(np.argmax(np.bincount(plate.identity[plate.identity >= n] - n)))
    tables = sim.season_tables(nursery)
    mother, father = tables.mother.copy(), tables.father.copy()
    mother[cross], father[cross] = tables.father[cross], tables.mother[cross]
    parents = sim.make_parent_plate(nursery, 2)
    [f] = found(nursery, [plate, parents], replace(tables, mother=mother, father=father))
    assert (f.kind, f.subject) == (FindingKind.RECIPROCAL, f"C{cross + 1}")
    proposed = (Correction(CorrectionKind.REVERSE_CROSS, f"C{cross + 1}"),)
    assert f.corrections == (proposed if row else ())
    assert f.hold is Hold.SAMPLES
    assert ("proposed row" in f.remedy) == row
    assert "made the other way round" in f.evidence
    assert found(nursery, [plate, parents]) == []


@pytest.mark.parametrize(
    ("gain", "layout", "more"),
    [
        ([9.0, 9.0, 2.0, 2.0, 0.0], True, True),  # two wells of other tags besides the pods'
        ([9.0, 9.0, 2.0, 0.5, 0.0], True, False),
        ([9.0, 9.0, 2.0, 0.0, 2.0], True, False),  # both of one tag
        ([9.0, 9.0, 2.0, 2.0, 0.0], False, False),  # two wells that changed places, no layout
    ],
)
def test_a_layout_explains_more_than_two_pods_by_wells_of_other_tags(gain, layout, more):
    step = SimpleNamespace(layout="column 3 shifted down by a well" if layout else None, gain=np.array(gain))
    nursery = season(3)
    plate = sim.make_plate(nursery, sim.make_sheet(nursery))
    identity, gains = np.full(len(plate), 9), np.zeros(len(plate))
    identity[:5], gains[:5] = [5, 6, 7, 8, 7], gain
    step.gain = gains
    examined = SimpleNamespace(plate=replace(plate, identity=identity), search=SimpleNamespace(steps=[step]))
    elsewhere = ~np.isin(identity, [5, 6])
    assert explains_more(examined, elsewhere) == more


def test_one_pod_of_seed_of_the_father_is_no_reversed_tag():
    nursery = season(83, classes=(1, 0, 0, 0))
    sheet = sim.make_sheet(nursery)
    n = len(nursery.lines)
    plate = with_pods(sim.make_plate(nursery, sheet), n)
    cross = int(np.argmax(np.bincount(plate.identity[plate.identity >= n] - n)))
    genotype = sheet.genotype.copy()
    mine = [w for w in range(len(plate)) if plate.identity[w] == n + cross and plate.pods[w] == "1"]
    genotype[mine] = nursery.lines[nursery.father[cross]]
    plate = with_pods(sim.make_plate(nursery, replace(sheet, genotype=genotype)), n)
    assert not [
        f
        for f in found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
        if f.kind is FindingKind.RECIPROCAL
    ]


PRIOR = np.log(np.array([0.5, 0.3, 0.1, 0.04, 0.04, 0.02]))
"""Of hybrid, self, outcross, father selfed, F2 and fixed seed: a tenth of it off pedigree."""


def sure(relations, pods):
    """A tag whose plants are of one relation each beyond doubt; turned, a self is the father's and so on."""
    other = {0: 0, 1: 3, 3: 1}
    scores = [np.full((len(relations), 6), -200.0) for _ in range(2)]
    for w, r in enumerate(relations):
        scores[0][w, r], scores[1][w, other[r]] = 0.0, 0.0
    off, selfed = np.array(relations) >= 3, np.array(relations)[:, None] == [1, 3]
    return Directions(scores[0], scores[1], pods, off.astype(float), selfed)


def test_the_share_of_seed_off_pedigree_is_that_of_the_other_tags():
    fathers, hybrids = sure([3] * 10, ("",) * 10), sure([0] * 45 + [3] * 5, ("",) * 50)
    off = [_off_pedigree(tag.as_is, PRIOR).sum() for tag in (fathers, hybrids)]
    assert off == pytest.approx([10, 5])
    tags = {0: (off[0], 10), 1: (off[1], 50)}
    assert _off_share(tags, 0) == pytest.approx((0.01 * 50 + 5) / 100)
    assert _off_share(tags, 1) == pytest.approx((0.01 * 50 + 10) / 60)
    assert _off_share({0: tags[0]}, 0) == pytest.approx(0.01)


def test_pods_of_one_fate_are_one_event_each_in_either_direction():
    """By hand: four plants of a pod are 0.5 p^4 + 0.5 p, with p the prior of their relation."""
    elsewhere = 5.5 / 100  # as above
    father, own = 0.04 * 0.55, 0.3
    expected = np.log10((own**4 + own) / (father**4 + father))
    assert _gain(sure([3] * 4, ("1",) * 4), elsewhere, PRIOR) == pytest.approx(expected)
    apart = sure([3] * 4, ("",) * 4)
    assert _gain(apart, elsewhere, PRIOR) == pytest.approx(4 * np.log10(own / father))
