"""Work of one job done by several processes, each forked with everything that the job has read.

Forked, not spawned and not from a server: what a job has read is not copied, where other ways of starting
would send all of it to each process, and functions with it. Since Python 3.12 a fork in a process with more
than one thread is warned of: a lock that another thread holds stays locked in the child. The other threads of
a job are Arrow's idle pools, which Arrow renews in a child by itself; forked processes only compute.
"""

from __future__ import annotations

import ctypes
import signal
import sys
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Any, TypeVar

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
_HANDED_ON: list[Any] = []
"""Function and items of the work at hand: forked processes find them here, so that nothing is copied."""


def end_with_parent() -> None:
    """Have this process killed when its parent ends, however that ends (Linux; elsewhere nothing happens).

    An orphaned workflow would go on working on a season that the next run has taken up.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def forked_map(function: Callable[[Item], Result], items: Sequence[Item], processes: int) -> list[Result]:
    """`function` of every item, in their order, by as many processes; in this one where one is enough.

    Items and what `function` refers to are not copied; results are. Raises what the function raised, and
    BrokenProcessPool (a RuntimeError) where a process was killed.
    """
    processes = min(processes, len(items))
    if processes < 2:
        return [function(item) for item in items]
    _HANDED_ON[:] = [function, items]
    try:
        with (
            warnings.catch_warnings(),
            ProcessPoolExecutor(processes, get_context("fork"), end_with_parent) as pool,
        ):
            warnings.filterwarnings("ignore", r".*use of fork\(\)", DeprecationWarning)
            shares = pool.map(_share, [(first, processes) for first in range(processes)])
            out: list[Any] = [None] * len(items)
            for first, share in enumerate(shares):
                out[first::processes] = share
            return out
    finally:
        _HANDED_ON.clear()


def _share(which: tuple[int, int]) -> list[Any]:
    first, step = which
    function, items = _HANDED_ON
    return [function(item) for item in items[first::step]]
