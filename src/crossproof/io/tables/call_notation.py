"""The ways in which marker tables write a call, and when one of them is certain.

Notations: a separated pair (A/G, A:G, A|G; alleles may be longer, A/AT), two letters (AG), one IUPAC letter
(A is A/A, R is A/G), a separated pair of fragment sizes (152/158), the count 0, 1 or 2 of a declared allele.
The notation is decided for each marker from all its calls together; where two would do, the marker is refused
rather than guessed. IUPAC letters: Cornish-Bowden 1985, Nucleic Acids Res 13:3021-3030, Table 1.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from enum import StrEnum

from crossproof.model.genotypes import MAX_ALLELES
from crossproof.model.sentinels import ABSENT, MISSING

MISSING_TEXTS: frozenset[str] = frozenset({"", "-", "NA", "N", "NN", "N/N", "N:N", "N|N", "./.", ".", "?"})
"""Spellings of a missing call that every table may use; capital or small letters alike."""

IUPAC_PAIRS = {"R": "AG", "Y": "CT", "S": "CG", "W": "AT", "K": "GT", "M": "AC"}
_IUPAC_MORE = frozenset("BDHV")
_BASES = frozenset("ACGT")
_PAIR = re.compile(r"^([^/:|\s]+)(?:\s*[/:|]\s*|\s+)([^/:|\s]+)$")
_SEQUENCE = re.compile(r"^[ACGTacgt]+$")
_SIZE = re.compile(r"^[1-9]\d{1,3}$")


class Notation(StrEnum):
    """How one call is written."""

    PAIR = "letters with a separator, such as A/G"
    LETTERS = "two letters, such as AG"
    ONE_LETTER = "one letter, such as A or R"
    SIZES = "fragment sizes, such as 152/158"
    COUNT = "counts 0, 1, 2 of an allele"


@dataclass(frozen=True)
class Reading:
    """What the calls of one marker mean.

    `alleles` in order; `calls`: text -> allele numbers; `faults`: text (or "" for the marker as a whole) ->
    (problem, remedy); `notation`: None where nothing was called.
    """

    alleles: tuple[str, ...] = ()
    calls: dict[str, tuple[int, int]] = field(default_factory=dict)
    faults: dict[str, tuple[str, str]] = field(default_factory=dict)
    notation: Notation | None = None
    several: bool = False


def is_missing(text: str, more: Collection[str]) -> bool:
    """True for a missing call; `more` holds the spellings that config adds, in capitals."""
    return text.upper() in MISSING_TEXTS or text.upper() in more


def split_alleles(text: str) -> tuple[str, ...]:
    """Allele names of a marker sheet's cell, such as A/G, A,G or 152/158; bases in capitals."""
    names = [part.strip() for part in re.split(r"[/,:|; ]+", text.strip()) if part.strip()]
    return tuple(_name(n) for n in names)


def _name(token: str) -> str:
    return token.upper() if _SEQUENCE.match(token) or token in ("n",) else token


def read_marker(
    texts: Collection[str],
    *,
    declared: tuple[str, ...],
    counted: str | None,
    maternal: bool,
) -> Reading:
    """Meaning of all distinct calls of one marker.

    Parameters: `texts`: distinct calls, missing ones left out; `declared`: the marker sheet's alleles, ()
    where unknown; `counted`: the allele that 0/1/2 count, None where not declared; `maternal`: a single
    allele is a haploid call. Returns a reading; its `faults` are not empty where anything is unclear.
    """
    faults: dict[str, tuple[str, str]] = {}
    parts: dict[str, tuple[str, ...]] = {}
    kinds: dict[Notation, list[str]] = {}
    for text in sorted(texts):
        try:
            written, alleles = _parse(text, declared, maternal)
        except ValueError as fault:
            why, remedy = fault.args
            faults[text] = (why, remedy)
            continue
        kinds.setdefault(written, []).append(text)
        parts[text] = alleles
    clash = _clash(kinds, maternal)
    if clash is not None:
        return Reading(faults={"": clash} | faults, notation=next(iter(kinds)), several=True)
    notation = next(iter(kinds), None)
    if notation is Notation.COUNT:
        return _counts(parts, faults, declared, counted)
    order = declared
    if declared:
        faults |= _undeclared(parts, declared)
    else:
        observed = {a for pair in parts.values() for a in pair if a}
        order = tuple(sorted(observed, key=lambda a: (int(a) if a.isdigit() else 0, a)))
    if len(order) > MAX_ALLELES and not faults:
        faults[""] = (
            f"The marker has {len(order)} alleles; at most {MAX_ALLELES} can be judged.",
            "Leave the marker out, or correct its calls.",
        )
    if faults:
        return Reading(order, {}, faults, notation)
    number = {a: i for i, a in enumerate(order)} | {"": MISSING}
    calls = {
        text: (number[pair[0]], ABSENT if len(pair) == 1 else number[pair[1]]) for text, pair in parts.items()
    }
    return Reading(order, calls, {}, notation)


def _undeclared(parts: dict[str, tuple[str, ...]], declared: tuple[str, ...]) -> dict[str, tuple[str, str]]:
    """Calls of alleles that the marker sheet does not name, and what is wrong with them."""
    strange = {text: [a for a in pair if a and a not in declared] for text, pair in parts.items()}
    return {
        text: (
            f"Allele {alleles[0]} is not among the alleles {'/'.join(declared)} of the marker sheet.",
            "Correct the call or the marker sheet; a file on the other strand must be exported again "
            "on the strand of the marker sheet.",
        )
        for text, alleles in strange.items()
        if alleles
    }


_NO_CALL = (
    "This is not a call in any notation that is read here.",
    "Correct it; if it means a missing call, add it to missing: in config.yaml; if the column is not a "
    "marker, delete it.",
)
_DELETION = (
    "'-' may mean a missing allele or a deletion.",
    "If it means missing, add this call to missing: in config.yaml; if it means a deletion, write DEL and "
    "name it under alleles in the marker sheet.",
)


def _parse(text: str, declared: tuple[str, ...], maternal: bool) -> tuple[Notation, tuple[str, ...]]:
    """Notation and alleles ("" for a missing one) of one call. Raises ValueError(problem, remedy)."""
    match = _PAIR.match(text)
    if match:
        return _separated(match[1], match[2], declared)
    if re.search(r"[/:|]", text) and len(re.split(r"[/:|]", text)) > 2:
        raise ValueError(
            "The call has more than two alleles; only diploid and haploid calls can be judged.",
            "Call the genotypes again with ploidy 2, or correct the call.",
        )
    if text in ("0", "1", "2"):
        return Notation.COUNT, (text,)
    upper = text.upper()
    if maternal and (text in declared or _name(text) in declared or (text.isdigit() and _SIZE.match(text))):
        return (Notation.SIZES if text.isdigit() else Notation.ONE_LETTER), (_name(text),)
    if len(text) == 1 and (one := _one_letter(upper, maternal)):
        return Notation.ONE_LETTER, one
    if len(text) == 2 and (two := _two_letters(text, declared)):
        return Notation.LETTERS, two
    raise ValueError(*_why_no_call(text))


def _two_letters(text: str, declared: tuple[str, ...]) -> tuple[str, ...]:
    """Alleles of two letters beside each other, "" for one that is missing; () where they are none."""
    letters = tuple(_name(c) for c in text)
    if text.isdigit() or text == "--" or not all(c in {*_BASES, "N", *declared} for c in letters):
        return ()
    return tuple("" if c == "N" and "N" not in declared else c for c in letters)


def _one_letter(letter: str, maternal: bool) -> tuple[str, ...]:
    """Alleles that a capital letter stands for, () where it is none. Raises ValueError(problem, remedy)."""
    if letter in _BASES:
        return (letter,) if maternal else (letter, letter)
    if letter in IUPAC_PAIRS:
        if maternal:
            raise ValueError(
                "The code is heterozygous, but the marker is of maternal inheritance and has one allele.",
                "Correct the call, or the marker's inheritance in the marker sheet.",
            )
        return IUPAC_PAIRS[letter][0], IUPAC_PAIRS[letter][1]
    if letter in _IUPAC_MORE:
        raise ValueError(
            f"The letter {letter} stands for three bases, so it is not a genotype.",
            "Correct it; if it means a missing call, add it to missing: in config.yaml.",
        )
    return ()


def _why_no_call(text: str) -> tuple[str, str]:
    """Problem and remedy of a text that is no call."""
    if "-" in text and text.strip("-ACGTacgt") == "":
        return _DELETION
    if re.fullmatch(r"\d+[.,]\d+([/:|]\d+[.,]\d+)?", text):
        return (
            "The call holds a decimal number; counts and fragment sizes are whole numbers.",
            "Round sizes to alleles (binning) before export, or export calls in place of probabilities.",
        )
    if text.isdigit() and _SIZE.match(text):
        return (
            "A single number may mean a homozygote, a haploid call or one allele seen.",
            f"Write a homozygote as {text}/{text}.",
        )
    return _NO_CALL


def _separated(left: str, right: str, declared: tuple[str, ...]) -> tuple[Notation, tuple[str, ...]]:
    tokens = []
    sizes = 0
    for token in (left, right):
        name = _name(token)
        if name in declared:
            tokens.append(name)
            sizes += token.isdigit()
        elif _SEQUENCE.match(token):
            tokens.append(name)
        elif _SIZE.match(token):
            tokens.append(token)
            sizes += 1
        elif token in (".", "?") or name == "N":
            tokens.append("")
        elif "-" in token and token.strip("-") == "":
            raise ValueError(*_DELETION)
        elif re.fullmatch(r"\d", token):
            raise ValueError(
                "Numbers of alleles say nothing without the alleles' names.",
                "Export the calls as letters (A/G) or as VCF; if 0/0 means a missing call, add it to "
                "missing: in config.yaml.",
            )
        elif re.fullmatch(r"\d+[.,]\d+", token):
            raise ValueError(
                "The call holds a decimal number; fragment sizes are whole numbers.",
                "Round sizes to alleles (binning) before export.",
            )
        else:
            raise ValueError(*_NO_CALL)
    seen = [t for t in tokens if t]
    if sizes and sizes != len(seen):
        raise ValueError("The call mixes a fragment size and letters.", "Correct the call.")
    return (Notation.SIZES if sizes else Notation.PAIR), tuple(tokens)


def _clash(kinds: dict[Notation, list[str]], maternal: bool) -> tuple[str, str] | None:
    """Notations of one marker that do not go together."""
    found = set(kinds)
    if len(found) <= 1 or found == {Notation.PAIR, Notation.LETTERS}:
        return None
    if maternal and found <= {Notation.PAIR, Notation.LETTERS, Notation.ONE_LETTER}:
        return None
    shown = " and ".join(f"{kinds[k][0]!r}" for k in sorted(found))
    return (
        f"The calls of this marker are written in different ways ({shown}), so that they can be read in two "
        "ways.",
        "Export all calls of a marker in one notation.",
    )


def _counts(
    parts: dict[str, tuple[str, ...]],
    faults: dict[str, tuple[str, str]],
    declared: tuple[str, ...],
    counted: str | None,
) -> Reading:
    if counted is None or len(declared) != 2 or counted not in declared:
        why = (
            "no allele is declared as the one counted"
            if counted is None
            else "the marker sheet does not give two alleles"
            if len(declared) != 2
            else f"the counted allele {counted} is not among {'/'.join(declared)}"
        )
        return Reading(
            faults={
                "": (
                    f"The calls are counts 0, 1, 2 of an allele, but {why}.",
                    "Give each marker's alleles in the marker sheet, and there a column counted_allele, or "
                    "counted_allele: second (or first) for this file in config.yaml.",
                )
            },
            notation=Notation.COUNT,
        )
    if faults:
        return Reading(declared, {}, faults, Notation.COUNT)
    one = declared.index(counted)
    dosage = {"0": (1 - one, 1 - one), "1": (0, 1), "2": (one, one)}
    return Reading(declared, {text: dosage[text] for text in parts}, {}, Notation.COUNT)
