"""Whether JSON is what BrAPI v2.1 says: the schemas of what we send, kept beside this module."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft202012Validator, FormatChecker

from crossproof.errors import Problem, error

KINDS = ("cross", "sample", "plate")


@cache
def schema(kind: str) -> dict[str, Any]:
    """The schema of a cross, sample or plate as a server takes it."""
    assert kind in KINDS
    text = files("crossproof.exchange").joinpath("schemas", f"{kind}.json").read_text(encoding="utf-8")
    found = json.loads(text)
    assert isinstance(found, dict)
    return found


@cache
def _validator(kind: str) -> Draft202012Validator:
    return Draft202012Validator(schema(kind), format_checker=FormatChecker())


def faults(kind: str, records: Iterable[tuple[str, Any]]) -> list[Problem]:
    """What is wrong with named records of one kind; empty where they are as the standard says."""
    found = []
    for name, record in records:
        for fault in sorted(_validator(kind).iter_errors(record), key=lambda f: f.json_path):
            found.append(
                error(
                    f"{kind} {name}",
                    f"This does not fit BrAPI v2.1: {fault.message[:200]}.",
                    "Correct the record in the sheet; nothing was written.",
                    column=fault.json_path,
                )
            )
    return found
