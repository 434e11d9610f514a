"""`crossproof sample` on season folders: what it writes, what it leaves alone, what it refuses."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.errors import InputError, UsageError
from crossproof.io.records.season_records import read_season
from crossproof.model.tag_numbers import TagNumber
from crossproof.steps.sample import SampleOptions, sample_season

T = [str(TagNumber("2025", i)) for i in range(1, 7)]
CONFIG = "crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes: []\nseason: '2025'\n"
CROSSES = f"""cross_id,mother,father,date,flowers,pods,seeds,target_hybrids
{T[0]},Lark,Wren,2025-06-04,3,2,9,4
{T[1]},Lark,Finch,2025-06-04,2,2,8,4
{T[2]},Robin,,2025-06-05,2,1,4,4
{T[3]},Finch,Robin,2025-06-05,6,5,24,4
{T[4]},Wren,Finch,2025-06-05,6,,,4
"""


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "config.yaml").write_text(CONFIG, encoding="utf-8")
    (folder / "crosses.csv").write_text(CROSSES, encoding="utf-8")
    return folder


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, " ".join(done.output.split())


def test_the_sheet_is_filled_in_and_reads_without_an_error(season):
    status, said = run("sample", season, "--house", "house 1")
    assert status == 0
    assert "on 1 plate." in said
    assert f"1 cross left out because its father is not on record: {T[2]}." in said
    assert f"1 cross left out because its seeds are not recorded: {T[4]}." in said
    assert "Keep remnant seed" in said
    read = read_season(season, genotypes_come=True)
    assert read.errors == ()
    progeny = read.samples[read.samples["role"] == "progeny"]
    assert set(progeny["cross_id"]) == {T[0], T[1], T[3]}
    assert progeny["place"].str.match(r"house 1, tray 1, pot \d+$").all()
    assert (progeny["pod"] != "").all()
    table = pd.read_csv(season / "field" / "round1_seeds.csv", dtype=str, keep_default_na=False)
    sown = progeny.groupby("cross_id")["plant"].nunique()
    told = {c: int(n) for c, n in zip(table["cross_id"], table["sow_now"], strict=True) if n != "0"}
    assert told == dict(sown)


def test_asked_again_before_the_results_it_writes_nothing(season):
    run("sample", season)
    before = {p: p.read_bytes() for p in season.rglob("*") if p.is_file()}
    status, said = run("sample", season)
    assert status == 0
    assert "Nothing to sow or to sample now." in said
    assert "3 crosses left out because plants sown before wait for their results" in said
    assert {p: p.read_bytes() for p in season.rglob("*") if p.is_file()} == before


def _results(season: Path, plants: pd.DataFrame, steps: dict[str, tuple[str, int, int, int]]) -> None:
    """Result tables as a run would leave them, as far as they are read here; invented."""
    out = season / "results"
    out.mkdir(exist_ok=True)
    plants.to_csv(out / "verdicts.csv", index=False)
    rows = [
        {"cross_id": c, "tested": 6, "determined": 6, "hybrid": found, "flowers": 3, "pods": 2, "seeds": 9,
         "hybrids_found": found, "next_step": step, "seeds_next": some, "seeds_to_test": most}
        for c, (step, found, some, most) in steps.items()
    ]  # fmt: skip
    pd.DataFrame(rows).to_csv(out / "crosses.csv", index=False)
    samples = pd.read_csv(season / "samples" / "round1.csv", dtype=str, keep_default_na=False)
    samples.assign(call_rate="0.97").to_csv(out / "samples.csv", index=False)


def test_after_a_run_it_goes_on_where_more_is_needed(season):
    run("sample", season)
    sheet = pd.read_csv(season / "samples" / "round1.csv", dtype=str, keep_default_na=False)
    plants = sheet[sheet["role"] == "progeny"].drop_duplicates("plant")[["plant", "cross_id", "pod", "place"]]
    plants = plants.assign(verdict="self", decision="cull", reason="")
    good = (plants["cross_id"] == T[0]) & (plants["pod"] == "2")
    plants.loc[good, ["verdict", "decision"]] = ["hybrid", "keep"]
    again = plants["plant"] == f"{T[1]}-1"
    plants.loc[again, ["verdict", "decision", "reason"]] = ["undetermined", "retest", "low call rate"]
    _results(
        season,
        plants,
        {
            T[0]: ("test stored seed", 3, 2, 3),
            T[1]: ("retest", 2, 0, 0),
            T[3]: ("done", 4, 0, 0),
        },
    )
    made = sample_season(season, SampleOptions(house="house 1"))
    new = [p for p in made.plan.plants if p.new]
    old = [p for p in made.plan.plants if not p.new]
    assert [(p.name, p.pod) for p in new] == [(f"{T[0]}-7", "2"), (f"{T[0]}-8", "2")]
    assert [p.name for p in old] == [f"{T[1]}-1"]
    assert old[0].place == plants.loc[again, "place"].item()
    assert [p.name for p in made.plan.plates] == ["R2-01"]
    assert (season / "samples" / "round2.csv").exists()
    assert read_season(season, genotypes_come=True).errors == ()
    whole = pd.read_csv(season / "samples" / "round1.csv", dtype=str, keep_default_na=False)
    assert whole.equals(sheet)


def test_trays_go_on_where_the_last_round_ended(season):
    run("sample", season, "--pots", "5")
    sheet = pd.read_csv(season / "samples" / "round1.csv", dtype=str, keep_default_na=False)
    plants = sheet[sheet["role"] == "progeny"].drop_duplicates("plant")[["plant", "cross_id", "pod", "place"]]
    last = max(int(p.split()[1].rstrip(",")) for p in plants["place"])
    _results(season, plants.assign(verdict="self", decision="cull", reason=""),
             dict.fromkeys((T[0], T[1], T[3]), ("test stored seed", 0, 1, 2)))  # fmt: skip
    made = sample_season(season, SampleOptions(pots=5))
    assert made.plan.plants[0].place == f"tray {last + 1}, pot 1"


def test_errors_of_the_sheets_are_all_told_and_nothing_is_written(season):
    broken = CROSSES.replace("2025-06-04,3,2,9", "2025-13-04,1,2,9").replace("Lark,Finch", "Lark,Lark")
    (season / "crosses.csv").write_text(broken, encoding="utf-8")
    with pytest.raises(InputError) as refused:
        sample_season(season, SampleOptions())
    assert len(refused.value.problems) >= 3
    assert not (season / "samples").exists()
    assert not (season / "field").exists()


def test_a_plate_without_room_and_a_season_without_number(season):
    (season / "config.yaml").write_text(CONFIG + "blanks_per_plate: 95\n", encoding="utf-8")
    with pytest.raises(UsageError, match="leave no well for a plant"):
        sample_season(season, SampleOptions())
    (season / "config.yaml").write_text(CONFIG.replace("'2025'", "summer"), encoding="utf-8")
    with pytest.raises(UsageError, match="four to six digits"):
        sample_season(season, SampleOptions())
    assert not (season / "samples").exists()


def test_a_sheet_that_config_does_not_name_is_said(season):
    (season / "samples").mkdir()
    (season / "samples" / "old.csv").write_text("sample_id,role\n", encoding="utf-8")
    config = CONFIG.replace("samples/*.csv", "samples/old.csv")
    (season / "config.yaml").write_text(config, encoding="utf-8")
    made = sample_season(season, SampleOptions())
    assert made.files
    assert any("add samples/round1.csv to its list samples" in note for note in made.notes)
