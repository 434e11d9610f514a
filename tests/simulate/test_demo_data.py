"""demo_genotypes/: made by the command its README names, small, and with the planted faults in it."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crossproof.model.results import Verdict
from crossproof.simulate import preset, simulate_folder, simulate_season

DEMO = Path(__file__).parents[2] / "demo_genotypes"
FILES = (
    "config.yaml",
    "crosses.csv",
    "markers.csv",
    "truth.csv",
    "samples/B001.csv",
    "samples/B002.csv",
    "samples/B003.csv",
    "genotypes/B001.vcf",
    "genotypes/B002.csv",
    "genotypes/B003.csv",
)


def the_command() -> tuple[str, int]:
    """Preset and seed as demo_genotypes/README.md names them."""
    text = (DEMO / "README.md").read_text(encoding="utf-8")
    found = re.search(r"^crossproof simulate demo_genotypes --preset (\w+) --seed (\d+)$", text, re.MULTILINE)
    assert found, "the README names no command"
    return found.group(1), int(found.group(2))


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    read = {name: pd.read_csv(DEMO / f"{name}.csv", dtype=str, keep_default_na=False)
            for name in ("crosses", "markers", "truth")}  # fmt: skip
    sheets = [pd.read_csv(DEMO / f"samples/B00{i}.csv", dtype=str, keep_default_na=False) for i in (1, 2, 3)]
    return read | {"samples": pd.concat(sheets, ignore_index=True)}


def test_the_named_command_makes_these_bytes(tmp_path: Path) -> None:
    name, seed = the_command()
    simulate_folder(tmp_path / "again", preset=name, seed=seed)
    made = sorted(
        str(p.relative_to(tmp_path / "again")) for p in (tmp_path / "again").rglob("*") if p.is_file()
    )
    assert made == sorted(FILES)
    for file in FILES:
        assert (DEMO / file).read_bytes() == (tmp_path / "again" / file).read_bytes(), file


def test_it_is_small() -> None:
    assert sum((DEMO / file).stat().st_size for file in FILES) < 1_000_000


def test_what_the_nursery_holds(tables: dict[str, pd.DataFrame]) -> None:
    crosses, samples, markers = tables["crosses"], tables["samples"], tables["markers"]
    assert len(crosses) == 30
    assert crosses["operator"].nunique() == 4
    assert samples["plate"].nunique() == 3
    parents = samples[samples["role"] == "parent"]
    assert parents.groupby("line").size().tolist() == [3] * 12
    assert (samples["role"] == "blank").sum() == 6
    assert (markers["inheritance"] == "maternal").sum() == 1
    assert markers["marker"].str.startswith("F").sum() == 2
    assert len(markers) == 63
    assert (crosses["date"] < "2026-11-25").all()


def test_fragment_sizes_stand_in_the_long_table() -> None:
    long = pd.read_csv(DEMO / "genotypes/B003.csv", dtype=str, keep_default_na=False)
    sizes = long[long["marker"].str.startswith("F") & (long["call"] != "")]["call"]
    assert sizes.str.fullmatch(r"\d{3}/\d{3}").all()
    assert sizes.str.split("/").explode().nunique() >= 6


def test_truth_covers_every_progeny_well(tables: dict[str, pd.DataFrame]) -> None:
    progeny = tables["samples"][tables["samples"]["role"] == "progeny"]
    assert tables["truth"]["sample_id"].tolist() == progeny["sample_id"].tolist()
    assert set(tables["truth"]["truth"]) == {str(v) for v in Verdict if v is not Verdict.UNDETERMINED}


def test_what_the_readme_says_was_planted(tables: dict[str, pd.DataFrame]) -> None:
    text = (DEMO / "README.md").read_text(encoding="utf-8")
    truth = tables["truth"].assign(cross=tables["truth"]["sample_id"].str[:4])
    swapped = truth[truth["cross"].isin(["C011", "C024"])]
    assert len(swapped) == 16
    assert set(swapped["relation"]) == {"another cross"}

    rest = truth[~truth["cross"].isin(["C011", "C024"])]
    assert set(rest[rest["relation"] == "another line"]["cross"]) == {"C005", "C029"}
    assert set(rest[rest["relation"] == "father selfed"]["cross"]) == {"C023"}
    assert set(rest[rest["relation"] == "unknown plant"]["cross"]) == {"C023"}
    assert set(rest[rest["relation"] == "later generation of the cross"]["cross"]) == {"C022"}
    assert set(rest[rest["relation"] == "another cross"]["cross"]) == {"C010"}
    outcrosses = rest[rest["truth"] == "outcross"]
    assert len(outcrosses) == 7
    assert sorted(outcrosses["donor"]) == ["LN05", "LN05", "LN07", "LN09", "LN09", "LN12", "unknown"]

    by = truth.merge(tables["crosses"], left_on="cross", right_on="cross_id")
    selfed = (by["truth"] == "self").groupby(by["operator"]).mean()
    assert selfed.idxmax() == "Dov"
    assert selfed.idxmin() == "Ana"
    assert (tables["crosses"]["pods"] == "0").sum() == 2

    name, seed = the_command()
    sim = simulate_season(preset(name), np.random.default_rng(seed))
    tube = sim.samples.index[sim.samples["sample_id"] == "LN05-2"][0]
    assert sim.samples.loc[tube, "plate"] == "P002"
    assert (sim.well_genotypes[:, tube, 0] == sim.line_alleles[sim.line_names.index("LN09")]).all()
    call_rate = (sim.calls[:, :, 0] >= 0).mean(axis=0)
    progeny = (sim.samples["role"] == "progeny").to_numpy()
    failed = sim.samples["sample_id"][progeny & (call_rate < 0.5)].tolist()
    assert ", ".join(failed) in text
    assert sim.bad_assays.sum() == 2
