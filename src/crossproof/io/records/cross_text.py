"""Two parents written in one cell: `mother x father`, the mother first.

A slash is the pedigree sign of Purdy et al. 1968 (Crop Science 8:405-406): the female parent stands left, and
`//` joins parents one cross later than `/`.
"""

from __future__ import annotations

import re
from collections.abc import Collection

from crossproof.io.problems import Fault

_TWO_COLUMNS = "Write the parents in two columns, mother and father, instead."


def split_cross(text: str, known: Collection[str]) -> tuple[tuple[str, str], Fault | None]:
    """Mother and father of a cross text; ("", "") with a fault where none or several splits fit.

    `known` are the names of lines and crosses, which settle where names hold a slash or an x of their own.
    """
    splits = _splits(text)
    every = [pair for level in splits for pair in level]
    sure = [pair for pair in every if pair[0] in known and pair[1] in known]
    if len(sure) == 1:
        return sure[0], None
    for level in splits:
        if len(level) == 1 and not sure:
            return level[0], None
        if level:
            ways = " or ".join(f"{m!r} by {f!r}" for m, f in (sure or level)[:3])
            return ("", ""), Fault(f"The parents cannot be told apart: {ways}.", _TWO_COLUMNS)
    if re.search(r"[×/]|\s[xX]\s|^\s*[xX]\s|\s[xX]\s*$", text):
        return ("", ""), Fault("One of the two parents is missing.", "Write mother x father.")
    return ("", ""), _no_separator(text, known)


def _splits(text: str) -> list[list[tuple[str, str]]]:
    """Every way to split, by level: the multiplication sign or a lone x, then //, then /."""
    levels = []
    for pattern in (r"\s*×\s*|\s+[xX]\s+", r"\s*(?<!/)//(?!/)\s*", r"\s*(?<!/)/(?!/)\s*"):
        pairs = []
        for match in re.finditer(pattern, text):
            mother, father = text[: match.start()].strip(), text[match.end() :].strip()
            if mother and father:
                pairs.append((mother, father))
        levels.append(pairs)
    return levels


def _no_separator(text: str, known: Collection[str]) -> Fault:
    problem = "The parents are not separated by x, × or /."
    for match in re.finditer(r"\s*(?:\*|\+|&|;|,|\||\bby\b|\bX\b|[xX]|-+>?|:|\s)\s*", text):
        mother, father = text[: match.start()].strip(), text[match.end() :].strip()
        if mother in known and father in known:
            return Fault(problem, f"Write {mother} x {father}, with spaces around the x.")
    if whole := re.fullmatch(r"(.+?)\s*(?:\*|\+|&|;|\||\bby\b)\s*(.+)", text):
        return Fault(problem, f"Write {whole.group(1)} x {whole.group(2)}, if these are mother and father.")
    return Fault(problem, "Write mother x father, with spaces around the x.")
