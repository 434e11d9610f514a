"""Every broken or tricky genotype file is refused with its place and remedy, or read right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from genotype_cases import by_marker, load_cases, make_file, read_options

from crossproof.errors import PlateError
from crossproof.io.genotypes import read_batch

CASES = load_cases()


def test_the_corpus_is_large_and_every_case_expects_something() -> None:
    assert len(CASES) >= 120
    for case in CASES:
        assert ("error" in case) != (case.get("calls") is not None or "alleles" in case), case["name"]
    assert len({str(c["name"]) + str("table" in c or "sheet" in c) for c in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=[c["name"].replace(" ", "-") for c in CASES])
def test_case(case: dict[str, Any], tmp_path: Path) -> None:
    path = make_file(case, tmp_path)
    if "error" in case:
        with pytest.raises(PlateError) as caught:
            read_batch(path, batch="B", shown_as="genotypes/plate", **read_options(case))
        problems = caught.value.problems
        assert all(p.file == "genotypes/plate" and p.problem and p.remedy for p in problems)
        hits = [p for p in problems if case["error"] in p.problem]
        assert hits, [p.sentence() for p in problems]
        hit = hits[0]
        assert hit.row == case.get("row", hit.row), hit
        assert hit.column == case.get("column", hit.column), hit
        assert hit.value == case.get("value", hit.value), hit
        assert case.get("remedy", "") in hit.remedy, hit
        return
    batch = read_batch(path, batch="B", shown_as="genotypes/plate", **read_options(case))
    for what in ("calls", "phred", "depths"):
        found = by_marker(batch, what) if case.get(what) else {}
        for marker, wanted in (case.get(what) or {}).items():
            assert found[marker] == wanted, (what, marker)
    if case.get("calls"):
        assert set(case["calls"]) <= set(by_marker(batch, "calls"))
    if "alleles" in case:
        assert [list(a) for a in batch.markers.alleles] == case["alleles"]
    if "samples" in case:
        assert list(batch.samples) == case["samples"]
    if "evidence" in case:
        assert batch.evidence.value == case["evidence"]
    if "notes" in case:
        assert any(case["notes"] in note for note in batch.notes), batch.notes
