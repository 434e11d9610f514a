"""Whether the loops that judge families have been compiled on this machine."""

from __future__ import annotations

import os
from hashlib import sha256
from importlib.util import find_spec
from pathlib import Path

import crossproof

LOOPS = Path(crossproof.__file__).parent / "inference" / "family" / "kernel_solve.py"
"""The module of the loops, whose name numba gives to the files of what it has compiled."""
MODULES = ("kernels.py", "kernel_blocks.py", "kernel_rounds.py", LOOPS.name)
"""The modules that hold loops."""


def loops_are_kept() -> bool:
    """Whether the loops have been compiled and kept, as far as can be told without loading numba.

    Looks where numba does: in the folder named in the environment or else beside the module and in the user's
    own cache. Those of other versions of the modules do not count: numba would compile them again. Also true
    where there is no numba to compile any.
    """
    if find_spec("numba") is None:
        return True
    if named := os.environ.get("NUMBA_CACHE_DIR"):
        folders = [*Path(named).glob("*")]
    else:
        caches = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser())
        folders = [LOOPS.parent / "__pycache__", *(caches / "numba").glob("*")]
    return any(_fits(file) for folder in folders for file in folder.glob(f"{LOOPS.stem}.solve-*.nbi"))


def _fits(kept: Path) -> bool:
    """Whether loops were compiled from the modules as they are: numba keeps the SHA-256 of each or, in older
    versions, its time."""
    modules = [path for name in MODULES if (path := LOOPS.with_name(name)).exists()]
    held = kept.read_bytes()
    if all(sha256(path.read_bytes()).digest() in held for path in modules):
        return True
    return all(path.stat().st_mtime <= kept.stat().st_mtime for path in modules)
