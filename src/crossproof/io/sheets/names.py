"""Names that people cannot tell apart, and names that a spreadsheet has spoilt."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from crossproof.errors import Severity
from crossproof.io.problems import Fault

MAX_LENGTH = 200

# Letters of other alphabets that look like Latin ones; from the shapes, after Unicode Technical Standard 39.
_LOOK_ALIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеіјорсухѕԁһԛԝкмтвн" + "ΑΒΕΖΗΙΚΜΝΟΡΤΥΧοναικρτυχγ" + "‐‑‒–—−ʼ’‘`´",
    "ABESIJKMHOPCTYXaeijopcyxsdhqwkmtbh" + "ABEZHIKMNOPTYXovaikptuxy" + "------" + "'''''",
)
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec"
_SPOILT_DATE = re.compile(rf"(\d{{1,2}}-({_MONTHS})|({_MONTHS})-\d{{2}})", re.IGNORECASE)
_SPOILT_NUMBER = re.compile(r"\d\.\d+E\+\d+")


def skeleton(name: str) -> str:
    """What is left of a name when case, spaces and look-alike letters are ignored."""
    if name.isascii():
        return "".join(name.split()).lower()
    text = name
    for _ in range(4):
        # Taking a space or a case away can make letters combine anew; three rounds settle that.
        before = text
        text = unicodedata.normalize("NFKC", text).translate(_LOOK_ALIKE).casefold()
        text = "".join(c for c in text if unicodedata.category(c) != "Cf" and not c.isspace())
        if text == before:
            break
    return text


def loose_skeleton(name: str) -> str:
    """As `skeleton`, and without zeros that lead a number, hyphens, underscores and points."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[-_.]", "", skeleton(name)))


def number_wise_skeleton(name: str) -> str:
    """As `loose_skeleton`, but numbers stay apart, so that S1-01 and S10-1 differ."""
    parts = [p for p in re.split(r"[\s_.\-:/]+|(\d+)", name) if p]
    return "\0".join(loose_skeleton(p) for p in parts)


def difference(name: str, other: str) -> str:
    """How two names of one skeleton differ, in words."""
    if re.sub(r"\s+", "", name) == re.sub(r"\s+", "", other):
        return "spaces"
    if name.casefold() == other.casefold():
        return "capital letters"
    if name.isascii() and other.isascii():
        return "capital letters and spaces"
    if unicodedata.normalize("NFC", name) == unicodedata.normalize("NFC", other):
        return "how its accents are stored"
    hidden = sorted({c for c in name + other if unicodedata.category(c) == "Cf"})
    if hidden:
        return f"an invisible character ({_code(hidden[0])})"
    pair = next(
        ((a, b) for a, b in zip(name, other, strict=False) if skeleton(a) == skeleton(b) and a != b), None
    )
    if pair is None or pair[0].casefold() == pair[1].casefold():
        return "letters that look alike"
    return f"letters that look alike ({_letter(pair[0])} in place of {_letter(pair[1])})"


def _code(character: str) -> str:
    return f"U+{ord(character):04X}"


def _letter(character: str) -> str:
    """A letter by its name in Unicode, such as 'Cyrillic small letter a'."""
    name = unicodedata.name(character, "").capitalize()
    return name or _code(character)


def name_fault(name: str) -> Fault | None:
    """What is wrong with a name as such, or None."""
    if len(name) > MAX_LENGTH:
        return Fault(
            f"A name of {len(name)} characters is too long.",
            "Shorten it; look for a quotation mark that is not closed.",
        )
    if not name.isprintable():
        if any(c in "\r\n\t\u2028\u2029" for c in name):
            return Fault("The name holds a line break or a tab.", "Write the name on one line.")
        hidden = [c for c in name if unicodedata.category(c) in ("Cf", "Cc", "Co", "Cn", "Cs")]
        if hidden:
            codes = ", ".join(sorted({f"U+{ord(c):04X}" for c in hidden}))
            return Fault(
                f"The name holds an invisible character ({codes}).",
                "Delete the cell and type the name again.",
                Severity.WARNING,
            )
    if "-" in name and _SPOILT_DATE.fullmatch(name):
        return Fault(
            "This looks like a name that a spreadsheet has turned into a date.",
            "Compare with the original; format the column as text before typing names.",
            Severity.WARNING,
        )
    if "E+" in name and _SPOILT_NUMBER.fullmatch(name):
        return Fault(
            "This looks like a name that a spreadsheet has turned into a number.",
            "Compare with the original; format the column as text before typing names.",
            Severity.WARNING,
        )
    if name[0] in "=+-@" and len(name) > 1:
        return Fault(
            f"The name begins with {name[0]!r}; a spreadsheet takes it for a formula.",
            "It is kept as it is. Open results in worklist.xlsx rather than the .csv files, or rename it.",
            Severity.WARNING,
        )
    if name in ("NA", "N/A", "n/a", "-", "--", "?", "."):
        return Fault(
            "This is read as a name.",
            "Leave the cell empty where the name is not known.",
            Severity.WARNING,
        )
    return None


def meant(name: str, known: Iterable[str], index: dict[str, list[str]] | None = None) -> str:
    """The one known name that this one is probably a spelling of, or ""."""
    index = loose_index(known) if index is None else index
    found = [k for k in index.get(loose_skeleton(name), []) if k != name]
    return found[0] if len(found) == 1 else ""


def did_you_mean(name: str, close: str) -> str:
    """The question whether another name is meant; it says how they differ where the eye cannot see it."""
    if skeleton(name) != skeleton(close) or name.casefold() == close.casefold():
        return f"Did you mean {close!r}?"
    return f"Did you mean {close!r}, which differs by {difference(name, close)}?"


def loose_index(known: Iterable[str]) -> dict[str, list[str]]:
    """Known names by their loose skeleton."""
    index: dict[str, list[str]] = {}
    for name in known:
        index.setdefault(loose_skeleton(name), []).append(name)
    return index
