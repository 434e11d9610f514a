"""Work of one job done by several processes, each forked with everything that the job has read.

Forked, not spawned and not from a server: what a job has read is not copied, where other ways of starting
would send all of it to each process, and functions with it. Since Python 3.12 a fork in a process with more
than one thread is warned of: a lock that another thread holds stays locked in the child. The other threads of
a job are Arrow's idle pools, which Arrow renews in a child by itself; forked processes only compute.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import traceback
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any, NoReturn, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

ONE_THREAD = {
    **dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"),
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
}
"""Environment of a job: the workflow runs one job per core, and threads of a job's own would only compete.

Nor does Arrow's memory have a thread of its own: the process that jobs are forked from has one thread only.
"""

_PR_SET_PDEATHSIG = 1
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
_KEPT_MEMORY, _LARGEST_KEPT = 256 << 20, 32 << 20
_HANDED_ON: list[Any] = []
"""Function and items of the work at hand: forked processes find them here, so that nothing is copied."""


def end_with_parent() -> None:
    """Have this process killed when its parent ends, however that ends (Linux; elsewhere nothing happens).

    An orphaned workflow would go on working on a season that the next run has taken up.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def keep_memory() -> None:
    """Have this process keep up to 256 MiB of the memory that it frees (GNU C library; else nothing happens).

    Arrays of half a megabyte that come and go would be given back to the system, and asked from it and
    cleared, each time: a tenth of what plate checks cost.
    """
    if sys.platform == "linux":
        set_option = getattr(ctypes.CDLL(None), "mallopt", None)
        if set_option is not None:
            set_option(_M_TRIM_THRESHOLD, _KEPT_MEMORY)
            set_option(_M_MMAP_THRESHOLD, _LARGEST_KEPT)


def forked_map(function: Callable[[Item], Result], items: Sequence[Item], processes: int) -> list[Result]:
    """`function` of every item, in their order, by as many processes; in this one where one is enough.

    Items and what `function` refers to are not copied; results are. Raises what the function raised, and
    BrokenProcessPool (a RuntimeError) where a process was killed.

    Every process forks two more before it begins with its share: a fork takes the longer the more memory a
    job holds (27 ms with 1 GB), and sixteen after one another would take half a second at each step.
    """
    processes = min(processes, len(items))
    if processes < 2:
        return [function(item) for item in items]
    _HANDED_ON[:] = [function, items]
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", r".*use of fork\(\)", DeprecationWarning)
            answers = _answers_of(processes)
    finally:
        _HANDED_ON.clear()
    for answer in answers:
        if isinstance(answer, BaseException):
            raise answer
    out: list[Any] = [None] * len(items)
    for first, share in enumerate(answers):
        out[first::processes] = share
    return out


def _answers_of(processes: int) -> list[Any]:
    """What every process answers: the results of its share, or what it raised."""
    pipes = [Pipe(duplex=False) for _ in range(processes)]
    sys.stdout.flush()
    sys.stderr.flush()
    root = os.fork()
    if root == 0:
        for reading, _ in pipes:
            reading.close()
        _branch(0, {number: writing for number, (_, writing) in enumerate(pipes)}, processes)
    with ExitStack() as stack:
        for reading, writing in pipes:
            stack.enter_context(reading)
            writing.close()
        try:
            return [_answer(reading) for reading, _ in pipes]
        except BaseException:
            os.kill(root, signal.SIGKILL)  # the others end with it
            raise
        finally:
            os.waitpid(root, 0)


def _branch(number: int, ends: dict[int, Connection], processes: int) -> NoReturn:
    """Fork the processes below process `number`, do its share, and write the answer to its end of a pipe.

    `ends`: those of processes not yet forked, and others. A pipe must end with the process that writes to it,
    so that a killed one is noticed: nobody else keeps its end.
    """
    try:
        end_with_parent()
        forked = []
        for below in (2 * number + 1, 2 * number + 2):
            if below < processes:
                process = os.fork()
                if process == 0:
                    _branch(below, ends, processes)
                forked.append(process)
        mine = ends.pop(number)
        for end in ends.values():
            end.close()
        with mine:
            _tell(mine, number, processes)
        for process in forked:
            os.waitpid(process, 0)
    finally:
        os._exit(0)  # whoever reads sees whether there is an answer


def _tell(end: Connection, number: int, processes: int) -> None:
    """Send the answer of a process: the results of its share, or what it raised."""
    try:
        end.send(_share((number, processes)))
    except BaseException as fault:
        fault.add_note(traceback.format_exc())
        try:
            end.send(fault)
        except Exception:
            end.send(RuntimeError(traceback.format_exc()))  # in words, where it cannot be sent
    sys.stdout.flush()


def _answer(end: Connection) -> Any:
    """What a process sent, or that it was killed before it had."""
    try:
        return end.recv()
    except (EOFError, OSError):
        return BrokenProcessPool("A process that did a part of this job was killed; memory may have run out.")


def _share(which: tuple[int, int]) -> list[Any]:
    first, step = which
    function, items = _HANDED_ON
    return [function(item) for item in items[first::step]]
