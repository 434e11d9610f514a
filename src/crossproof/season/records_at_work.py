"""Records while corrections are applied to them: places, samples, crosses and lines found by name."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from crossproof.model.plates import Role, Well, parse_well


class RefusedRow(Exception):
    """A row that cannot be applied: what is wrong, what to do, in which column."""

    def __init__(self, column: str, value: str, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.column, self.value, self.problem, self.remedy = column, value, problem, remedy


@dataclass
class RecordsAtWork:
    """Copies of the records that the rows of corrections.csv change, one row after the other."""

    samples: pd.DataFrame
    crosses: pd.DataFrame
    dismissed: set[tuple[str, str]] = field(default_factory=set)
    left_out: set[str] = field(default_factory=set)
    """Samples, and places PLATE:WELL, that rows above left out."""
    set_apart: list[pd.DataFrame] = field(default_factory=list)
    """Rows of progeny plants whose data are not used, or whose well is not known any more."""

    def set_rows_apart(self, rows: Iterable[int]) -> None:
        """Take rows out of the samples sheet; their plants stay known."""
        gone = pd.Index(list(rows))
        mine = self.samples.loc[gone]
        self.set_apart.append(mine[mine["role"] == Role.PROGENY])
        self.samples = self.samples.drop(index=gone)

    def frames(self) -> tuple[pd.DataFrame, ...]:
        """All rows with a plant's cross and pod: those of the samples sheet, and those set apart."""
        return self.samples, *self.set_apart

    def without_data(self) -> pd.DataFrame:
        """A row of every progeny plant that has none left in the samples sheet, in the order of the sheets.

        Columns are those of the samples sheet, and `_before`: how many of its rows stand before this one.
        """
        apart = pd.concat([self.samples.iloc[:0], *self.set_apart])
        sibs = self.samples[self.samples["cross_id"].isin(apart["cross_id"])]
        still = set(zip(sibs["cross_id"], sibs["plant"], strict=True))
        plants = list(zip(apart["cross_id"], apart["plant"], strict=True))
        apart = apart[[p not in still for p in plants]].sort_index()
        labels = np.sort(self.samples.index.to_numpy())
        return apart.assign(_before=np.searchsorted(labels, apart.index.to_numpy()))

    # ---- lookups, each with a message of its own ---------------------------------------------------------

    def plate(self, column: str, name: str) -> pd.Index:
        """Rows of a plate."""
        rows = self.samples.index[self.samples["plate"] == name]
        if len(rows) == 0:
            raise RefusedRow(
                column, name, f"no plate is called {name!r}.", nearest_name(name, self.samples["plate"])
            )
        return rows

    def well(self, row: int) -> Well | None:
        """Well of a row, None where the sheet gives none."""
        text = str(self.samples.at[row, "well"])
        return parse_well(text) if text else None

    def place(self, column: str, text: str) -> int:
        """Row of a PLATE:WELL."""
        plate, colon, well = text.rpartition(":")
        if not colon:
            raise RefusedRow(
                column, text, "this is not a plate and well.", "Write it as PLATE:WELL, such as P01:A1."
            )
        rows = self.plate(column, plate)
        try:
            wanted = parse_well(well)
        except ValueError as e:
            raise RefusedRow(column, text, f"{e}.", "Write it as PLATE:WELL, such as P01:A1.") from None
        for row in rows:
            if self.well(row) == wanted:
                return int(row)
        raise RefusedRow(
            column, text, f"plate {plate} lists no sample in well {well}.", "Look at the samples sheet."
        )

    def sample(self, column: str, name: str) -> pd.Index:
        """Rows of a sample."""
        rows = self.samples.index[self.samples["sample_id"] == name]
        if len(rows) == 0:
            raise RefusedRow(
                column, name, f"no sample is called {name!r}.", nearest_name(name, self.samples["sample_id"])
            )
        return rows

    def cross(self, column: str, name: str) -> int:
        """Row of a cross."""
        rows = self.crosses.index[self.crosses["cross_id"] == name]
        if len(rows) == 0:
            raise RefusedRow(
                column, name, f"no cross is called {name!r}.", nearest_name(name, self.crosses["cross_id"])
            )
        return int(rows[0])

    def pod(self, column: str, text: str) -> tuple[str, str]:
        """Cross and pod of a CROSS:POD."""
        cross, colon, pod = text.rpartition(":")
        if not colon:
            raise RefusedRow(column, text, "this is not a cross and a pod.", "Write it as CROSS:POD.")
        self.cross(column, cross)
        pods = self.samples.loc[self.samples["cross_id"] == cross, "pod"]
        if not (pods == pod).any():
            raise RefusedRow(
                column, text, f"cross {cross} has no plants of a pod {pod!r}.", nearest_name(pod, pods)
            )
        return cross, pod

    def line(self, column: str, name: str) -> str:
        """A line that a tube or a cross names."""
        known = pd.concat([self.samples["line"], self.crosses["mother"], self.crosses["father"]])
        if not (known == name).any():
            raise RefusedRow(column, name, f"no line is called {name!r}.", nearest_name(name, known))
        return name


def nearest_name(name: str, names: pd.Series) -> str:
    """A remedy that names the recorded name most like this one."""
    close = difflib.get_close_matches(name, sorted({str(n) for n in names if isinstance(n, str) and n}), 1)
    return f"Did you mean {close[0]!r}?" if close else "Look at the name in your sheets."
