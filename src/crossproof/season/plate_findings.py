"""Between the season's frames and the plate checks: plates out of records and evidence.

- `season_tables`: lines, crosses and the most telling markers
- `build_plates`: frames and evidence to the arrays of the plate checks
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from crossproof.inference.evidence.blocks import ErrorRates, Wells
from crossproof.inference.lines.panel import FIXED_LINE, UNKNOWN_COPY, Panel
from crossproof.inference.plates.arrays import (
    EMPTY,
    Plate,
    SeasonBlock,
    SeasonTables,
    WellBlock,
    choose_markers,
)
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.model.arrays import Ints
from crossproof.model.plates import PLATE_FORMATS, PlateFormat, Role, parse_well, smallest_format
from crossproof.model.settings import Settings

MAX_MARKERS = 300
MAX_MATERNAL = 20
"""Markers inherited from the mother that are used beside the others."""
DEFAULT_INBREEDING = 0.98


def season_tables(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    panel: Panel,
    *,
    max_markers: int = MAX_MARKERS,
    inbreeding: float = DEFAULT_INBREEDING,
    telling: bool = True,
) -> tuple[SeasonTables, tuple[np.ndarray, ...]]:
    """The season's tables for the plate checks, and the joined marker rows of each of their blocks.

    Parameters: `crosses` (cross_id, mother, father) and `samples` (line, inbreeding) as read; `panel`.
    Markers set aside are left out; of the rest the `max_markers` most telling are used. Without `telling` the
    first ones are, whether set aside or not: they show at least which wells call.
    """
    typed = {line for line in samples["line"] if isinstance(line, str) and line}
    parents = {p for column in ("mother", "father") for p in crosses[column] if isinstance(p, str) and p}
    names = tuple(sorted(typed | parents))
    number = {name: i for i, name in enumerate(names)}
    given = samples.dropna(subset=["inbreeding"]).groupby("line")["inbreeding"].mean().to_dict()
    f = np.array([float(given.get(name, inbreeding)) for name in names])
    main = [int(v[0]) if len(v := panel.versions(name)) else -1 for name in names]
    copies = _copies(panel, names, main)
    f = np.where((copies[:, 0] != FIXED_LINE) & ~np.isin(names, list(given)), 0.0, f)
    known = [v for v in main if v >= 0]
    every = [(b, j) for b, block in enumerate(panel.blocks) for j in range(len(block.rows))]
    chosen = _most_telling(panel, known, max_markers) if telling else every[:max_markers]
    blocks, rows = _season_blocks(panel, chosen)
    index = [
        np.array([number.get(p, -1) if isinstance(p, str) else -1 for p in crosses[column]], dtype=np.int64)
        for column in ("mother", "father")
    ]
    tables = SeasonTables(
        names,
        tuple(crosses["cross_id"]),
        index[0],
        index[1],
        blocks,
        f,
        np.asarray(panel.class_prior, dtype=np.float64),
        float(panel.h),
        copies,
    )
    return tables, rows


def _most_telling(panel: Panel, known: list[int], max_markers: int) -> list[tuple[int, int]]:
    """Block and place in it of the most telling markers, those inherited from the mother besides."""
    telling: list[tuple[float, int, int]] = []
    for b, block in enumerate(panel.blocks):
        keep = panel.set_aside[block.rows] == ""
        if not keep.any() or not known:
            continue
        posterior = block.consensus[:, known].transpose(1, 0, 2).astype(np.float64)
        rate = panel.marker_call_rate[block.rows] * keep
        mean = posterior.mean(axis=0)
        score = rate * (1 - (mean**2).sum(axis=1))
        count = MAX_MATERNAL if block.maternal else max_markers
        chosen = choose_markers(posterior, rate, np.zeros(len(rate), dtype=bool), count)
        telling += [(float(score[j]) if not block.maternal else np.inf, b, int(j)) for j in chosen if keep[j]]
    telling.sort(key=lambda t: (-t[0], t[1], t[2]))
    n_maternal = sum(math.isinf(t[0]) for t in telling)
    return [(b, j) for _, b, j in telling[: max_markers + n_maternal]]


def _season_blocks(
    panel: Panel, chosen: list[tuple[int, int]]
) -> tuple[tuple[SeasonBlock, ...], tuple[np.ndarray, ...]]:
    """The chosen markers by number of alleles, and the joined rows of each block."""
    blocks, rows = [], []
    for k in sorted({panel.blocks[b].k for b, _ in chosen}):
        part = sorted((b, j) for b, j in chosen if panel.blocks[b].k == k)
        joined = np.array([panel.blocks[b].rows[j] for b, j in part], dtype=np.int64)
        blocks.append(
            SeasonBlock(
                k,
                tuple(str(r) for r in joined),
                np.stack([panel.blocks[b].q[j] for b, j in part]).astype(np.float64),
                np.array([panel.blocks[b].maternal for b, _ in part], dtype=bool),
            )
        )
        rows.append(joined)
    return tuple(blocks), tuple(rows)


def _copies(panel: Panel, names: tuple[str, ...], main: list[int]) -> np.ndarray:
    """Lines that every line is the F1 of, (line, 2), as `SeasonTables.copies`."""
    number = {name: i for i, name in enumerate(names)}
    out = np.full((len(names), 2), FIXED_LINE, dtype=np.int64)
    for i, version in enumerate(main):
        if version >= 0 and len(panel.copies) and panel.copies[version, 0] != FIXED_LINE:
            out[i] = [
                UNKNOWN_COPY if v == UNKNOWN_COPY else number[panel.lines[panel.version_line[v]]]
                for v in panel.copies[version].tolist()
            ]
    return out


def named_markers(
    season: SeasonTables, rows: tuple[np.ndarray, ...], wells: Wells, settings: Settings
) -> SeasonTables:
    """The tables with the markers' own names in place of their rows, and their places on the map."""
    chromosome, morgan = wells.genetic_map(settings)

    blocks = tuple(
        replace(
            b,
            markers=tuple(str(wells.markers.ids[r]) for r in part),
            chromosome=chromosome[part],
            morgan=morgan[part],
        )
        for b, part in zip(season.blocks, rows, strict=True)
    )
    return replace(season, blocks=blocks)


def _depths(wells: Wells, rows: np.ndarray, numbers: np.ndarray, k: int) -> np.ndarray | None:
    """Reads per allele (marker, well, allele), None where a well has none."""
    out = np.zeros((len(rows), len(numbers), k), dtype=np.int64)
    any_depths = False
    batch_of, column_of = (place[numbers] for place in wells.place)
    for b in np.unique(batch_of[batch_of >= 0]):
        target = np.flatnonzero(batch_of == b)
        for block in wells.batches[b].blocks:
            if block.depths is None or block.k != k:
                continue
            shared, here, there = np.intersect1d(rows, block.rows, return_indices=True)
            if len(shared):
                any_depths = True
                out[np.ix_(here, target)] = block.depths[np.ix_(there, column_of[target])]
    return out if any_depths else None


@dataclass(frozen=True)
class _Rows:
    """The samples sheet as lists by column, and which wells its rows are.

    Taking single rows out of a table costs more than the checks themselves.
    """

    column: Mapping[str, list[Any]]
    number: Ints
    batch_of: Ints
    wells: Wells

    def batch(self, i: int) -> str:
        """Genotype file of a row."""
        return self.wells.batches[int(self.batch_of[self.number[i]])].batch

    def groups(self) -> dict[tuple[str, bool], list[int]]:
        """Rows with data by plate, True; those without plate or well by genotype file, False."""
        limit = len(self.batch_of)
        has_data = (self.number < limit) & (self.batch_of[np.minimum(self.number, limit - 1)] >= 0)
        found: dict[tuple[str, bool], list[int]] = {}
        for i in np.flatnonzero(has_data).tolist():
            plate, well = self.column["plate"][i], self.column["well"][i]
            placed = isinstance(plate, str) and plate != "" and isinstance(well, str) and well != ""
            found.setdefault((str(plate if placed else self.batch(i)), placed), []).append(int(i))
        return found

    def laid_out(self, members: list[int], placed: bool) -> list[_Part]:
        """Rows with their places: of a plate by its wells, others in the order of the sheet."""
        if placed:
            places = [parse_well(self.column["well"][i]) for i in members]
            first = dict(zip(reversed(places), reversed(members), strict=True))
            single = [i for w, i in zip(places, members, strict=True) if first[w] == i]
            places = [parse_well(self.column["well"][i]) for i in single]
            at = np.array([[w.row, w.column] for w in places], dtype=np.int64)
            return [_Part(single, at, smallest_format(places))]
        largest = PLATE_FORMATS[-1]
        parts = []
        for start in range(0, len(members), largest.wells):
            some = members[start : start + largest.wells]
            at = np.column_stack(np.divmod(np.arange(len(some)), largest.columns)).astype(np.int64)
            parts.append(_Part(some, at, largest))
        return parts


@dataclass(frozen=True)
class _Part:
    """Rows of one plate, their row and column on it (row, 2), and its format."""

    members: list[int]
    at: Ints
    plate_format: PlateFormat


def build_plates(
    samples: pd.DataFrame,
    season: SeasonTables,
    rows: tuple[np.ndarray, ...],
    wells: Wells,
    rates: ErrorRates,
    *,
    only: Iterable[str] | None = None,
    each: Each = one_by_one,
) -> tuple[Plate, ...]:
    """The plates of the samples sheet, in order of name.

    Parameters: `samples` as read (after corrections): the row *position* i is well number `samples.index[i]`
    of `wells`, so corrected copies keep their numbers; `season`, `rows` from `season_tables`; `only`: names
    of the plates wanted, all by default; `each` does the same for every plate. Rows without data are left
    out. Rows without plate or well form one unplaced group per batch. Two rows in one well: the first counts
    (the records check reports it).
    """
    columns = ("sample_id", "plate", "well", "role", "line", "cross_id", "plant", "pod")
    table = _Rows(
        {c: samples[c].tolist() for c in columns if c in samples.columns},
        samples.index.to_numpy(dtype=np.int64),
        wells.place[0],
        wells,
    )
    recorded = {(Role.PARENT, name): i for i, name in enumerate(season.lines)}
    recorded |= {(Role.PROGENY, name): season.n_lines + i for i, name in enumerate(season.crosses)}
    wanted = None if only is None else set(only)
    parts = [
        (name, placed, part)
        for (name, placed), members in sorted(table.groups().items())
        if wanted is None or name in wanted
        for part in table.laid_out(members, placed)
    ]

    def of_part(which: tuple[str, bool, _Part]) -> Plate | None:
        return _plate(*which, table, recorded, season, rows, rates)

    # The first here: what all plates ask for is then known before work is dealt out.
    found = [*map(of_part, parts[:1]), *each(of_part, parts[1:])]
    return tuple(plate for plate in found if plate is not None)


def _identity(table: _Rows, i: int, recorded: Mapping[tuple[Role, str], int]) -> int | None:
    """Whose sample a row is; None where its line or cross is not on record and nothing can be compared."""
    role = table.column["role"][i]
    if role == Role.BLANK:
        return EMPTY
    if role == Role.PARENT:
        return recorded.get((Role.PARENT, table.column["line"][i]))
    return recorded.get((Role.PROGENY, table.column["cross_id"][i]))


def _plate(
    name: str,
    placed: bool,
    part: _Part,
    table: _Rows,
    recorded: Mapping[tuple[Role, str], int],
    season: SeasonTables,
    rows: tuple[np.ndarray, ...],
    rates: ErrorRates,
) -> Plate | None:
    """One plate with its evidence; None where none of its rows can be compared with anything."""
    whose = [_identity(table, i, recorded) for i in part.members]
    keep = [place for place, who in enumerate(whose) if who is not None]
    if not keep:
        return None
    members = [part.members[place] for place in keep]
    numbers, column, wells = table.number[members], table.column, table.wells
    blocks = tuple(
        WellBlock(
            block.k,
            wells.likelihood(joined, numbers, block.k, rates).astype(np.float32),
            wells.codes(joined, numbers),
            _depths(wells, joined, numbers, block.k),
        )
        for block, joined in zip(season.blocks, rows, strict=True)
    )
    return Plate(
        name,
        ";".join(sorted({table.batch(i) for i in members})),
        part.plate_format,
        part.at[keep, 0],
        part.at[keep, 1],
        tuple(str(column["sample_id"][i]) for i in members),
        tuple(str(column["plant"][i]) if column["role"][i] == Role.PROGENY else "" for i in members),
        np.array([whose[place] for place in keep], dtype=np.int64),
        blocks,
        placed,
        tuple(str(column["pod"][i]) for i in members) if "pod" in column else (),
    )
