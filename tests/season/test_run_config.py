"""The configuration of a run is read once, and again as soon as it may be another."""

from __future__ import annotations

from pathlib import Path

import pytest

from crossproof.season import run_config
from crossproof.season.index import build_index, index_of_run
from crossproof.season.templates import new_season


@pytest.fixture
def readings(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Configurations that `config_of_run` had to read, one by one."""
    read: list[Path] = []
    real = run_config.read_config

    def reading(path: Path, data: bytes | None = None):
        read.append(path)
        return real(path, data)

    monkeypatch.setattr(run_config, "read_config", reading)
    return read


def test_a_configuration_is_known_as_long_as_the_index_is_the_same(tmp_path: Path, readings) -> None:
    new_season(tmp_path / "s")
    index = build_index(tmp_path / "s")
    with run_config.config_remembered(index.folder, index.config):
        assert index_of_run(tmp_path / "s").config is index.config
        assert not readings
        sheet = tmp_path / "s" / "config.yaml"
        sheet.write_text(sheet.read_text(encoding="utf-8") + "\n# another\n", encoding="utf-8")
        assert build_index(tmp_path / "s").config is not index.config  # and a new index with it
        assert index_of_run(tmp_path / "s").config == build_index(tmp_path / "s").config
        assert len(readings) == 1
    assert run_config.remembered(index.folder) is None
    index_of_run(tmp_path / "s")
    assert len(readings) == 2


def test_a_process_of_jobs_reads_it_once(tmp_path: Path, readings, monkeypatch) -> None:
    monkeypatch.setattr(run_config, "_REMEMBERED", {})
    new_season(tmp_path / "s")
    index = build_index(tmp_path / "s")
    for _ in range(3):
        assert run_config.remember_config(index.folder) is False  # one cross: no compiled loops
        assert index_of_run(tmp_path / "s").config == index.config
    assert len(readings) == 1
