"""From records and evidence to findings, corrections and back: an applied proposal leaves nothing to find."""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crossproof.errors import Severity
from crossproof.inference.plates.checks import CheckSettings, Finding, examine_plates
from crossproof.inference.season_model import LineInput, Settings, fit_panel
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import FindingKind, FindingSeverity, Hold, Scope, VerdictChange
from crossproof.model.layouts import layout_of
from crossproof.model.results import Verdict
from crossproof.season.corrections import apply_corrections
from crossproof.season.findings import (
    corrections_table,
    finding_entry,
    finding_from,
    finding_problems,
    findings_by_table,
)
from crossproof.season.plate_findings import build_plates, named_markers, season_tables

ROOT = Path(__file__).resolve().parents[2]
for folder in ("benchmarks", "tests/inference"):
    if str(ROOT / folder) not in sys.path:
        sys.path.insert(0, str(ROOT / folder))
import plate_simulator as sim  # noqa: E402
from small_seasons import wells_of_calls  # noqa: E402

CALL = {0: "0/0", 1: "0/1", 2: "1/1", 255: "./."}
QUIET = {FindingKind.LOW_CALL_SAMPLE, FindingKind.EMPTY_SAMPLES, FindingKind.LOW_CALL_MARKER}


class Records:
    """An invented season as frames and evidence, its plate lying as `correction` says."""

    def __init__(self, seed: int, correction: Correction | None) -> None:
        nursery = sim.make_nursery(
            np.random.default_rng(seed), rates=sim.Rates(swapped_seed=0, bad_assays=0.02)
        )
        sheet = sim.make_sheet(nursery)
        if correction is not None:
            source = layout_of(sheet.format, correction.kind, correction.detail).source
            sheet = sim.move(sheet, source)
        plates = [sim.make_plate(nursery, sheet, "P01"), sim.make_parent_plate(nursery, 2)]
        n = len(nursery.lines)
        rows = []
        for p in plates:
            for w, i in enumerate(p.identity):
                role = "blank" if i < 0 else "parent" if i < n else "progeny"
                line = f"L{i + 1}" if role == "parent" else ""
                cross = f"C{i - n + 1}" if role == "progeny" else ""
                rows.append(
                    (p.samples[w], "B1", p.name, p.well_name(w), role, line, cross, p.samples[w], np.nan)
                )
        columns = ["sample_id", "batch", "plate", "well", "role", "line", "cross_id", "plant", "inbreeding"]
        self.samples = pd.DataFrame(rows, columns=columns)
        self.crosses = pd.DataFrame(
            {
                "cross_id": [f"C{c + 1}" for c in range(len(nursery.mother))],
                "mother": [f"L{m + 1}" for m in nursery.mother],
                "father": [f"L{p + 1}" for p in nursery.father],
            }
        )
        codes = np.concatenate([p.blocks[0].codes for p in plates], axis=1)
        self.wells = wells_of_calls({f"m{j:02d}": [CALL[int(c)] for c in row] for j, row in enumerate(codes)})
        tubes = self.samples[self.samples["plate"] == "PARENTS"].groupby("line").groups
        lines = [LineInput(name, tuple(int(x) for x in rows)) for name, rows in tubes.items() if name]
        self.panel = fit_panel(self.wells, lines, [], Settings())

    def examine(self, samples: pd.DataFrame) -> tuple[Finding, ...]:
        tables, rows = season_tables(self.crosses, samples, self.panel)
        tables = named_markers(tables, rows, self.wells, Settings())
        plates = build_plates(samples, tables, rows, self.wells, self.panel.rates(Settings()))
        assert [p.name for p in plates] == ["P01", "PARENTS"]
        found = examine_plates(plates, tables, CheckSettings(remarks=False))
        return tuple(f for f in found if f.kind not in QUIET)


ROTATED = Correction(CorrectionKind.ROTATE, "P01")
records_of = cache(lambda lay: Records(50, lay))


@pytest.mark.parametrize("lay", [ROTATED, Correction(CorrectionKind.SHIFT, "P01", "", "down")])
def test_an_applied_proposal_leaves_nothing_to_find(lay):
    records = records_of(lay)
    found = records.examine(records.samples)
    assert found[0].corrections == (lay,)
    done = apply_corrections(records.samples, records.crosses, corrections_table(found[:1]))
    assert done.problems == ()
    assert records.examine(done.samples) == ()


def test_words_for_every_table():
    records = records_of(ROTATED)
    found = records.examine(records.samples)
    words = findings_by_table(found)
    assert words.plates["P01"].startswith("rotated [10^")
    assert words.held_plates == {"P01"}
    assert words.plate_odds["P01"] > 20
    assert "PARENTS" not in words.plates
    assert found[0].severity is FindingSeverity.CRITICAL
    assert found[0].name == "rotated:P01"
    problem = finding_problems(found)[0]
    assert problem.severity is Severity.WARNING
    assert problem.remedy.endswith("Proposed for corrections.csv: rotate plate | P01.")


def test_both_sides_of_a_swap_are_told():
    tags = Finding(
        FindingKind.TAGS_SWAPPED,
        Scope.CROSS,
        "P1",
        "C1",
        "e",
        "r",
        wells=("P1:A1", "P1:B1"),
        samples=("s1", "s2"),
        other="C2",
        log10_odds=12.3,
        hold=Hold.SAMPLES,
    )
    exchanged = Finding(
        FindingKind.EXCHANGED,
        Scope.PLATE,
        "P1",
        "P1",
        "e",
        "r",
        wells=("P1:A1", "P2:A1"),
        samples=("s1", "t1"),
        other="P2",
        log10_odds=40.0,
        hold=Hold.PLATE,
    )
    words = findings_by_table((tags, exchanged))
    assert words.crosses == {
        "C1": "tags swapped with C2 [10^12 to 1]",
        "C2": "tags swapped with C1 [10^12 to 1]",
    }
    assert words.plates == {"P1": "exchanged with P2 [10^40 to 1]", "P2": "exchanged with P1 [10^40 to 1]"}
    assert words.samples == {"s1": "tags swapped (cross C1)", "s2": "tags swapped (cross C1)"}
    assert words.held_samples == {"s1", "s2"}


def test_a_cell_names_the_other_side_even_where_its_name_occurs_in_the_words():
    """A line called "s" is in "lines swapped" as well."""
    lines = Finding(FindingKind.LINES_SWAPPED, Scope.LINE, "", "t", "e", "r", other="s")
    assert findings_by_table((lines,)).lines == {"t": "lines swapped with s", "s": "lines swapped with t"}


@pytest.mark.parametrize("changes", [None, (), (VerdictChange("p1", Verdict.SELF, Verdict.HYBRID),)])
@pytest.mark.parametrize("odds", [12.25, float("nan")])
def test_a_finding_comes_back_from_store_as_it_was(changes, odds):
    kept = Finding(
        FindingKind.WELLS_SWAPPED,
        Scope.SAMPLE,
        "P1",
        "s1",
        "seen",
        "look",
        wells=("P1:A1", "P1:B1"),
        samples=("s1", "s2"),
        other="s2",
        log10_odds=odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(CorrectionKind.SWAP_WELLS, "P1:A1", "P1:B1"),),
        same_as=("another",),
        reassigned=(("s1", 3),),
        changes=changes,
    )
    back = finding_from(json.loads(json.dumps(finding_entry(kept))))
    assert repr(back) == repr(kept)
    assert back.hold is Hold.SAMPLES
