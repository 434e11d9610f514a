"""Work shared out among forked processes."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
from concurrent.futures.process import BrokenProcessPool

import numpy as np
import pytest

from crossproof.season.processes import forked_map


@pytest.mark.parametrize("processes", [1, 2, 3, 50])
def test_results_come_in_the_order_of_the_items(processes: int) -> None:
    items = [np.full(3, i) for i in range(11)]
    found = forked_map(lambda x: (int(x.sum()), os.getpid()), items, processes)
    assert [total for total, _ in found] == [3 * i for i in range(11)]
    workers = {process for _, process in found}
    assert len(workers) <= min(processes, 11)
    assert (os.getpid() in workers) == (processes == 1)
    assert forked_map(str, [], 4) == []


def test_more_than_a_pipe_holds_comes_back() -> None:
    found = forked_map(lambda n: bytes(n), [1 << 20, 3 << 20, 5], 2)
    assert [len(x) for x in found] == [1 << 20, 3 << 20, 5]


def fail(item: int) -> int:
    if item == 3:
        raise ValueError("no such plate")
    return item


def run_out(item: int) -> int:
    raise MemoryError if item == 3 else OSError(28, "No space left on device")


def die(item: int) -> int:
    if item == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return item


def test_what_goes_wrong_in_a_process_goes_wrong_here() -> None:
    with pytest.raises(ValueError, match="no such plate"):
        forked_map(fail, range(5), 2)
    with pytest.raises(BrokenProcessPool):
        forked_map(die, range(5), 2)
    with pytest.raises(MemoryError):
        forked_map(run_out, [3, 3], 2)
    with pytest.raises(OSError, match="No space"):
        forked_map(run_out, [1, 2], 2)


def large_unless_killed(item: int) -> bytes:
    if item == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return bytes(1 << 20)


def test_a_killed_process_is_noticed_while_others_wait_to_be_read() -> None:
    with pytest.raises(BrokenProcessPool):
        forked_map(large_unless_killed, range(7), 7)


class Unpicklable(Exception):
    def __init__(self, one: str, two: str) -> None:
        super().__init__(one + two)
        self.held = lambda: None


def raise_unpicklable(item: int) -> int:
    raise Unpicklable("no such ", "plate")


def test_a_fault_that_cannot_be_sent_is_told_in_words() -> None:
    with pytest.raises(RuntimeError, match="no such plate"):
        forked_map(raise_unpicklable, [1, 2], 2)


COMING_AND_GOING = """
import resource, sys
import numpy as np
from crossproof.season.processes import keep_memory
if sys.argv[1] == "kept":
    keep_memory()
def once():
    return [np.ones(100_000) for _ in range(4)]
once()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(50):
    once()
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="an option of the GNU C library")
def test_memory_that_comes_and_goes_is_kept():
    """Page faults as the kernel counts them: 3.2 MB of 4 KiB pages, 50 times, is 39,000 of them."""
    faults = [
        int(subprocess.check_output([sys.executable, "-c", COMING_AND_GOING, how], text=True))
        for how in ("given back", "kept")
    ]
    assert faults[0] > 5_000
    assert faults[1] < faults[0] / 10
