"""How the same is asked of many plates or crosses: one after the other, or by several processes at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

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


class AskedOnce:
    """What was asked before is answered from memory; the rest by `each`.

    `key` says what the answer about an item depends on.
    """

    def __init__(self, each: Each) -> None:
        self._each = each
        self._known: dict[tuple[str, Any], Any] = {}

    def __call__(
        self, function: Callable[[Item], Result], items: Sequence[Item], key: Callable[[Item], Any]
    ) -> list[Result]:
        """`function` of every item."""
        keys = [(function.__qualname__, key(item)) for item in items]
        new = [i for i, k in enumerate(keys) if k not in self._known]
        for i, answer in zip(new, self._each(function, [items[i] for i in new]), strict=True):
            self._known[keys[i]] = answer
        return [self._known[k] for k in keys]

    def ahead(self, *questions: tuple[Callable[[Item], Any], Sequence[Item]]) -> None:
        """Ask several functions of their items, of each item all at once: `of_same` then has the answers.

        What one function works out about an item is at hand for the next, and each dealing out of work to
        processes has its price.
        """
        items = list({id(item): item for _, some in questions for item in some}.values())
        wanted = [(function, set(map(id, some))) for function, some in questions]

        def all_of(item: Item) -> list[Any]:
            return [function(item) for function, some in wanted if id(item) in some]

        for item, answers in zip(items, self._each(all_of, items), strict=True):
            of_item = (f.__qualname__ for f, some in wanted if id(item) in some)
            self._known |= {(name, id(item)): its for name, its in zip(of_item, answers, strict=True)}

    def of_same(self, function: Callable[[Item], Result], items: Sequence[Item], /) -> Sequence[Result]:
        """`function` of every item, each told from others by what it is: an `Each`."""
        return self(function, items, id)
