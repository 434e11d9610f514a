"""Every small sheet of a season, changed as careless hands and odd programs change them.

Whatever stands in a sheet, it is read, or refused with a place and a remedy: never an exception of ours. All
names are invented.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from odd_seasons import base, cross, sheet, write

from crossproof.errors import InputError, PlateError, Problem
from crossproof.io.config.season_config import read_config
from crossproof.io.entry_reader import read_entry
from crossproof.io.records.season_records import read_season
from crossproof.model.corrections import CorrectionKind
from crossproof.planning.season_inputs import plan_settings, wish_list
from crossproof.season.corrections import apply_corrections
from crossproof.season.past_seasons import read_synonyms

CASES = int(os.environ.get("CROSSPROOF_FUZZ", "25"))

ODD = (
    "", " ", "0", "-1", "1e308", "NaN", "inf", "9" * 400, "1;2", '"', "a\nb", "\u202eX001", "plate1:A1",
    "plate1:Z99", "plate1:", ":A1", "plate1:A1:B1", "Plate1:a01", "plate2:A1", "S-m1", "P1", "X001", "X002",
    "Lark", "Wren", "lark", "swap wells", "=1+1", "2026-02-30", "x" * 300, "L\u00e4rk", "La\u0308rk",
    "\u0661", "\u00bd", "1_000", "+3", "NA", "M01", "M01;M02", ";", "A/G", "A", "152/158", "left-right",
    "B and F", "A and A", "3 and 7", "by rows", "up", "#", "\u00b2", "both", "tubes", "0x10", "1,5", "12.5",
    "99999999999999999999", *(k.value for k in CorrectionKind),
)  # fmt: skip
"""Cells that a hand may write anywhere, and cells that mean something in another column."""

CORRECTIONS = "kind,target,other,detail,note\n" + "".join(
    f"{kind.value},{target},{other},{detail},\n"
    for kind, target, other, detail in (
        (CorrectionKind.SWAP_WELLS, "plate1:A1", "plate1:B1", ""),
        (CorrectionKind.TAG_IS, "X001", "X002", ""),
        (CorrectionKind.LINE_IS, "Lark", "Wren", "tubes"),
        (CorrectionKind.SWAP_ROWS, "plate1", "", "A and B"),
        (CorrectionKind.IGNORE_SAMPLE, "P1", "", ""),
        (CorrectionKind.ROTATE, "plate1", "", ""),
    )
)
SHEETS = {
    "corrections.csv": CORRECTIONS,
    "planned.csv": "mother,father,priority,target_hybrids,seeds_per_pod\nLark,Wren,1,4,3\nWren,Lark,2,2,4\n",
    "names.csv": "theirs,ours\nT1,P1\nT2,P2\nT3,P3\n",
    "marker_names.csv": "theirs,ours\nsnp_1,M01\nsnp_2,M02\n",
    "markers.csv": (
        "marker,chrom,pos,cm,inheritance,alleles,counted_allele,generic_alleles,also_called\n"
        "M01,1,100,0.5,nuclear,A/G,A,A/G,snp_1;s1\nM02,1,200,2,nuclear,C/T,,C/T,\nM03,Pt,5,,maternal,G/A,,,\n"
    ),
    "synonyms.csv": "kind,name,same_as\nperson,Ana,Anna\nline,Lark,Lark 2\n",
    "crosses.csv": sheet(
        (
            cross(temperature_c="", notes=""),
            cross("X002", "Wren", "Lark", temperature_c="24.5", notes="late, hot"),
        )
    ),
    "samples/plate1.csv": "",
}


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write(tmp_path_factory.mktemp("fuzz") / "s", base())
    config = (folder / "config.yaml").read_text(encoding="utf-8")
    lists = "layout: wide, names: names.csv, marker_names: marker_names.csv}"
    (folder / "config.yaml").write_text(config.replace("layout: wide}", lists), encoding="utf-8")
    wells = folder / "samples" / "plate1.csv"
    wells.write_text(
        wells.read_text(encoding="utf-8")
        + "P4,B01,plate1,,progeny,,X002,\nP5,B01,,,progeny,,X002,\nP6,B01,plate2,A1,progeny,,X002,\n",
        encoding="utf-8",
    )
    SHEETS["samples/plate1.csv"] = wells.read_text(encoding="utf-8")
    for name, text in SHEETS.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def changed(text: str, rng: np.random.Generator) -> bytes:
    """A sheet with a few of its cells, rows, columns or bytes changed."""
    rows = list(csv.reader(io.StringIO(text)))
    for _ in range(int(rng.integers(1, 5))):
        r, c = int(rng.integers(len(rows))), int(rng.integers(max(len(rows[0]), 1)))
        how = rng.random()
        if how < 0.6 and c < len(rows[r]):
            rows[r][c] = ODD[int(rng.integers(len(ODD)))]
        elif how < 0.7:
            rows.append(list(rows[r]))
        elif how < 0.75 and len(rows) > 1:
            del rows[r]
        elif how < 0.82:
            for row in rows:
                del row[c : c + 1]
        elif how < 0.9 and c < len(rows[0]):
            other = int(rng.integers(len(rows[0])))
            rows[0][c], rows[0][other] = rows[0][other], rows[0][c]
        else:
            rows[r] = rows[r][:c]
    out = io.StringIO()
    mark = ",;\t"[int(rng.choice(3, p=[0.8, 0.1, 0.1]))]
    csv.writer(out, delimiter=mark, lineterminator="\r\n" if rng.random() < 0.2 else "\n").writerows(rows)
    encoding = ["utf-8", "utf-8-sig", "utf-16", "latin-1"][int(rng.choice(4, p=[0.85, 0.05, 0.05, 0.05]))]
    data = bytearray(out.getvalue().encode(encoding, "replace"))
    if rng.random() < 0.15 and data:
        at = int(rng.integers(len(data)))
        data[at : at + int(rng.integers(0, 3))] = [b'"', b"\0", b"\xff", b"\n", b",", b""][
            int(rng.integers(6))
        ]
    return bytes(data)


def records(folder: Path) -> tuple[Problem, ...]:
    found = read_season(folder)
    corrected = apply_corrections(found.samples, found.crosses, found.corrections)
    assert set(corrected.samples["sample_id"]) <= set(found.samples["sample_id"])
    assert sorted(corrected.crosses["cross_id"]) == sorted(found.crosses["cross_id"])
    return (*found.problems, *corrected.problems)


def entry(folder: Path) -> tuple[Problem, ...]:
    config = read_config(folder)
    markers = read_season(folder).markers
    batch = read_entry(config, config.genotypes[0], markers, {"P1", "S-m1"})
    assert len(set(batch.samples)) == len(batch.samples)
    names = [n for n in batch.markers.ids.tolist() if n != "."]
    assert len(set(names)) == len(names)
    return ()


def planned(folder: Path) -> tuple[Problem, ...]:
    return wish_list(folder, ["Lark", "Wren"], plan_settings(read_config(folder)))[1]


def synonyms(folder: Path) -> tuple[Problem, ...]:
    read_synonyms(folder / "synonyms.csv")
    return ()


READERS: dict[str, tuple[Callable[[Path], tuple[Problem, ...]], ...]] = {
    "corrections.csv": (records,),
    "planned.csv": (planned,),
    "names.csv": (entry,),
    "marker_names.csv": (entry,),
    "markers.csv": (records, entry),
    "synonyms.csv": (synonyms,),
    "crosses.csv": (records,),
    "samples/plate1.csv": (records,),
}


def check(folder: Path, name: str, seed: int) -> bool:
    """Change one sheet and read the season; whether anything was said."""
    path, text = folder / name, SHEETS[name]
    path.write_bytes(changed(text, np.random.default_rng(seed)))
    said: list[Problem] = []
    try:
        for reader in READERS[name]:
            try:
                said += reader(folder)
            except (InputError, PlateError) as refused:
                said += refused.problems
    except Exception as fault:
        raise AssertionError(f"{name}, seed {seed}: {path.read_bytes()!r}") from fault
    finally:
        path.write_text(text, encoding="utf-8")
    assert all(p.file and p.problem and p.remedy for p in said), [p for p in said if not p.remedy]
    return bool(said)


@pytest.mark.parametrize("name", SHEETS)
def test_a_changed_sheet_is_read_or_refused_with_a_remedy(season: Path, name: str) -> None:
    said = [check(season, name, seed) for seed in range(CASES)]
    assert any(said)


@pytest.mark.slow
@pytest.mark.parametrize("name", SHEETS)
def test_many_changed_sheets_are_read_or_refused_with_a_remedy(season: Path, name: str) -> None:
    for seed in range(10_000, 10_000 + 6 * CASES):
        check(season, name, seed)


def test_the_season_that_is_changed_is_sound(season: Path) -> None:
    assert not [p for p in records(season) if p.severity == "error"]
    assert entry(season) == planned(season) == synonyms(season) == ()


def test_a_plate_on_which_a_sample_has_no_well_can_be_turned(season: Path) -> None:
    found = read_season(season)
    corrected = apply_corrections(found.samples, found.crosses, found.corrections)
    kept = set(corrected.samples["sample_id"])
    assert "P4" not in kept  # on plate1, nobody knows where
    assert {"P5", "P6"} <= kept  # on no plate; on another
    (turned,) = [a for a in corrected.applied if a.correction.kind is CorrectionKind.ROTATE]
    assert "left out" in turned.effect


def test_a_sample_in_the_well_of_another_is_refused_not_a_fault(season: Path) -> None:
    path, text = season / "samples" / "plate1.csv", SHEETS["samples/plate1.csv"]
    path.write_text(text + "P7,B01,plate1,A1,progeny,,X002,\n", encoding="utf-8")
    try:
        assert [p.row for p in records(season) if "is used twice" in p.problem] == [
            len(text.splitlines()) + 1
        ]
    finally:
        path.write_text(text, encoding="utf-8")
