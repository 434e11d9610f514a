"""One record of a BrAPI answer, read field by field; what is wrong with it is collected, not guessed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from crossproof.errors import Problem, Severity
from crossproof.io.sheets.headings import heading_key


@dataclass
class Notes:
    """Problems of one fetch. An error refuses the whole; a warning is told and the record treated as said."""

    problems: list[Problem] = field(default_factory=list)
    _once: set[str] = field(default_factory=set)
    _seen: set[Problem] = field(default_factory=set)

    def add(
        self, severity: Severity, where: str, column: str, value: object, problem: str, remedy: str
    ) -> None:
        """Keep a problem; `where` names the call and the record."""
        found = Problem(severity, where[:200], None, column, str(value)[:120], problem, remedy)
        if found not in self._seen:
            self._seen.add(found)
            self.problems.append(found)

    def once(self, where: str, problem: str, remedy: str, *, value: object = "", column: str = "") -> None:
        """Keep a remark that holds for many records once."""
        if problem not in self._once:
            self._once.add(problem)
            self.add(Severity.NOTE, where, column, value, problem, remedy)

    @property
    def errors(self) -> list[Problem]:
        """Problems that refuse the whole."""
        return [p for p in self.problems if p.severity is Severity.ERROR]


@dataclass(frozen=True)
class Record:
    """A JSON object of the server with its place.

    `data`: the object. `call`: such as `crosses`. `number`: its place among the call's records, from 1.
    `path`: the field it was found at, for an object within a record.
    """

    data: dict[str, Any]
    call: str
    number: int
    notes: Notes
    path: str = ""

    @property
    def where(self) -> str:
        """The record as a problem names it."""
        return f"{self.call}, record {self.number}"

    def error(self, name: str, problem: str, remedy: str) -> None:
        """Note an error at a field."""
        self._add(Severity.ERROR, name, problem, remedy)

    def warn(self, name: str, problem: str, remedy: str) -> None:
        """Note a warning at a field."""
        self._add(Severity.WARNING, name, problem, remedy)

    def _add(self, severity: Severity, name: str, problem: str, remedy: str) -> None:
        value = self.data.get(name)
        shown = "" if value is None or isinstance(value, dict | list) else value
        self.notes.add(severity, self.where, self.path + name, shown, problem, remedy)

    def _typed(self, name: str, fits: Callable[[Any], bool], what: str) -> Any:
        value = self.data.get(name)
        if value is None:
            return None
        if not fits(value):
            self.error(
                name,
                f"The field is not {what}, as BrAPI v2.1 requires, but {_kind(value)}.",
                "Have it corrected on the server.",
            )
            return None
        return value

    def text(self, name: str, *, required: bool = False) -> str:
        """A text field, "" where absent or null."""
        value = self._typed(name, lambda v: isinstance(v, str), "text")
        found = " ".join(value.split()) if value is not None else ""
        if required and not found and (self.data.get(name) is None or value is not None):
            self.error(name, "The field is missing.", "Have it filled in on the server.")
        return found

    def whole(self, name: str) -> int | None:
        """A whole number, None where absent or null."""
        found = self._typed(name, lambda v: type(v) is int, "a whole number")
        return None if found is None else int(found)

    def object(self, name: str) -> Record | None:
        """An object within this one, None where absent or null."""
        found = self._typed(name, lambda v: isinstance(v, dict), "an object")
        return None if found is None else self._inside(found, f"{name}.")

    def objects(self, name: str) -> list[Record]:
        """A list of objects, empty where absent or null."""
        fits = lambda v: isinstance(v, list) and all(isinstance(x, dict) for x in v)  # noqa: E731
        found = self._typed(name, fits, "a list of objects") or []
        return [self._inside(x, f"{name}[{i}].") for i, x in enumerate(found)]

    def free(self, name: str) -> dict[str, str]:
        """The texts of a free object (additionalInfo), by heading key; a number counts as the text of it.

        BrAPI v2.1 has texts only. Where a server puts anything else, that is said once; null is nothing.
        """
        found = self._typed(name, lambda v: isinstance(v, dict), "an object") or {}
        texts = {}
        for key, value in found.items():
            if isinstance(value, str):
                texts[heading_key(key)] = " ".join(value.split())
            elif isinstance(value, int | float) and not isinstance(value, bool):
                texts[heading_key(key)] = str(value)
                self._not_text(name, key, value, "is a number where BrAPI v2.1 has text; it is read as text")
            elif value is not None:
                self._not_text(name, key, value, f"is {_kind(value)} and not text; it is passed over")
        return texts

    def _not_text(self, name: str, key: str, value: Any, what: str) -> None:
        self.notes.once(
            self.where,
            f"{name}.{key} {what}.",
            "See whether it is meant so, and have it written as text on the server.",
            value="" if isinstance(value, dict | list) else value,
            column=f"{self.path}{name}.{key}",
        )

    def _inside(self, data: dict[str, Any], path: str) -> Record:
        return Record(data, self.call, self.number, self.notes, self.path + path)


@dataclass(frozen=True)
class LeftOut:
    """A record that is not in the season's sheets, and why."""

    kind: str
    record_id: str
    name: str
    why: str
    remedy: str
    record: str


def _kind(value: object) -> str:
    names = {bool: "true or false", int: "a number", float: "a number", str: "text", list: "a list"}
    return names.get(type(value), "an object")
