"""F1 parents: recognised from their tubes, given in the sheet, and what their phase does for the progeny.

Lines, plants and error rates are invented; gametes are drawn here, without the package's simulator.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crossproof.inference.lines.f1_parents import copies_of, f1_findings, name_copies
from crossproof.inference.lines.panel import FIXED_LINE, UNKNOWN_COPY
from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    Wells,
    batch_evidence,
    fit_panel,
    verify_family,
)
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

MARKERS, CHROMOSOMES, LINES = 220, 11, 8
CHROM = np.repeat(np.arange(CHROMOSOMES), MARKERS // CHROMOSOMES)
CM = np.tile(np.linspace(0, 100, MARKERS // CHROMOSOMES), CHROMOSOMES)


def gamete(plant, rng):
    r = 0.5 * (1 - np.exp(-2 * np.diff(CM, prepend=0) / 100))
    r[np.diff(CHROM, prepend=-1) != 0] = 0.5
    return plant[np.cumsum(rng.random(MARKERS) < r) % 2, np.arange(MARKERS)]


def mate(a, b, rng):
    return np.stack([gamete(a, rng), gamete(b, rng)])


@pytest.fixture(scope="module")
def season():
    """Lines A .. H; X is the F1 of A and B; Y a tube of C mixed with D, which has a pure tube too. Family: 6
    hybrids X x A, then 4 plants of X selfed."""
    rng = np.random.default_rng(12)
    alleles = rng.integers(0, 2, (LINES, MARKERS)).astype(np.int8)
    fixed = [np.stack([a, a]) for a in alleles]
    f1, mixed = np.stack([alleles[0], alleles[1]]), np.stack([alleles[2], alleles[3]])
    plants = [mate(f1, fixed[0], rng) for _ in range(6)] + [mate(f1, f1, rng) for _ in range(4)]
    samples = [*fixed, f1, mixed, fixed[2], *plants]
    calls = np.sort(np.stack(samples, axis=1).transpose(2, 1, 0), axis=2)
    missing = rng.random(calls.shape[:2]) < 0.04
    calls[missing] = -1
    markers = Markers(
        np.array([f"M{j}" for j in range(MARKERS)], dtype=object),
        np.array([f"{c:02d}" for c in CHROM], dtype=object),
        np.zeros(MARKERS, dtype=np.int64),
        (("A", "G"),) * MARKERS,
        np.zeros(MARKERS, dtype=bool),
        CM.copy(),
    )
    n = len(samples)
    batch = CallBatch(
        "B", markers, tuple(map(str, range(n))), (CallBlock(2, np.arange(MARKERS), calls),), Evidence.CALLS
    )
    evidence = batch_evidence(
        batch,
        wells=np.arange(n),
        joined_row=np.arange(MARKERS),
        recode=np.tile(np.arange(8), (MARKERS, 1)),
        n_alleles=np.full(MARKERS, 2),
    )
    lines = [LineInput("ABCDEFGH"[i], (i,)) for i in range(LINES)]
    lines += [LineInput("X", (LINES,)), LineInput("Y", (LINES + 1, LINES + 2))]
    family = FamilyInput("C1", "X", "A", tuple(Plant(f"p{i}", (LINES + 3 + i,)) for i in range(10)))
    return Wells(markers, n, (evidence,)), lines, family, alleles


def test_an_f1_is_recognised_and_a_mixed_tube_is_not(season) -> None:
    wells, lines, family, _ = season
    panel = fit_panel(wells, lines, [family], Settings())
    x = int(panel.versions("X")[0])
    assert {panel.lines[panel.version_line[v]] for v in panel.copies[x]} == {"A", "B"}
    assert panel.recognised[x]
    others = np.setdiff1d(np.arange(len(panel.version_line)), [x])
    assert (panel.copies[others] == FIXED_LINE).all()
    assert not panel.recognised[others].any()
    (finding,) = f1_findings(panel)
    assert (finding.subject, finding.other) == ("X", "A x B")
    assert "line_mother" in finding.remedy
    # its heterozygotes are no errors of the markers
    assert panel.f.max() < 0.05


@pytest.mark.parametrize("of", [("A", "B"), ("", "")])
def test_backcross_to_a_parent_line_is_judged_with_the_phase(season, of) -> None:
    wells, lines, family, _ = season
    lines = [
        replace(x, inbreeding=0.0, line_mother=of[0], line_father=of[1]) if x.line == "X" else x
        for x in lines
    ]
    settings = Settings()
    panel = fit_panel(wells, lines, [family], settings)
    result = verify_family(family, wells, panel, settings)
    np.testing.assert_array_equal(result.class_posterior.argmax(axis=1), [0] * 6 + [1] * 4)
    assert result.class_posterior.max(axis=1).min() > 0.95


def test_phase_of_given_lines_is_that_of_their_alleles(season) -> None:
    wells, lines, _, alleles = season
    given = [replace(x, line_mother="A", line_father="B") if x.line == "X" else x for x in lines]
    panel = fit_panel(wells, given, [], Settings())
    (weights,) = copies_of(panel, (np.arange(MARKERS),), panel.versions("X"))
    assert weights is not None
    differ = alleles[0] != alleles[1]
    best = weights.reshape(MARKERS, 4).argmax(axis=1)
    known = weights.reshape(MARKERS, 4).max(axis=1) > 0.9
    np.testing.assert_array_equal(best[known & differ], (alleles[0] * 2 + alleles[1])[known & differ])
    assert not panel.recognised.any()


def test_an_outbred_plant_of_unknown_lines_has_no_phase(season) -> None:
    wells, lines, _, _ = season
    without = [x for x in lines if x.line not in "AB"]
    unknown = [replace(x, inbreeding=0.0) if x.line == "X" else x for x in without]
    panel = fit_panel(wells, unknown, [], Settings())
    version = panel.versions("X")
    assert (panel.copies[version[0]] == UNKNOWN_COPY).all()
    (weights,) = copies_of(panel, (np.arange(MARKERS),), version)
    np.testing.assert_allclose(weights, weights.transpose(0, 2, 1))


def test_one_typed_line_is_found_where_the_sheet_calls_the_parent_heterozygous(season) -> None:
    wells, lines, family, _ = season
    left = [replace(x, inbreeding=0.0) if x.line == "X" else x for x in lines if x.line != "B"]
    panel = fit_panel(wells, left, [family], Settings())
    first, second = panel.copies[panel.versions("X")[0]].tolist()
    assert (panel.lines[panel.version_line[first]], second) == ("A", UNKNOWN_COPY)
    result = verify_family(family, wells, panel, Settings())
    np.testing.assert_array_equal(result.class_posterior.argmax(axis=1), [0] * 6 + [1] * 4)


def test_naming_the_copies_fixes_one_marker_of_each_chromosome() -> None:
    open_order = [np.full((4, 2, 2), 0.25), None]
    het = [np.array([0.6, 0.9, 0.99, 0.4]), np.empty(0)]
    chromosome = [np.array([0, 0, 1, -1]), np.empty(0, dtype=np.int64)]
    named, rest = name_copies(open_order, het, chromosome)
    assert rest is None
    assert named is not None
    assert named[:, 1, 0].tolist() == [0.25, 0.0, 0.0, 0.25]
    assert (open_order[0] == 0.25).all()  # the weights given are left as they were
