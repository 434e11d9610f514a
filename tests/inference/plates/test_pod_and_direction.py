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


def of_the_father(nursery, pods):
    """The largest tag of a plate, the plate where all seed of these pods is selfed seed of its father, and
    these plants."""
    n, sheet = len(nursery.lines), sim.make_sheet(nursery)
    plate = with_pods(sim.make_plate(nursery, sheet), n)
    cross = int(np.argmax(np.bincount(plate.identity[plate.identity >= n] - n)))
    mine = [w for w in range(len(plate)) if plate.identity[w] == n + cross and plate.pods[w] in pods]
    genotype = sheet.genotype.copy()
    genotype[mine] = nursery.lines[nursery.father[cross]]
    plate = with_pods(sim.make_plate(nursery, replace(sheet, genotype=genotype)), n)
    return cross, plate, {plate.samples[w] for w in mine}


@pytest.mark.parametrize("pods", [("1",), ("1", "2", "3")])
def test_selfed_seed_of_the_father_waits_where_the_tag_may_be_the_wrong_way_round(pods):
    """A pod of the father's own seed in the bag, or a tag that names the parents the other way round: no row
    for seed of one pod, and hybrids, the same either way, do not wait for it."""
    nursery = season(83, classes=(1, 0, 0, 0))
    cross, plate, selfed = of_the_father(nursery, pods)
    [f] = [
        f
        for f in found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
        if f.kind is FindingKind.RECIPROCAL
    ]
    assert f.subject == f"C{cross + 1}"
    if pods == ("1",):
        assert f.corrections == ()
        assert "% likely" in f.evidence
        assert held_samples((f,)) == selfed
    else:
        assert f.corrections == (Correction(CorrectionKind.REVERSE_CROSS, f.subject),)
        assert held_samples((f,)) > selfed


def test_some_selfed_seed_of_the_recorded_mother_does_not_clear_a_tag_turned_round():
    """Three pods of the father's own seed, two of whose plants are the mother's: she gave the stray seed, or
    he did. They wait, and no row turns the tag round over her plants."""
    nursery = season(83, classes=(1, 0, 0, 0))
    n, sheet = len(nursery.lines), sim.make_sheet(nursery)
    plate = with_pods(sim.make_plate(nursery, sheet), n)
    cross = int(np.argmax(np.bincount(plate.identity[plate.identity >= n] - n)))
    mine = [
        w for w in range(len(plate)) if plate.identity[w] == n + cross and plate.pods[w] in ("1", "2", "3")
    ]
    genotype = sheet.genotype.copy()
    genotype[mine] = nursery.lines[nursery.father[cross]]
    genotype[mine[:2]] = nursery.lines[nursery.mother[cross]]
    plate = with_pods(sim.make_plate(nursery, replace(sheet, genotype=genotype)), n)
    of_father = {plate.samples[w] for w in mine[2:]}
    [f] = [
        f
        for f in found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
        if f.kind is FindingKind.RECIPROCAL
    ]
    assert f.corrections == ()
    assert held_samples((f,)) <= of_father
    assert len(held_samples((f,))) >= 2


PRIOR = np.log(np.array([0.5, 0.3, 0.1, 0.04, 0.04, 0.02]))
"""Of hybrid, self, outcross, father selfed, F2 and fixed seed: a tenth of it off pedigree."""


def sure(relations, pods):
    """A tag whose plants are of one relation each beyond doubt; turned, a self is the father's and so on."""
    other = {0: 0, 1: 3, 3: 1}
    scores = [np.full((len(relations), 6), -200.0) for _ in range(2)]
    for w, r in enumerate(relations):
        scores[0][w, r], scores[1][w, other.get(r, r)] = 0.0, 0.0
    off, selfed = np.array(relations) >= 3, np.array(relations)[:, None] == [1, 3]
    return Directions(scores[0], scores[1], pods, off.astype(float), selfed, selfed[:, 1])


def test_the_share_of_seed_off_pedigree_is_that_of_the_other_tags():
    fathers, hybrids = sure([3] * 10, ("",) * 10), sure([0] * 45 + [3] * 5, ("",) * 50)
    off = [_off_pedigree(tag.as_is, PRIOR).sum() for tag in (fathers, hybrids)]
    assert off == pytest.approx([10, 5])
    tags = {0: (off[0], 10), 1: (off[1], 50)}
    assert _off_share(tags, 0) == pytest.approx((0.01 * 50 + 5) / 100)
    assert _off_share(tags, 1) == pytest.approx((0.01 * 50 + 10) / 60)
    assert _off_share({0: tags[0]}, 0) == pytest.approx(0.01)


def test_pods_of_one_fate_are_one_event_each_in_either_direction():
    """By hand: four plants of a pod are 0.5 p^4 + 0.5 p, with p the prior of their relation; of seed off
    pedigree, a pod is of one relation half of the time, else each plant of any."""
    elsewhere = 5.5 / 100  # as above
    father, own, off = 0.04 * 0.55, 0.3, 0.1 * 0.55
    alike = (father + off * (father / off) ** 4) / 2
    expected = np.log10((own**4 + own) / (father**4 + alike))
    assert _gain(sure([3] * 4, ("1",) * 4), elsewhere, PRIOR) == pytest.approx(expected)
    apart = sure([3] * 4, ("",) * 4)
    assert _gain(apart, elsewhere, PRIOR) == pytest.approx(4 * np.log10(own / father))


def test_a_pod_of_several_kinds_of_stray_seed_is_one_event():
    """By hand: two plants of the father, an F2 and a fixed plant are one pod of seed off pedigree, or four
    such plants; turned round, the first two are selfed seed, and the others are as they were."""
    father, f2, fixed, off, own = (0.55 * x for x in (0.04, 0.04, 0.02, 0.1, 0.3 / 0.55))
    each = father**2 * f2 * fixed
    expected = np.log10(own**2 * f2 * fixed / (each + off * each / off**4 / 2))
    assert _gain(sure([3, 3, 4, 5], ("1",) * 4), 5.5 / 100, PRIOR) == pytest.approx(expected)


def test_seed_of_another_bag_says_little_of_the_direction():
    """Four plants of a line that is no parent beside two of the father: without room for seed that is of
    neither direction they spoke for the one in which they fit badly rather than very badly."""
    nursery = season(82, classes=(1, 0, 0, 0))
    n, sheet = len(nursery.lines), sim.make_sheet(nursery)
    cross = int(np.argmax(np.bincount(sheet.identity[sheet.identity >= n] - n)))
    mine = np.flatnonzero(sheet.identity == n + cross)
    parents = int(nursery.mother[cross]), int(nursery.father[cross])
    genotype = sheet.genotype.copy()
    genotype[mine[:2]] = nursery.lines[parents[1]]
    odds = []
    for others in range(n):
        if others in parents:
            continue
        genotype[mine[2:6]] = nursery.lines[others]
        plate = sim.make_plate(nursery, replace(sheet, genotype=genotype))
        plate = replace(plate, pods=tuple("1" if w in mine[:6] else "2" for w in range(len(plate))))
        odds += [
            f.log10_odds
            for f in found(nursery, [plate, sim.make_parent_plate(nursery, 2)])
            if f.kind is FindingKind.RECIPROCAL and f.subject == f"C{cross + 1}"
        ]
    assert not odds
