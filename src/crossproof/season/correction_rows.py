"""A row of corrections.csv as a value, and when two rows say the same."""

from __future__ import annotations

import re

import pandas as pd

from crossproof.model.corrections import Correction, CorrectionKind


def read_kind(text: str) -> CorrectionKind | None:
    """The kind a user's text names; case, underscores, hyphens and spaces alike; None if it names none."""
    wanted = re.sub(r"[\s_-]+", " ", text.strip().lower())
    return next((k for k in CorrectionKind if k.value == wanted), None)


_EITHER_WAY = frozenset(
    {
        CorrectionKind.SWAP_WELLS,
        CorrectionKind.SWAP_TAGS,
        CorrectionKind.SWAP_PODS,
        CorrectionKind.SWAP_LINES,
        CorrectionKind.EXCHANGE_PLATES,
    }
)


def without_note(c: Correction) -> Correction:
    """The row without its note, the two sides of a swap in one order: what makes two rows the same."""
    target, other = sorted([c.target, c.other]) if c.kind in _EITHER_WAY else (c.target, c.other)
    return Correction(c.kind, target, other, c.detail.strip().lower())


def correction_of(row: pd.Series) -> Correction | None:
    """A row of corrections.csv as a value; None where it names no kind of correction."""
    kind = read_kind(cell_text(row, "kind"))
    if kind is None:
        return None
    return Correction(kind, *(cell_text(row, c) for c in ("target", "other", "detail", "note")))


def cell_text(row: pd.Series, column: str) -> str:
    value = row.get(column, "")
    return value.strip() if isinstance(value, str) else ""
