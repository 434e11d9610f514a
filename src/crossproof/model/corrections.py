"""The user's answers to what the plate checks propose: one row of corrections.csv each."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class CorrectionKind(StrEnum):
    """What a row of corrections.csv does. `target`, `other` and `detail` mean what stands beside each
    kind."""

    ROTATE = "rotate plate"
    """target: plate. The plate was turned by 180 degrees."""
    MIRROR = "mirror plate"
    """target: plate; detail: `left-right` or `top-bottom`."""
    SHIFT = "shift plate"
    """target: plate; detail: where everything moved: `right`, `left`, `down`, `up`, `forward along rows`,
    `back along rows`, `forward along columns`, `back along columns`."""
    REFILL = "refill plate"
    """target: plate; detail: how it was really filled: `by columns` (sheet says by rows) or `by rows`."""
    REVERSE_ROW = "reverse row"
    """target: plate; detail: row letter."""
    REVERSE_COLUMN = "reverse column"
    """target: plate; detail: column number."""
    SWAP_ROWS = "swap rows"
    """target: plate; detail: two row letters, `B and F`."""
    SWAP_COLUMNS = "swap columns"
    """target: plate; detail: two column numbers, `3 and 7`."""
    PART = "part of plate"
    """target: plate; detail: which part is placed how, in the words of the finding, such as
    `quadrant 2 rotated`, `halves left and right exchanged`, `column 6 shifted down by a well`."""
    EXCHANGE_PLATES = "exchange plates"
    """target, other: plates."""
    SWAP_WELLS = "swap wells"
    """target, other: `PLATE:WELL` each."""
    SWAP_TAGS = "swap tags"
    """target, other: crosses; plants tagged with one are of the other."""
    SWAP_PODS = "swap pods"
    """target, other: `CROSS:POD` each; plants of one pod were put under the tag of the other."""
    TAG_IS = "tag is"
    """target, other: crosses; every plant tagged `target` is of `other`."""
    REVERSE_CROSS = "reverse cross"
    """target: cross; mother and father change places in the record."""
    MOTHER_IS = "mother is"
    """target: cross; other: the line that was its mother."""
    FATHER_IS = "father is"
    """target: cross; other: the line whose pollen was used."""
    LINE_IS = "line is"
    """target, other: lines; detail: `tubes` (its parent samples are the other line), `crosses` (its crosses
    were made with the other line) or `both`."""
    SWAP_LINES = "swap lines"
    """target, other: lines whose parent samples changed places."""
    SAMPLE_IS = "sample is"
    """target: sample; other: the line it really is."""
    IGNORE_SAMPLE = "ignore sample"
    """target: sample; its data are not used. A plant left without any is to be typed again."""
    EXCLUDE_WELL = "exclude well"
    """target: `PLATE:WELL`; its data are not used. A plant left without any is to be typed again."""
    DISMISS = "dismiss"
    """target: what the finding is about (its `subject`); detail: the finding's name. Looked at and not so."""


@dataclass(frozen=True, order=True)
class Correction:
    """One row of corrections.csv, proposed by us or written by the user."""

    kind: CorrectionKind
    target: str
    other: str = ""
    detail: str = ""
    note: str = ""

    def sentence(self) -> str:
        """The row as it would be typed into corrections.csv, without the note."""
        parts = [self.kind.value, self.target]
        if self.other:
            parts.append(self.other)
        if self.detail:
            parts.append(f"({self.detail})")
        return " | ".join(parts)
