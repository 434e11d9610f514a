"""When a run may say that nothing is to be done without asking the workflow."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from crossproof.runner.finished import is_finished, note_finished, work_digest
from crossproof.runner.support import workflow_folder
from crossproof.season.index import SeasonIndex, build_index
from crossproof.season.work_folder import write_kept

DEMO = Path(__file__).parents[2] / "demo_genotypes"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """The demo with something in every place where a run leaves files, noted as finished."""
    left = shutil.ignore_patterns("results", ".crossproof", ".snakemake", "calibration.json")
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder, ignore=left)
    index = build_index(folder)
    for name in index.result_files():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(name)
    for place in ("work/verify/3.npz", "cache/calls/abc/0.npy"):
        (folder / ".crossproof" / place).parent.mkdir(parents=True)
        (folder / ".crossproof" / place).write_text(place)
    (folder / "calibration.json").write_text("{}")
    note_finished(index, digest_of(index))
    return folder


def digest_of(index: SeasonIndex) -> str:
    return work_digest(index, workflow_folder())


def finished(folder: Path) -> bool:
    index = build_index(folder)
    return is_finished(index, digest_of(index))


def test_a_season_as_the_run_left_it_is_finished(season: Path) -> None:
    assert finished(season)
    (season / "notes.txt").write_text("no input and no result")
    assert finished(season)


def other_byte_under_the_old_time(path: Path) -> None:
    before = path.stat()
    path.write_bytes(b"?" + path.read_bytes()[1:])
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def copied_back(path: Path) -> None:
    """The same bytes and time in another file, which may be of an older run."""
    shutil.copy2(path, path.with_name("away"))
    os.replace(path.with_name("away"), path)


@pytest.mark.parametrize("harm", [Path.unlink, other_byte_under_the_old_time, copied_back])
@pytest.mark.parametrize(
    "name",
    ["results/verdicts.csv", "results/report.html", "calibration.json", ".crossproof/work/verify/3.npz",
     ".crossproof/cache/calls/abc/0.npy", ".crossproof/finished.json"],
)  # fmt: skip
def test_whatever_is_not_as_it_was_goes_the_long_way(
    season: Path, name: str, harm: Callable[[Path], None]
) -> None:
    harm(season / name)
    # Of the note itself only the content counts.
    assert finished(season) == (name.endswith("finished.json") and harm is copied_back)


def test_something_new_among_the_kept_files_goes_the_long_way(season: Path) -> None:
    (season / ".crossproof" / "work" / "verify" / "4.npz").write_text("new")
    assert not finished(season)


def test_another_setting_or_record_goes_the_long_way(season: Path) -> None:
    config = season / "config.yaml"
    text = config.read_text()
    config.write_text(text + "\nbuckets: 3\n")
    assert not finished(season)
    config.write_text(text)
    assert finished(season)
    crosses = season / "crosses.csv"
    head, first, *others = crosses.read_text().splitlines()
    date = head.split(",").index("date")
    cells = first.split(",")
    cells[date] = "2026-03-01" if cells[date] != "2026-03-01" else "2026-03-02"
    crosses.write_text("\n".join([head, ",".join(cells), *others]) + "\n")
    assert not finished(season)


def test_a_file_that_failed_is_tried_again(season: Path) -> None:
    index = build_index(season)
    bucket, names = next(iter(index.batch_buckets().items()))
    before = digest_of(index)
    attempts = season / ".crossproof" / "work" / "ingest-attempts"
    write_kept(attempts / f"{bucket}.json", {"failed": {names[0]: 1}, "batches": {}, "ran": ""})
    # As a run notes it: under the digest of before its jobs.
    note_finished(index, before)
    assert not finished(season)


def test_another_rule_goes_the_long_way(season: Path, tmp_path: Path) -> None:
    index = build_index(season)
    rules = tmp_path / "workflow"
    shutil.copytree(workflow_folder(), rules, ignore=shutil.ignore_patterns("envs"))
    assert work_digest(index, rules) == digest_of(index)
    with (rules / "rules" / "verify.smk").open("a") as out:
        out.write("# another rule\n")
    assert work_digest(index, rules) != digest_of(index)
