"""A run that stopped without a reason in its log, on a disk with next to no room: the disk is full."""

from __future__ import annotations

import errno
import shutil
from pathlib import Path
from typing import NamedTuple

import pytest

from crossproof.runner.workflow import LEAST_ROOM, full_disk


class Usage(NamedTuple):
    total: int
    used: int
    free: int


@pytest.mark.parametrize(
    ("usage", "full"),
    [
        (Usage(10**9, 10**9, 0), True),
        (Usage(10**9, 10**9 - 40_000, 40_000), True),
        (Usage(10**9, 10**9 - LEAST_ROOM, LEAST_ROOM), False),
        (Usage(0, 0, 0), False),
    ],
)
def test_a_disk_with_next_to_no_room_is_full(
    usage: Usage, full: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    fault = full_disk(tmp_path)
    assert (fault is not None) == full
    if fault is not None:
        assert (fault.errno, fault.filename) == (errno.ENOSPC, str(tmp_path))
