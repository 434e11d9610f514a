"""What a report is made from: the result tables, the season's settings, and a compact store of calls."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.model.arrays import Bools, Floats, Int8s, Ints, Objects
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.sentinels import MISSING
from crossproof.text import shown


def _empty() -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True)
class PlantCalls:
    """Calls of every plant and consensus of every line, for the pictures of one plant.

    `marker_ids`, `chrom` (marker,) str, `pos` (marker,) int64, 0 where unknown; `alleles` one tuple of names
    per marker. `plants` and `lines`: names, in the order of the second axis of `codes` (marker, plant) and
    `line_codes` (marker, line): int8 genotype numbers in VCF order, MISSING where nothing is known.
    Markers are in genome order.
    """

    marker_ids: Objects
    chrom: Objects
    pos: Ints
    alleles: tuple[tuple[str, ...], ...]
    plants: tuple[str, ...]
    codes: Int8s
    lines: tuple[str, ...]
    line_codes: Int8s

    def __post_init__(self) -> None:
        m = len(self.marker_ids)
        assert len(self.chrom) == len(self.pos) == len(self.alleles) == m
        assert self.codes.shape == (m, len(self.plants))
        assert self.line_codes.shape == (m, len(self.lines))
        assert self.codes.dtype == self.line_codes.dtype == np.int8

    @cached_property
    def plant_place(self) -> dict[str, int]:
        """Column of each plant."""
        return {name: i for i, name in enumerate(self.plants)}

    @cached_property
    def line_place(self) -> dict[str, int]:
        """Column of each line."""
        return {name: i for i, name in enumerate(self.lines)}

    @cached_property
    def n_alleles(self) -> Ints:
        """Number of alleles per marker (marker,)."""
        return np.fromiter((len(a) for a in self.alleles), dtype=np.int64, count=len(self.alleles))

    def plant_codes(self, plant: str) -> Int8s:
        """Genotypes of one plant (marker,); all MISSING for a plant without calls."""
        return _column(self.codes, self.plant_place.get(plant))

    def parent_codes(self, line: str) -> Int8s:
        """Consensus genotypes of one line (marker,); all MISSING for a line never genotyped."""
        return _column(self.line_codes, self.line_place.get(line))

    def contrast(self, mother: str, father: str) -> Bools:
        """Markers at which both lines are fixed, for different alleles (marker,)."""
        m, f = self.parent_codes(mother), self.parent_codes(father)
        mask: Bools = (m != f) & is_homozygote(m) & is_homozygote(f)
        return mask

    def shared(self, mother: str, father: str) -> Bools:
        """Markers at which both lines are fixed for the same allele (marker,)."""
        m, f = self.parent_codes(mother), self.parent_codes(father)
        mask: Bools = (m == f) & is_homozygote(m)
        return mask

    def take_markers(self, keep: NDArray[np.integer]) -> PlantCalls:
        """These markers only, in this order."""
        return PlantCalls(
            self.marker_ids[keep],
            self.chrom[keep],
            self.pos[keep],
            tuple(self.alleles[i] for i in keep),
            self.plants,
            self.codes[keep],
            self.lines,
            self.line_codes[keep],
        )


def _column(codes: Int8s, place: int | None) -> Int8s:
    if place is None:
        return np.full(codes.shape[0], MISSING, dtype=np.int8)
    return codes[:, place]


_HOMOZYGOTE = np.array([a == b for a, b in genotype_alleles(8)] + [False])


def is_homozygote(codes: Int8s) -> Bools:
    """Whether genotype numbers are homozygotes; MISSING (-1) reads the last entry, which is False."""
    return _HOMOZYGOTE[codes]


@dataclass(frozen=True)
class ReportInputs:
    """Everything a report says comes from here.

    The frames carry the columns that io.result_columns declares for the result table of the same name; each
    may be empty and a missing column is treated as unknown, so that a season without operators or
    temperatures still has its report. `samples` has a row per well, `rates_by` a row per `factor` and
    `level` (factor "season" has one row for the whole).

    `findings`: rows with kind, severity (critical, warning, note; else from hold and note), place (else from
    scope and subject), sentence (or evidence), remedy, plate, wells (names such as H12 or P01:H12, a list or
    one text), log10_odds, corrections. `corrections`: the answers this run followed, rows with a sentence.
    `config` and `run` are the settings in force and run.json.
    """

    verdicts: pd.DataFrame
    crosses: pd.DataFrame = field(default_factory=_empty)
    operators: pd.DataFrame = field(default_factory=_empty)
    factors: pd.DataFrame = field(default_factory=_empty)
    rates_by: pd.DataFrame = field(default_factory=_empty)
    learning: pd.DataFrame = field(default_factory=_empty)
    control_chart: pd.DataFrame = field(default_factory=_empty)
    plates: pd.DataFrame = field(default_factory=_empty)
    samples: pd.DataFrame = field(default_factory=_empty)
    markers: pd.DataFrame = field(default_factory=_empty)
    lines: pd.DataFrame = field(default_factory=_empty)
    problems: pd.DataFrame = field(default_factory=_empty)
    changes: pd.DataFrame = field(default_factory=_empty)
    config: Mapping[str, Any] = field(default_factory=dict)
    run: Mapping[str, Any] = field(default_factory=dict)
    findings: Sequence[Mapping[str, Any]] = ()
    calls: PlantCalls | None = None
    corrections: Sequence[Mapping[str, Any]] = ()


def texts(frame: pd.DataFrame, column: str) -> list[str]:
    """A column as plain texts, "" where missing or where there is no such column."""
    if column not in frame.columns:
        return [""] * len(frame)
    return [shown(v) for v in frame[column].astype(object)]


def numbers(frame: pd.DataFrame, column: str) -> Floats:
    """A column as float64 (row,), NaN where missing, not a number, or where there is no such column."""
    if column not in frame.columns:
        return np.full(len(frame), np.nan)
    values: Floats = pd.to_numeric(frame[column], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    return values
