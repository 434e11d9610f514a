"""Work of one job done by several processes, each forked with everything that the job has read."""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_PR_SET_PDEATHSIG = 1


def end_with_parent() -> None:
    """Have this process killed when its parent ends, however that ends (Linux; elsewhere nothing happens).

    An orphaned workflow would go on working on a season that the next run has taken up.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


def forked_map(function: Callable[[Item], Result], items: Sequence[Item], processes: int) -> list[Result]:
    """`function` of every item, in their order, by as many processes; in this one where one is enough.

    Items and what `function` refers to are not copied; results are pickled. Raises RuntimeError with the
    child's own account where one fails or is killed, MemoryError and OSError as they are.
    """
    processes = min(processes, len(items))
    if processes < 2:
        return [function(item) for item in items]
    sys.stdout.flush()
    sys.stderr.flush()
    children = []
    for first in range(processes):
        reading, writing = os.pipe()
        child = os.fork()
        if not child:
            _work(function, items[first::processes], writing)
        os.close(writing)
        children.append((child, reading))
    answers: list[Any] = []
    for child, reading in children:
        with os.fdopen(reading, "rb") as source:
            answer = source.read()
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        answers.append(pickle.loads(answer) if status == 0 else _Failed(f"a process ended with {status}"))
    for answer in answers:
        if isinstance(answer, MemoryError | OSError):
            raise answer
        if isinstance(answer, _Failed):
            raise RuntimeError(answer.account)
    out: list[Any] = [None] * len(items)
    for first, answer in enumerate(answers):
        out[first::processes] = answer
    return out


class _Failed:
    """What a child that failed says of it."""

    def __init__(self, account: str) -> None:
        self.account = account


def _work(function: Callable[[Item], Result], items: Sequence[Item], writing: int) -> None:
    """Do a child's share, send it, and end the process."""
    status = 3
    try:
        end_with_parent()
        answer: Any
        try:
            answer = [function(item) for item in items]
        except (MemoryError, OSError) as fault:
            answer = fault
        except Exception:
            answer = _Failed(traceback.format_exc())
        with os.fdopen(writing, "wb") as sink:
            pickle.dump(answer, sink)
        status = 0
    finally:
        os._exit(status)
