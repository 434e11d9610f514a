"""How the same is asked of many plates or crosses: one after the other, or by several processes at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


class Each(Protocol):
    """Calls a function with every item; results in the order of the items.

    What the function notes down elsewhere may be lost: it may have been called in another process.
    """

    def __call__(self, function: Callable[[Item], Result], items: Sequence[Item], /) -> Sequence[Result]:
        """`function` of every item."""
        ...


def one_by_one(function: Callable[[Item], Result], items: Sequence[Item], /) -> list[Result]:
    """`function` of every item, in this process."""
    return [function(item) for item in items]
