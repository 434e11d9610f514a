"""The reference of the Python package, written from the docstrings of what it exports."""

from __future__ import annotations

import dataclasses
import enum
import inspect
import re
from typing import Any

import crossproof

MOST_CHARACTERS = 100
"""A signature longer than this is written with a line for each parameter."""


def api_text() -> str:
    """Every exported name with its signature and docstring, as Markdown."""
    names = [n for n in crossproof.__all__ if not n.startswith("__")]
    exported = {n: getattr(crossproof, n) for n in names}
    verbs = {n: v for n, v in exported.items() if inspect.isfunction(v)}
    nouns = {n: v for n, v in exported.items() if inspect.isclass(v)}
    for verb in verbs.values():
        nouns |= _returned(verb)
    parts = ["### What it does\n", *(_entry(n, v) for n, v in sorted(verbs.items()))]
    parts += ["### What it returns and raises\n", *(_entry(n, v) for n, v in sorted(nouns.items()))]
    return "\n".join(parts)


def _returned(verb: Any) -> dict[str, Any]:
    """The project's own class that a function returns, by its name."""
    given = inspect.signature(verb, eval_str=True).return_annotation
    ours = inspect.isclass(given) and given.__module__.startswith("crossproof.")
    return {given.__name__: given} if ours else {}


def _entry(name: str, item: Any) -> str:
    told = _markdown(inspect.getdoc(item) or "")
    return f"#### `{name}`\n\n```text\n{_signature(name, item)}\n```\n\n{told}\n"


def _signature(name: str, item: Any) -> str:
    if inspect.isclass(item) and issubclass(item, enum.Enum):
        return f"{name}: " + ", ".join(f"{m.name} = {m.value!r}" for m in item)
    if dataclasses.is_dataclass(item):
        return f"{name}:\n" + "\n".join(f"    {f.name}: {f.type}" for f in dataclasses.fields(item))
    if inspect.isclass(item):
        return f"{name}({', '.join(b.__name__ for b in item.__bases__)})"
    given = inspect.signature(item)
    parts = _parameters(given)
    returned = "" if given.return_annotation is given.empty else f" -> {given.return_annotation}"
    whole = f"crossproof.{name}({', '.join(parts)}){returned}"
    if len(whole) <= MOST_CHARACTERS:
        return whole
    several = "".join(f"    {p},\n" for p in parts)
    return f"crossproof.{name}(\n{several}){returned}"


def _parameters(given: inspect.Signature) -> list[str]:
    """Parameters as they are written in code, with the star that begins those by keyword only."""
    out: list[str] = []
    for parameter in given.parameters.values():
        if parameter.kind is parameter.KEYWORD_ONLY and "*" not in out:
            out.append("*")
        default = "" if parameter.default is parameter.empty else f" = {parameter.default!r}"
        out.append(f"{parameter.name}: {parameter.annotation}{default}")
    return out


def _markdown(docstring: str) -> str:
    """A docstring as Markdown: its examples in blocks of their own."""
    out: list[str] = []
    inside = False
    for line in docstring.split("\n"):
        begins, blank = line.startswith(">>> "), not line.strip()
        if begins and not inside:
            out.append("```pycon")
            inside = True
        elif blank and inside:
            out.append("```")
            inside = False
        out.append(line)
    if inside:
        out.append("```")
    return re.sub(r"\n{3,}", "\n\n", "\n".join(out)).strip()
