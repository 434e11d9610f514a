"""Loops over arrays compiled by numba, where it is installed and can keep what it has compiled.

Compiling takes seconds, so that it pays only where it is done once for good: numba keeps the code beside the
module or, where that may not be written, in the user's own cache folder, for this processor and these
versions. It takes sums as they are written, in their order: a result does not depend on the processor.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

FAMILIES_KEPT = 20
"""Families from which on compiled loops save more than the 0.45 s that it costs to load them: 10 ms each
where all is simple, ten times that where parents are in doubt or markers have several alleles."""
ENOUGH_FAMILIES = 120
"""Families from which on they are worth the half minute, once, that it costs to compile them."""


def pays(families: int, kept: bool) -> bool:
    """Whether a season's families are judged by compiled loops; `kept`: those of an earlier run are there."""
    return families >= (FAMILIES_KEPT if kept else ENOUGH_FAMILIES)


def compiled(function: F) -> F:
    """The function, compiled when it is first called.

    Raises ImportError where nothing can be compiled: callers then do without the module.
    """
    from numba import njit

    try:
        return cast(F, njit(cache=True, error_model="numpy")(function))
    except RuntimeError as error:
        raise ImportError("numba finds no folder for what it compiles") from error


def compiled_from(*called: Callable[..., Any]) -> Callable[[F], F]:
    """`compiled` for functions that call compiled ones of other modules, one of each of which is `called`.

    numba keeps the called ones' code inside the caller's, and looks at the caller's own file alone to tell
    whether what it keeps is of date: a change in one of the other files counts as well here.
    """
    stamps = tuple(_kept(one)._source_stamp for one in called)

    def compile_one(function: F) -> F:
        made = compiled(function)
        _kept(made)._source_stamp = (_kept(made)._source_stamp, *stamps)
        return made

    return compile_one


def _kept(function: Callable[..., Any]) -> Any:
    """Where numba keeps what it made of a function."""
    return cast(Any, function)._cache._cache_file
