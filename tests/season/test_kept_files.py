"""Kept files that were damaged are noticed, whichever it is, and made again: no result is lost or differs."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from seasons import crossproof, tables_of, write_plates

from crossproof.season.index import index_of_run
from crossproof.season.kept_files import clear_damaged
from crossproof.season.work_folder import (
    WorkFolder,
    read_kept,
    read_kept_bytes,
    write_kept,
    write_kept_bytes,
)
from crossproof.simulate.plan import SeasonPlan

PLAN = SeasonPlan(n_markers=16, n_lines=6, n_crosses=24, plants_per_cross=6)
"""Two plates."""


def emptied(data: bytes) -> bytes:
    return b""


def cut(data: bytes) -> bytes:
    return data[: len(data) // 2]


def changed(data: bytes) -> bytes:
    """One bit in the middle is another."""
    at = len(data) // 2
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


DAMAGE = (emptied, cut, changed)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_plates(tmp_path_factory.mktemp("kept") / "season", PLAN)
    done = crossproof("run", folder, "--allow-findings")
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


def kept(season: Path) -> list[Path]:
    """Every file a run keeps for the next, apart from logs, the lock and the comparison with earlier runs."""
    hidden = season / ".crossproof"
    files = [p for p in hidden.rglob("*") if p.is_file() and ".snakemake" not in p.name]
    aside = ("logs", "lock", "history.json", "home")
    return sorted(p for p in files if p.relative_to(hidden).parts[0] not in aside)


@pytest.mark.parametrize("damage", DAMAGE)
def test_whatever_is_damaged_is_noticed(season: Path, damage: Callable[[bytes], bytes]) -> None:
    """Records and index by the index, the note of a finished run by its reader (test_finished.py);
    everything else is cleared away before jobs are planned."""
    folder = WorkFolder(season)
    index = index_of_run(season)
    assert clear_damaged(index) == ()
    unnoticed = []
    for path in kept(season):
        if "records" in path.parts or path in (folder.index, folder.hidden / "finished.json"):
            continue
        before = {p: p.read_bytes() for p in kept(season)}
        path.write_bytes(damage(before[path]))
        if not clear_damaged(index):
            unnoticed.append(path.relative_to(season).as_posix())
        for other, data in before.items():
            other.parent.mkdir(parents=True, exist_ok=True)
            other.write_bytes(data)
    assert unnoticed == []


@pytest.mark.parametrize(
    "damage",
    [cut, pytest.param(emptied, marks=pytest.mark.slow), pytest.param(changed, marks=pytest.mark.slow)],
)
@pytest.mark.timeout(600)
def test_everything_damaged_at_once_is_made_again(season: Path, damage: Callable[[bytes], bytes]) -> None:
    expected = tables_of(season)
    # The report is drawn from the result tables: one that was cut short would lose plants there too.
    tables = [season / "results" / name for name in ("verdicts.csv", "verdicts.parquet", "crosses.csv")]
    for path in [*kept(season), *tables]:
        if path.name != "header.json":
            path.write_bytes(damage(path.read_bytes()))
    done = crossproof("run", season, "--allow-findings")
    assert done.returncode == 0, done.stdout + done.stderr
    assert tables_of(season) == expected
    assert clear_damaged(index_of_run(season)) == ()


def test_kept_content_is_read_as_written_or_not_at_all(tmp_path: Path) -> None:
    write_kept(tmp_path / "a.json", {1: [0.1, None, "é"], 10: {}, 2: (True,)})
    assert read_kept(tmp_path / "a.json") == {"1": [0.1, None, "é"], "10": {}, "2": [True]}
    write_kept_bytes(tmp_path / "a.npz", b"abc")
    assert read_kept_bytes(tmp_path / "a.npz") == b"abc"
    whole = json.loads((tmp_path / "a.json").read_text())
    (tmp_path / "b.json").write_text(json.dumps(whole, indent=1))
    assert read_kept(tmp_path / "b.json") is None  # not as it was written, whatever it says
    for damage in DAMAGE:
        (tmp_path / "b.json").write_bytes(damage((tmp_path / "a.json").read_bytes()))
        (tmp_path / "b.npz").write_bytes(damage((tmp_path / "a.npz").read_bytes()))
        assert read_kept(tmp_path / "b.json") is None
        assert read_kept_bytes(tmp_path / "b.npz") is None
    (tmp_path / "b.json").write_text(json.dumps({"sha256": "", "content": {}}))
    assert read_kept(tmp_path / "b.json") is None
    assert read_kept(tmp_path / "none.json") is None
    assert read_kept_bytes(tmp_path / "none.npz") is None
