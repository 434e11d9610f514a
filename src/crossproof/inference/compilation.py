"""Loops over arrays compiled by numba, where it is installed and can keep what it has compiled.

Compiling takes seconds, so that it pays only where it is done once for good: numba keeps the code beside the
module or, where that may not be written, in the user's own cache folder, for this processor and these
versions. It takes sums as they are written, in their order: a result does not depend on the processor.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

LOOPS = Path(__file__).parent / "family" / "kernels.py"
"""The module of the loops, whose name numba gives to the files of what it has compiled."""
ENOUGH_FAMILIES = 120
"""Families from which on compiled loops save more than it costs to load them: 4 ms each of 0.45 s."""


def pays(families: int, maternal: bool) -> bool:
    """Whether a season's families are judged by compiled loops; `maternal`: some markers are of the mother's
    line alone, and no family is of the kind that loops are for.
    """
    return families >= ENOUGH_FAMILIES and not maternal


def compiled(function: F) -> F:
    """The function, compiled when it is first called.

    Raises ImportError where nothing can be compiled: callers then do without the module.
    """
    from numba import njit

    try:
        return cast(F, njit(cache=True, error_model="numpy")(function))
    except RuntimeError as error:
        raise ImportError("numba finds no folder for what it compiles") from error


def loops_are_kept() -> bool:
    """Whether the loops have been compiled and kept, as far as can be told without loading numba.

    Looks where numba does: the folder named in the environment, beside the module, the user's own cache. Also
    true where there is no numba to compile it.
    """
    if find_spec("numba") is None:
        return True
    caches = os.environ.get("XDG_CACHE_HOME") or str(Path("~/.cache").expanduser())
    named = os.environ.get("NUMBA_CACHE_DIR")
    elsewhere = (Path(named) if named else Path(caches) / "numba").glob("*")
    files = f"{LOOPS.stem}.judge-*.nbi"
    return any(any(folder.glob(files)) for folder in (LOOPS.parent / "__pycache__", *elsewhere))
