"""The exact rules for single VCF values: genotypes, alleles, positions.

These are the slow path: the scan looks up the few usual spellings by table and sends everything else here.
Rules follow the VCF specification 4.1 to 4.5, sections 1.4 and 1.6.
"""

from __future__ import annotations

import re
from functools import lru_cache

from crossproof.model.sentinels import ABSENT, MISSING

MAX_POS = 2**31 - 1

_BASES = re.compile(r"^[ACGTNacgtn]+$")
_SYMBOLIC = re.compile(r"^<[^<>\s,]+>$")
_BREAKEND = re.compile(
    r"^(?:[ACGTNacgtn]+[\[\]][^\[\]\s,]+[\[\]]|[\[\]][^\[\]\s,]+[\[\]][ACGTNacgtn]+|\.[ACGTNacgtn]+|[ACGTNacgtn]+\.)$"
)
_FLOAT = re.compile(r"^[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?$|^[-+]?(?:inf|infinity|nan)$", re.I)
_GT_SPLIT = re.compile(r"[/|]")
_ALLELE = re.compile(r"^(?:\.|0|[1-9]\d{0,5})$")
AGAIN = "Export the file again from the variant caller."


class Refused(ValueError):
    """A value that cannot be read; carries the reason and the remedy.

    `record_only`: it says nothing against the rest of the file, which can go on without the record.
    """

    def __init__(self, why: str, remedy: str, column: str = "", *, record_only: bool = False) -> None:
        super().__init__(why)
        self.why, self.remedy, self.column, self.record_only = why, remedy, column, record_only


@lru_cache(maxsize=1 << 16)
def parse_gt(text: str) -> tuple[int, int]:
    """Alleles of one GT value: numbers from 0, MISSING, or ABSENT in the second place of a haploid call.

    The phasing separators / and | are read alike; VCF 4.4 and later may put one in front ('/0/1', '|0').
    '.' alone says nothing of the number of copies and is read as a diploid call with both missing.
    Raises Refused for anything else.
    """
    if text == ".":
        return MISSING, MISSING
    body = text[1:] if text[:1] in ("/", "|") else text
    parts = _GT_SPLIT.split(body)
    if not all(_ALLELE.match(p) for p in parts):
        raise Refused(
            "This is not a genotype: alleles are numbers or '.', separated by / or |.",
            "Export the file again; a value that stops in the middle means a damaged file.",
        )
    if len(parts) > 2:
        raise Refused(
            f"The genotype has {len(parts)} alleles; only diploid and haploid calls can be judged.",
            "Call the genotypes again with ploidy 2.",
            record_only=True,
        )
    numbers = [MISSING if p == "." else int(p) for p in parts]
    return (numbers[0], numbers[1]) if len(numbers) == 2 else (numbers[0], ABSENT)


@lru_cache(maxsize=1 << 14)
def parse_alleles(ref: str, alt: str) -> tuple[str, ...]:
    """Alleles of a record, REF first, bases in capitals. Raises Refused where the grammar is broken."""
    if not _BASES.match(ref):
        raise Refused(
            f"REF {ref!r} is not a sequence of the bases A, C, G, T, N.",
            "Export the file again from the variant caller; REF must be the reference's own bases.",
        )
    if alt == ".":
        return (ref.upper(),)
    alleles = [ref.upper()]
    for allele in alt.split(","):
        if _BASES.match(allele):
            alleles.append(allele.upper())
        elif allele == "*" or _SYMBOLIC.match(allele) or _BREAKEND.match(allele):
            alleles.append(allele)
        else:
            raise Refused(
                f"ALT {allele!r} is neither bases nor a symbolic allele such as <DEL>, *, or a breakend.",
                "Export the file again from the variant caller.",
            )
    if len(set(alleles)) < len(alleles):
        raise Refused(
            f"The alleles {','.join(alleles)} are not all different.",
            "Export the file again; each allele may be listed once.",
        )
    return tuple(alleles)


def parse_pos(text: bytes) -> int:
    """Position of a record, 0 to 2^31 - 1. Raises Refused."""
    if not text.isdigit() or len(text) > 10 or int(text) > MAX_POS:
        raise Refused(
            "POS must be a whole number from 0 to 2147483647.", "Export the file again from the caller."
        )
    return int(text)


@lru_cache(maxsize=1 << 12)
def is_number(text: str) -> bool:
    """True for '.' and for a float as the VCF specification writes it (the QUAL column)."""
    return text == "." or _FLOAT.match(text) is not None
