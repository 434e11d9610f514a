"""Calls in other words than the season's: allele letters and numbers, and bases of the other strand."""

from __future__ import annotations

import re
from collections.abc import Callable

from crossproof.io.tables.call_notation import Reading

_PARTS = re.compile(r"^([ABab12])\s*[/:|\s]?\s*([ABab12])$")
_BASES = re.compile(r"[ACGTRYKMSW]+", re.IGNORECASE)
_COMPLEMENT = str.maketrans("ACGTRYKMacgtrykm", "TGCAYRMKtgcayrmk")
_PLACE = {"A": 0, "B": 1, "1": 0, "2": 1}

Saying = Callable[[str], str]
"""From a call as written to the same call in the season's words."""


def generic_call(alleles: tuple[str, ...], batch: str) -> Saying:
    """For files that call the alleles of every marker A and B, or 1 and 2.

    `alleles` are those the marker sheet says A and B stand for, in this order. Where it does not say, they
    are given names that are those of no other file.
    """
    names = alleles if len(alleles) == 2 else (f"A({batch})", f"B({batch})")

    def say(text: str) -> str:
        match = _PARTS.match(text)
        if match is None:
            return text
        one, two = (names[_PLACE[g.upper()]] for g in match.groups())
        return f"{one}/{two}"

    return say


def other_strand_call(text: str) -> str:
    """A call of bases read on the other strand; sizes, counts and signs stay as they are."""
    return _BASES.sub(lambda m: m.group().translate(_COMPLEMENT)[::-1], text)


def in_own_words(reading: Reading, said: dict[str, str]) -> Reading:
    """A reading of said calls as one of the calls as written; `said`: written -> said."""
    calls = {w: reading.calls[s] for w, s in said.items() if s in reading.calls}
    faults = {w: reading.faults[s] for w, s in said.items() if s in reading.faults}
    whole = {"": reading.faults[""]} if "" in reading.faults else {}
    return Reading(reading.alleles, calls, whole | faults, reading.notation, reading.several)
