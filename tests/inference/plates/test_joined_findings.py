"""Findings of one plate and the plants elsewhere that wait with it; plates by plate_simulator.py."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from crossproof.inference.plates.joined_findings import with_sibs, without_rows_in_doubt, without_rows_on_rows
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

sys.path.insert(0, str(Path(__file__).resolve().parents[3] / "benchmarks"))
import plate_simulator as sim


@pytest.mark.parametrize(
    ("kind", "concerned", "words"),
    [(FindingKind.TAGS_SWAPPED, (0, 1), "the same two tags"), (FindingKind.TAG_WRONG, (0,), "the same tag")],
)
def test_tags_that_one_plate_shows_to_be_wrong_hold_their_plants_on_all_plates(kind, concerned, words):
    nursery = sim.make_nursery(np.random.default_rng(5))
    plates = [
        sim.make_plate(nursery, sim.make_sheet(nursery, prefix=p), name)
        for p, name in (("S", "P1"), ("T", "P2"))
    ]
    tables = sim.season_tables(nursery)
    crosses = np.array(concerned) + tables.n_lines
    on_one, on_two = (
        tuple(p.samples[w] for w in np.flatnonzero(np.isin(p.identity, crosses))) for p in plates
    )
    assert on_two
    one, other = tables.crosses[:2]
    f = Finding(
        kind, Scope.CROSS, "P1", one, "E.", "r", samples=on_one, other=other, hold=Hold.SAMPLES
    )  # as the search of plate P1 alone makes it
    single, free = (
        Finding(FindingKind.MIXED_DNA, Scope.SAMPLE, "P2", s, "E.", "r", samples=(s,))
        for s in (
            on_two[0],
            plates[1].samples[int(np.flatnonzero(plates[1].identity == tables.n_lines + 2)[0])],
        )
    )
    [joined, other_well] = with_sibs([f, single, free], plates, tables)
    assert other_well is free
    assert (joined.samples, joined.sibs) == (on_one, on_two)
    assert joined.evidence == f"E. Also held: {len(on_two)} plants of {words} elsewhere."


@pytest.mark.parametrize(
    ("kind", "plate", "kept"),
    [
        (FindingKind.IN_DOUBT, "P1", False),
        (FindingKind.IN_DOUBT, "P2", True),
        (FindingKind.LOW_CALL_SAMPLE, "P1", True),
    ],
)
def test_two_swapped_wells_get_no_row_while_their_plate_is_in_doubt(kind, plate, kept):
    row = Correction(CorrectionKind.SWAP_WELLS, "P1:A1", "P1:B1")
    swapped = Finding(
        FindingKind.WELLS_SWAPPED, Scope.SAMPLE, "P1", "s1", "E.", "r", samples=("s1", "s2"),
        hold=Hold.SAMPLES, corrections=(row,), reassigned=(("s1", 1),),
    )  # fmt: skip
    doubt = Finding(kind, Scope.PLATE, plate, plate, "D.", "r")
    [first, second] = without_rows_in_doubt([swapped, doubt])
    assert second is doubt
    assert first.hold is Hold.SAMPLES
    assert (first.corrections, first.reassigned) == (((row,), (("s1", 1),)) if kept else ((), ()))
    assert first.evidence.startswith("E. Nothing is proposed while other wells") is not kept


@pytest.mark.parametrize(
    ("subject", "samples", "kept"), [("C1", ("a", "b"), False), ("C1", ("z",), True), ("C3", ("a",), True)]
)
def test_tags_that_fit_only_with_another_parent_besides_get_no_row(subject, samples, kept):
    """Exchanged tags whose plants then need another father: two rows for what another story says in one."""
    rows = (
        Correction(CorrectionKind.SWAP_TAGS, "C1", "C2"),
        Correction(CorrectionKind.FATHER_IS, subject, "L3"),
    )
    tags = Finding(
        FindingKind.TAGS_SWAPPED,
        Scope.CROSS,
        "P1",
        "C1",
        "E.",
        "r",
        other="C2",
        samples=("a", "b", "c"),
        hold=Hold.SAMPLES,
        corrections=rows[:1],
    )
    parent = Finding(
        FindingKind.PARENT_WRONG,
        Scope.CROSS,
        "P1",
        subject,
        "E.",
        "r",
        samples=samples,
        hold=Hold.SAMPLES,
        corrections=rows[1:],
    )
    found = without_rows_on_rows([tags, parent])
    assert [f.corrections for f in found] == [rows[:1] if kept else (), rows[1:] if kept else ()]
    assert all(f.hold is Hold.SAMPLES for f in found)
    assert ("No row is proposed" in found[0].evidence) is not kept
