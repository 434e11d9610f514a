"""A check in a process of its own tells what the check beside the desk tells."""

from __future__ import annotations

import time

import pytest
from desks import copy_of_demo

from crossproof.desk import checks
from crossproof.desk.folder import find_season
from crossproof.desk.memory import config_of, remembered
from crossproof.errors import InputError


def with_an_error(tmp_path):
    season = copy_of_demo(tmp_path / "demo")
    sheet = season / "crosses.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8").replace("2026-05-18", "soon", 1), encoding="utf-8")
    return find_season(tmp_path, "demo")


def test_both_ways_of_checking_agree(tmp_path, monkeypatch):
    place = with_an_error(tmp_path)
    here = checks.Checks().of(place)
    monkeypatch.setattr(checks, "SMALL_BYTES", 0)
    beside = checks.Checks()
    assert beside.of(place) is None, "the page does not wait"
    until = time.monotonic() + 60
    while (there := beside.of(place)) is None:
        assert time.monotonic() < until
        time.sleep(0.1)
    assert here is not None
    assert [(c.code, len(c.problems), c.first) for c in there.causes] == [
        (c.code, len(c.problems), c.first) for c in here.causes
    ]
    assert there.acknowledged == here.acknowledged


def test_what_was_read_is_read_again_when_a_file_changes(tmp_path):
    place = with_an_error(tmp_path)
    before = config_of(place)
    assert config_of(place) is before
    config = place.path / "config.yaml"
    config.write_text(config.read_text(encoding="utf-8").replace('"2026"', '"2031"'), encoding="utf-8")
    assert (before.season, config_of(place).season) == ("2026", "2031")


def test_what_a_faulty_reading_raises_is_not_kept(tmp_path):
    place = with_an_error(tmp_path)

    def faulty():
        raise InputError(())

    with pytest.raises(InputError):
        remembered(place, "x", (), faulty)
    assert remembered(place, "x", (), lambda: 1) == 1
