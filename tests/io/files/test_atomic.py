"""A file is there whole or not at all, and nothing is left beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from crossproof.io.files.atomic import put_in_place, whole_file, write_bytes, write_json


def test_a_write_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "a.txt"
    write_bytes(path, b"old")
    with pytest.raises(TypeError), whole_file(path) as handle:
        handle.writelines([b"half of the n", None])
    assert path.read_bytes() == b"old"
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]


def test_the_old_file_is_there_until_the_new_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_bytes(path, b"old")
    with whole_file(path) as handle:
        handle.write(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"


def test_a_remnant_of_a_killed_run_is_no_hindrance(tmp_path: Path) -> None:
    with put_in_place(tmp_path / "a") as beside:
        name = beside.name
        beside.write_bytes(b"1")
    (tmp_path / name).write_bytes(b"remnant")
    with put_in_place(tmp_path / "a") as beside:
        assert not beside.exists()
        beside.write_bytes(b"2")
    assert (tmp_path / "a").read_bytes() == b"2"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_equal_content_is_equal_bytes(tmp_path: Path) -> None:
    write_json(tmp_path / "a.json", {"b": 1, "a": "é"})
    write_json(tmp_path / "b.json", {"a": "é", "b": 1})
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    with pytest.raises(ValueError, match="JSON compliant"):
        write_json(tmp_path / "a.json", float("nan"))
    assert (tmp_path / "a.json").read_text(encoding="utf-8").startswith("{")
