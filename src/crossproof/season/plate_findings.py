"""Between the season's frames and the plate checks: plates out of records and evidence, findings into words.

- `build_plates`: frames and evidence to the arrays of `inference.plate_checks`
- `finding_rows`: findings as plain rows (JSON, report)
- `findings_by_table`: sentences for the `findings` columns of plates, crosses, lines and samples
- `finding_problems`: rows of problems.csv
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

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
from crossproof.model.plates import PLATE_FORMATS, parse_well, smallest_format
from crossproof.model.settings import Settings

MAX_MARKERS = 300
DEFAULT_INBREEDING = 0.98


def season_tables(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    panel: Panel,
    *,
    max_markers: int = MAX_MARKERS,
    inbreeding: float = DEFAULT_INBREEDING,
) -> tuple[SeasonTables, tuple[np.ndarray, ...]]:
    """The season's tables for the plate checks, and the joined marker rows of each of their blocks.

    Parameters: `crosses` (cross_id, mother, father) and `samples` (line, inbreeding) as read; `panel`.
    Markers set aside are left out; of the rest the `max_markers` most telling are used.
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
    telling: list[tuple[float, int, int]] = []
    for b, block in enumerate(panel.blocks):
        keep = panel.set_aside[block.rows] == ""
        if not keep.any() or not known:
            continue
        posterior = block.consensus[:, known].transpose(1, 0, 2).astype(np.float64)
        rate = panel.marker_call_rate[block.rows] * keep
        mean = posterior.mean(axis=0)
        score = rate * (1 - (mean**2).sum(axis=1))
        count = 20 if block.maternal else max_markers
        chosen = choose_markers(posterior, rate, np.zeros(len(rate), dtype=bool), count)
        telling += [(float(score[j]) if not block.maternal else np.inf, b, int(j)) for j in chosen if keep[j]]
    telling.sort(key=lambda t: (-t[0], t[1], t[2]))
    n_maternal = sum(math.isinf(t[0]) for t in telling)
    telling = telling[: max_markers + n_maternal]
    blocks, rows = [], []
    for k in sorted({panel.blocks[b].k for _, b, _ in telling}):
        part = sorted((b, j) for _, b, j in telling if panel.blocks[b].k == k)
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
    index = [
        np.array([number.get(p, -1) if isinstance(p, str) else -1 for p in crosses[column]], dtype=np.int64)
        for column in ("mother", "father")
    ]
    tables = SeasonTables(
        names,
        tuple(crosses["cross_id"]),
        index[0],
        index[1],
        tuple(blocks),
        f,
        np.asarray(panel.class_prior, dtype=np.float64),
        float(panel.h),
        copies,
    )
    return tables, tuple(rows)


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


def build_plates(
    samples: pd.DataFrame,
    season: SeasonTables,
    rows: tuple[np.ndarray, ...],
    wells: Wells,
    rates: ErrorRates,
    *,
    only: Iterable[str] | None = None,
) -> tuple[Plate, ...]:
    """The plates of the samples sheet, in order of name.

    Parameters: `samples` as read (after corrections): the row *position* i is well number
    `samples.index[i]` of
    `wells`, so corrected copies keep their numbers; `season`, `rows` from `season_tables`; `only`: names of
    the
    plates wanted, all by default. Rows without data are left out. Rows without plate or well form one
    unplaced
    group per batch. Two rows in one well: the first counts (the records check reports it).
    """
    batch_of, _ = wells.place
    number = samples.index.to_numpy(dtype=np.int64)
    has_data = (number < len(batch_of)) & (batch_of[np.minimum(number, len(batch_of) - 1)] >= 0)
    line_of = {name: i for i, name in enumerate(season.lines)}
    cross_of = {name: season.n_lines + i for i, name in enumerate(season.crosses)}
    # Columns as lists, once: taking single rows out of a table costs more than the checks themselves.
    column = {
        c: samples[c].tolist()
        for c in ("sample_id", "plate", "well", "role", "line", "cross_id", "plant", "pod")
        if c in samples.columns
    }
    groups: dict[tuple[str, bool], list[int]] = {}
    for i in np.flatnonzero(has_data).tolist():
        plate, well = column["plate"][i], column["well"][i]
        placed = isinstance(plate, str) and plate != "" and isinstance(well, str) and well != ""
        name = plate if placed else wells.batches[int(batch_of[number[i]])].batch
        groups.setdefault((str(name), placed), []).append(int(i))
    wanted = None if only is None else set(only)
    out = []
    for (name, placed), members in sorted(groups.items()):
        if wanted is not None and name not in wanted:
            continue
        largest = PLATE_FORMATS[-1]
        if placed:
            places = [parse_well(column["well"][i]) for i in members]
            first = dict(zip(reversed(places), reversed(members), strict=True))
            members = [i for w, i in zip(places, members, strict=True) if first[w] == i]
            places = [parse_well(column["well"][i]) for i in members]
            plate_format = smallest_format(places)
            at = np.array([[w.row, w.column] for w in places], dtype=np.int64)
            parts = [(name, members, at, plate_format)]
        else:
            parts = []
            for start in range(0, len(members), largest.wells):
                some = members[start : start + largest.wells]
                at = np.column_stack(np.divmod(np.arange(len(some)), largest.columns)).astype(np.int64)
                parts.append((name, some, at, largest))
        for part_name, part, at, plate_format in parts:
            identity, plants = [], []
            keep = []
            for place, i in enumerate(part):
                role = column["role"][i]
                if role == "blank":
                    who = EMPTY
                elif role == "parent":
                    who = line_of.get(column["line"][i], EMPTY - 100)
                else:
                    who = cross_of.get(column["cross_id"][i], EMPTY - 100)
                if who < EMPTY:
                    continue  # its line or cross is not on record: nothing to compare it with
                keep.append(place)
                identity.append(who)
                plants.append(str(column["plant"][i]) if role == "progeny" else "")
            if not keep:
                continue
            part = [part[p] for p in keep]
            numbers = number[part]
            blocks = []
            for block, joined in zip(season.blocks, rows, strict=True):
                likelihood = wells.likelihood(joined, numbers, block.k, rates)
                blocks.append(
                    WellBlock(
                        block.k,
                        likelihood.astype(np.float32),
                        wells.codes(joined, numbers),
                        _depths(wells, joined, numbers, block.k),
                    )
                )
            batches = sorted({wells.batches[int(b)].batch for b in batch_of[numbers]})
            out.append(
                Plate(
                    part_name,
                    ";".join(batches),
                    plate_format,
                    at[keep, 0],
                    at[keep, 1],
                    tuple(str(column["sample_id"][i]) for i in part),
                    tuple(plants),
                    np.array(identity, dtype=np.int64),
                    tuple(blocks),
                    placed,
                    tuple(str(column["pod"][i]) for i in part) if "pod" in column else (),
                )
            )
    return tuple(out)
