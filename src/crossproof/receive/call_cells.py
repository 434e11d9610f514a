"""Which cells of a table look like calls, and which words in them stand for no call."""

from __future__ import annotations

import re
from functools import lru_cache

from crossproof.io.tables.call_notation import MISSING_TEXTS

NO_CALL_WORDS = frozenset(
    [
        "uncallable",
        "bad",
        "ntc",
        "missing",
        "fail",
        "failed",
        "nocall",
        "nc",
        "undetermined",
        "undefined",
        "empty",
        "unknown",
        "unused",
        "over",
        "short",
        "dupe",
        "null",
        "nan",
        "none",
        "#n/a",
        "n/a",
        "nd",
        "n.d.",
        "uncalled",
        "invalid",
        "ambiguous",
    ]
) | {"no call", "no_call", "not called", "missing data", "no amplification", "no signal", "not determined"}
"""Words that laboratories write where there is no call (common practice, no source); small letters."""

NO_CALL_SIGNS = frozenset(
    {"?/?", "?:?", "? ?", "??", "-/-", "-:-", "--", "- -", "*", "**", "*/*", "n n", "na/na", "./.", "n/n"}
)
"""Signs for no call that say nothing else."""

NO_CALL_NUMBERS = frozenset({"0/0", "0:0", "0|0", "0 0", "00", "0", "-9", "-1", "9", "99"})
"""Numbers that stand for no call where the other calls are no such numbers."""

_TOKEN = r"(?:[ACGTNacgtn]{1,12}|[ABab]|\d{1,4}(?:[.,]\d{1,3})?|DEL|INS|[-.?*])"
_PAIR = re.compile(rf"^({_TOKEN})\s*[/:|]\s*({_TOKEN})$|^({_TOKEN})\s+({_TOKEN})$")
_TOGETHER = re.compile(r"^(?:[ACGTNacgtn-]{2}|[ABab]{2}|[012]{2})$")
_ONE = re.compile(r"^[ACGTNRYSWKMacgtnryswkm012AB?.*-]$")
_SIZE = re.compile(r"^[1-9]\d{1,3}$")
_TWO_DECIMALS = re.compile(r"^\d+[.,]\d+\s+\d+[.,]\d+$")


@lru_cache(maxsize=1 << 16)
def is_no_call(text: str) -> bool:
    """Whether a cell is a usual way to write that there is no call."""
    low = " ".join(text.casefold().split())
    return text.upper() in MISSING_TEXTS or low in NO_CALL_WORDS or low in NO_CALL_SIGNS


@lru_cache(maxsize=1 << 16)
def looks_like_call(text: str) -> bool:
    """Whether a cell that is not empty looks like a call, or a usual way to write that there is none."""
    if len(text) > 30:
        return False
    if is_no_call(text) or text in NO_CALL_NUMBERS or _ONE.match(text) or _TOGETHER.match(text):
        return True
    return bool(_PAIR.match(text)) and not _TWO_DECIMALS.match(text)


@lru_cache(maxsize=1 << 16)
def alleles_in(text: str) -> tuple[str, ...]:
    """The alleles that a call names, in capitals; () for no call and for a code of one letter or number."""
    match = _PAIR.match(text)
    if match:
        found = [g for g in match.groups() if g]
    elif _TOGETHER.match(text):
        found = list(text)
    elif len(text) == 1 and text.upper() in "ACGTB":
        found = [text]
    else:
        return ()
    return tuple(a.upper() for a in found if a.upper() not in ("N", "-", ".", "?", "*"))


def is_allele(text: str) -> bool:
    """Whether a cell may be one allele in a column of its own."""
    return bool(re.fullmatch(_TOKEN, text)) or bool(_SIZE.match(text))
