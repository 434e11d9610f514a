"""One column of a results table: its name, what it means, its unit, its kind of value and its decimals."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import partial

from crossproof.model.results import Provable


class ColumnKind(StrEnum):
    """What the cells of a column hold, and with what type pandas reads them."""

    TEXT = "text"
    WHOLE = "whole number"
    NUMBER = "number"
    YES_NO = "yes or no"


@dataclass(frozen=True)
class ResultColumn:
    """A column; `decimals` None means 6 significant digits where it is a number, and else nothing."""

    name: str
    meaning: str
    unit: str = ""
    decimals: int | None = None
    told: ColumnKind | None = None

    @property
    def kind(self) -> ColumnKind:
        """What the cells hold; a column with decimals holds numbers."""
        return self.told or (ColumnKind.TEXT if self.decimals is None else ColumnKind.NUMBER)


WHOLE = partial(ResultColumn, told=ColumnKind.WHOLE)
NUMBER = partial(ResultColumn, told=ColumnKind.NUMBER)
YES_NO = partial(ResultColumn, told=ColumnKind.YES_NO)

INTERVAL = "95 % limits"
PROVABLE = ", ".join(str(state) for state in Provable if state is not Provable.UNKNOWN)


def limits(name: str, decimals: int = 4) -> tuple[ResultColumn, ...]:
    """The two limits of an estimate."""
    return (
        ResultColumn(f"{name}_low", f"{name}, {INTERVAL}, lower", "", decimals),
        ResultColumn(f"{name}_high", f"{name}, {INTERVAL}, upper", "", decimals),
    )
