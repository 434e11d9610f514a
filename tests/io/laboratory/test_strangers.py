"""Files named in config.yaml by hand whose names are not those of the season: one error, names proposed."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest
from clean_season import BATCH, plate, write_clean
from ugly_files import KINDS, vcf

import crossproof
from crossproof.errors import InputError, Severity
from crossproof.io.records.causes import by_cause
from crossproof.io.records.strangers import marker_strangers
from crossproof.steps.checking import check_season


def season_with(folder: Path, kind: str, *, layout: str = "wide") -> Path:
    sent = KINDS[kind](plate())
    write_clean(folder, received=True)
    (folder / "genotypes" / f"{BATCH}.csv").write_bytes(sent.data)
    return folder


def causes(folder: Path) -> list[tuple[Severity, int, str]]:
    return [(c.severity, len(c.problems), c.first.problem) for c in by_cause(check_season(folder))]


def test_own_names_of_the_laboratory_are_one_error_and_no_verdict(tmp_path: Path) -> None:
    folder = season_with(tmp_path / "s", "own_names_only")
    ((severity, n, problem),) = causes(folder)
    assert (severity, n) == (Severity.ERROR, 1)
    assert "BX900" in problem
    assert "LN01-2" in problem
    with pytest.warns(UserWarning, match="B002 was set aside"):
        verdicts = crossproof.verify(folder)
    there = verdicts[verdicts["plate"] == "P002"]
    assert set(there["verdict"]) == {"undetermined"}
    assert (verdicts["verdict"] != "undetermined").any()


def test_markers_written_otherwise_are_one_error_with_the_names_proposed(tmp_path: Path) -> None:
    folder = season_with(tmp_path / "s", "markers_written_otherwise")
    ((severity, n, problem),) = causes(folder)
    assert (severity, n) == (Severity.ERROR, 24)
    assert "'M01' in batch B001" in problem
    with pytest.raises(InputError, match="M01"):
        crossproof.verify(folder)


def test_also_called_settles_them(tmp_path: Path) -> None:
    folder = season_with(tmp_path / "s", "markers_written_otherwise")
    sheet = pd.read_csv(folder / "markers.csv", dtype=str)
    sheet["also_called"] = [f"m-{int(m[1:]):03d}; other" + m for m in sheet["marker"]]
    sheet.to_csv(folder / "markers.csv", index=False)
    assert causes(folder) == []
    clean = tmp_path / "clean"
    write_clean(clean, received=True)
    pd.testing.assert_frame_equal(crossproof.verify(folder), crossproof.verify(clean))


@pytest.mark.parametrize(
    ("mended", "said"), [("chrom", "chromosomes are called"), ("names", "shares no marker")]
)
def test_a_file_that_shares_no_marker_is_refused_for_that_reason(
    tmp_path: Path, mended: str, said: str
) -> None:
    """The second plate without its parents, as VCF, beside the first as VCF."""
    folder = tmp_path / "s"
    write_clean(folder, received=True)
    p = plate()
    text = vcf(p, p.samples, ids=mended == "names").decode()
    (folder / "genotypes" / "B001.vcf").write_text(re.sub(r"(LN\d\d)-2", r"\1-1", text), encoding="utf-8")
    other = text.replace("\tM", "\tQ") if mended == "names" else text
    if mended == "chrom":
        other = "\n".join(
            f"chr{r}" if r[:1].isdigit() else r.replace("ID=", "ID=chr") for r in text.split("\n")
        )
        other = other.replace("ID=chrGT", "ID=GT")
    (folder / "genotypes" / f"{BATCH}.vcf").write_text(other, encoding="utf-8")
    sheet = pd.read_csv(folder / "samples" / f"{BATCH}.csv", dtype=str)
    sheet[sheet["role"] != "parent"].to_csv(folder / "samples" / f"{BATCH}.csv", index=False)
    config = (folder / "config.yaml").read_text().replace(".csv, layout: wide", ".vcf")
    (folder / "config.yaml").write_text(config.replace("markers: markers.csv\n", ""))
    (folder / "markers.csv").unlink()
    errors = [c for c in causes(folder) if c[0] is Severity.ERROR and "marker" in c[2]]
    assert len(errors) == 1
    assert said in errors[0][2]


def test_two_groups_of_files_that_share_nothing_with_each_other_are_not_passed_over() -> None:
    names = {
        "B1": ["M1", "M2"],
        "B2": ["M2", "M3"],
        "B3": ["M3"],
        "B4": ["1:5:A/G"],
        "B5": ["1:5:A/G", "1:9:C/T"],
    }
    files = {b: f"genotypes/{b}.vcf" for b in names}
    for parents, severity in ((["B1"], "error"), (["B1", "B5"], "warning")):
        found = marker_strangers(names, files, declared=(), own_parents=parents)
        assert {b: [p.severity.value for p in ps] for b, ps in found.items()} == {
            "B4": [severity],
            "B5": [severity],
        }
        assert "no marker with the others but genotypes/B5.vcf" in found["B4"][0].problem
    assert (
        marker_strangers({b: names[b] for b in ("B1", "B2", "B3")}, files, declared=(), own_parents=()) == {}
    )
    alone = marker_strangers({b: names[b] for b in ("B1", "B4")}, files, declared=(), own_parents=["B4"])
    assert {b: ps[0].severity.value for b, ps in alone.items()} == {"B1": "error", "B4": "warning"}
