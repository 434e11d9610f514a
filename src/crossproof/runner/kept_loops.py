"""Whether the loops that judge families have been compiled on this machine."""

from __future__ import annotations

import os
from importlib.util import find_spec
from pathlib import Path

import crossproof

LOOPS = Path(crossproof.__file__).parent / "inference" / "family" / "kernel_solve.py"
"""The module of the loops, whose name numba gives to the files of what it has compiled."""


def loops_are_kept() -> bool:
    """Whether the loops have been compiled and kept, as far as can be told without loading numba.

    Looks where numba does: in the folder named in the environment or else beside the module and in the user's
    own cache. Also true where there is no numba to compile them.
    """
    if find_spec("numba") is None:
        return True
    if named := os.environ.get("NUMBA_CACHE_DIR"):
        folders = [*Path(named).glob("*")]
    else:
        caches = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser())
        folders = [LOOPS.parent / "__pycache__", *(caches / "numba").glob("*")]
    return any(any(folder.glob(f"{LOOPS.stem}.solve-*.nbi")) for folder in folders)
