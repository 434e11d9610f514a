"""The season's hidden folder: whole files only, one run at a time, buckets that do not move."""

from __future__ import annotations

import os
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

from crossproof.errors import BusyError
from crossproof.io.files.atomic import write_bytes, write_json
from crossproof.season.work_folder import WorkFolder, bucket_of, digest_of, read_json, season_lock, stat_key


def test_bucket_depends_on_the_name_alone() -> None:
    # CRC-32 check value of "123456789" is 0xCBF43926 (ISO 3309 / ITU-T V.42, its published check).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert bucket_of("123456789", 32) == 0xCBF43926 % 32


def test_equal_content_is_equal_bytes(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", {"b": 1, "a": [1, 2]})
    write_json(tmp_path / "b.json", {"a": [1, 2], "b": 1})
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert digest_of({"b": 1, "a": 2}) == digest_of({"a": 2, "b": 1})
    assert digest_of("ab", "c") != digest_of("a", "bc")


def test_a_failed_write_leaves_the_old_file_and_no_litter(tmp_path: Path) -> None:
    target = tmp_path / "verdicts.csv"
    write_bytes(target, b"old")
    with pytest.raises(TypeError):
        write_bytes(target, "not bytes")  # type: ignore[arg-type]
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["verdicts.csv"]


def test_json_cut_short_reads_as_nothing(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text('{"a": 1', encoding="utf-8")
    assert read_json(tmp_path / "x.json") is None
    assert read_json(tmp_path / "absent.json") is None


def test_new_content_under_an_old_time_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "plate.csv"
    path.write_bytes(b"aaaa")
    before, times = stat_key(path), path.stat()
    path.write_bytes(b"bbbb")
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    assert path.stat().st_mtime_ns == times.st_mtime_ns
    assert stat_key(path) != before


def test_a_second_run_is_refused_and_a_killed_one_leaves_no_lock(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path)
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, time, pathlib\n"
            "from crossproof.season.work_folder import *\n"
            "with season_lock(WorkFolder(pathlib.Path(sys.argv[1]))):\n"
            "    print('held', flush=True); time.sleep(60)",
            str(tmp_path),
        ],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == "held"
        with pytest.raises(BusyError, match="Nothing was changed"), season_lock(folder):
            pass
    finally:
        holder.kill()
        holder.communicate()
    with season_lock(folder):
        assert folder.hidden.is_dir()
