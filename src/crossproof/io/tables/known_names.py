"""The names that a season knows, read when the first file asks for them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Set
from functools import cached_property


class NamesWhenAsked(Set[str]):
    """A set of names that `read` gives; most files say by their heading what their names are of."""

    def __init__(self, read: Callable[[], set[str]]) -> None:
        self._read = read

    @cached_property
    def _names(self) -> set[str]:
        return self._read()

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def isdisjoint(self, other: Iterable[object]) -> bool:
        """Whether none of these names is in it."""
        return self._names.isdisjoint(other)

    @classmethod
    def _from_iterable(cls, names: Iterable[str]) -> set[str]:  # type: ignore[override]
        return set(names)
