"""From stored calls and checked records to the evidence that the model takes.

A *well* of the model is a row of the samples sheet; wells are numbered by their row in the records table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd

from crossproof.inference.evidence.blocks import BatchEvidence, Wells, batch_evidence
from crossproof.inference.lines.panel import Panel, panel_from_arrays
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.season_results import CrossRecord, FamilyInput, LineInput, Plant
from crossproof.io.calls.batch_join import JoinedCalls
from crossproof.io.calls.store import read_arrays, read_calls, write_arrays
from crossproof.io.config.season_config import Config
from crossproof.model.arrays import Bools, Floats32, Int8s, Ints, UInt8s
from crossproof.model.genotypes import CallBatch, Markers
from crossproof.model.plates import Role
from crossproof.model.settings import Settings
from crossproof.season.work_folder import WorkFolder, digest_of

T = TypeVar("T")

PERCENT = 100
"""Line genotypes are kept in whole percents: one more replicate that agrees then changes no evidence,
and a parent plant is allowed to depart from its line by more than that anyway."""


def model_settings(config: Config) -> Settings:
    """The model's settings as configured."""
    given = {name: getattr(config, name) for name in Settings.__dataclass_fields__ if hasattr(config, name)}
    return Settings(**given)


@dataclass(frozen=True)
class StoredBatch:
    """A genotype file that could be read: its name, the digest of its calls, its samples."""

    batch: str
    digest: str
    samples: tuple[str, ...]
    markers: int


def locate_wells(samples: pd.DataFrame, stored: Sequence[StoredBatch]) -> tuple[Ints, Ints]:
    """Number of the batch and column in it of every row of the samples sheet, -1 where it has no calls.

    A row without a batch belongs to the only file that holds its sample; where several do, to none.
    """
    sizes = [len(s.samples) for s in stored]
    # Every sample of every file, last of all that of rows whose sample is nowhere.
    of_batch = np.append(np.repeat(np.arange(len(stored)), sizes), -1)
    in_batch = np.append(np.concatenate([np.arange(0), *map(np.arange, sizes)]), -1)
    every = [name for s in stored for name in s.samples]
    place = dict(zip(every, range(len(every)), strict=True))
    number = {s.batch: b for b, s in enumerate(stored)}
    names, asked = (_texts(samples[c]) for c in ("sample_id", "batch"))
    at = np.array([place.get(name, -1) for name in names], dtype=np.int64)
    wanted = np.array([number.get(batch, -2) if batch else -1 for batch in asked], dtype=np.int64)
    at[(wanted != -1) & (of_batch[at] != wanted)] = -1
    if len(place) < len(every):
        _settle_names(at, names, wanted, every, of_batch)
    return of_batch[at], in_batch[at]


def _texts(column: pd.Series) -> list[str]:
    """A column of texts as a list, at once: asked one by one, each of them costs as much as ten."""
    return list(column.to_numpy(dtype=object))


def _settle_names(at: Ints, names: list[str], wanted: Ints, every: list[str], of_batch: Ints) -> None:
    """Place anew, in `at`, the rows whose sample has a name that several samples bear."""
    places: dict[str, list[int]] = {}
    for i, name in enumerate(every):
        places.setdefault(name, []).append(i)
    for row, (name, batch) in enumerate(zip(names, wanted.tolist(), strict=True)):
        held = places.get(name, ())
        if len(held) > 1:
            found = [i for i in held if batch in (-1, of_batch[i])]
            at[row] = found[0] if len(found) == 1 else -1


@dataclass(frozen=True)
class JoinedSeason:
    """Joined markers and, per batch, where its markers and alleles stand among them.

    `rows[b]` (file marker,) joined row or -1; `recode[b]` (file marker, 8).
    """

    markers: Markers
    stored: tuple[StoredBatch, ...]
    rows: Mapping[str, Ints]
    recode: Mapping[str, Int8s]


def joined_season(joined: JoinedCalls, stored: Sequence[StoredBatch]) -> JoinedSeason:
    """The joined markers with the files they come from."""
    assert [x.batch for x in joined.maps] == [s.batch for s in stored]
    rows, recode = ({x.batch: getattr(x, name) for x in joined.maps} for name in ("rows", "recode"))
    return JoinedSeason(joined.markers, tuple(stored), rows, recode)


def write_joined(folder: Path, joined: JoinedSeason) -> None:
    """Store the joined markers for the jobs that follow."""
    m, stored = joined.markers, joined.stored
    header = {
        "ids": m.ids.tolist(),
        "chrom": m.chrom.tolist(),
        "alleles": [list(a) for a in m.alleles],
        "stored": [[s.batch, s.digest, list(s.samples), s.markers] for s in stored],
    }
    arrays = {
        "pos": m.pos,
        "maternal": m.maternal,
        "cm": m.cm,
        "sizes": np.array([len(joined.rows[s.batch]) for s in stored], dtype=np.int64),
        "rows": np.concatenate([joined.rows[s.batch] for s in stored]),
        "recode": np.concatenate([joined.recode[s.batch] for s in stored]),
    }
    write_arrays(folder, header, arrays)


def read_joined(folder: Path) -> JoinedSeason:
    """The joined markers as the panel job stored them."""
    header, arrays = read_arrays(folder)
    markers = Markers(
        np.array(header["ids"], dtype=object),
        np.array(header["chrom"], dtype=object),
        np.array(arrays["pos"]),
        tuple(tuple(a) for a in header["alleles"]),
        np.array(arrays["maternal"]),
        np.array(arrays["cm"]),
    )
    stored = tuple(StoredBatch(b, d, tuple(s), n) for b, d, s, n in header["stored"])
    ends = np.cumsum(arrays["sizes"])
    starts = ends - arrays["sizes"]
    rows = {s.batch: np.array(arrays["rows"][a:b]) for s, a, b in zip(stored, starts, ends, strict=True)}
    recode = {s.batch: np.array(arrays["recode"][a:b]) for s, a, b in zip(stored, starts, ends, strict=True)}
    return JoinedSeason(markers, stored, rows, recode)


Located = tuple[Ints, Ints]


def write_located(folder: Path, located: Located) -> None:
    """Store where every row of the samples sheet has its calls, see `locate_wells`."""
    write_arrays(folder, {}, {"batch": located[0], "column": located[1]})


def read_located(folder: Path) -> Located:
    """What `write_located` stored."""
    _, arrays = read_arrays(folder)
    return np.array(arrays["batch"]), np.array(arrays["column"])


def load_wells(
    folder: WorkFolder, joined: JoinedSeason, located: Located, wanted: Bools, each: Each = one_by_one
) -> Wells:
    """Evidence of the wanted wells (row of the samples sheet,), from the stored calls."""
    return wells_of(joined, located, wanted, lambda s: read_calls(folder.calls(s.digest), verify=False), each)


def wells_of(
    joined: JoinedSeason,
    located: Located,
    wanted: Bools,
    calls: Callable[[StoredBatch], CallBatch],
    each: Each = one_by_one,
) -> Wells:
    """Evidence of the wanted wells (row of the samples sheet,); `calls` gives those of a whole file; `each`
    does the same for every file."""
    batch, column = located
    n_alleles = joined.markers.n_alleles
    some = np.flatnonzero(wanted & (batch >= 0))
    some = some[np.argsort(batch[some], kind="stable")]
    files = np.split(some, np.flatnonzero(np.diff(batch[some])) + 1) if len(some) else []

    def of_file(rows: Ints) -> BatchEvidence:
        stored = joined.stored[batch[rows[0]]]
        well = np.full(len(stored.samples), -1, dtype=np.int64)
        well[column[rows]] = rows
        return batch_evidence(
            calls(stored),
            wells=well,
            joined_row=joined.rows[stored.batch],
            recode=joined.recode[stored.batch],
            n_alleles=n_alleles,
        )

    return Wells(joined.markers, len(batch), tuple(each(of_file, files)))


def line_inputs(samples: pd.DataFrame, located: Ints, config: Config) -> list[LineInput]:
    """Every line with a parent well, its wells with calls, its inbreeding (sheet's, else configured; 0 where
    it is given as the F1 of two lines), and these lines."""
    parents = samples[(samples["role"] == Role.PARENT) & (samples["line"] != "")]
    out = []
    for line, group in parents.groupby("line", sort=True):
        wells = tuple(int(w) for w in group.index if located[w] >= 0)
        given = group["inbreeding"].dropna()
        of = tuple(next((str(x) for x in group[c] if x), "") for c in ("line_mother", "line_father"))
        fixed = 0.0 if any(of) else config.inbreeding
        out.append(LineInput(str(line), wells, float(given.iloc[0]) if len(given) else fixed, of[0], of[1]))
    return out


def family_inputs(samples: pd.DataFrame, crosses: pd.DataFrame) -> list[FamilyInput]:
    """The progeny plants of every cross that has any, plants by name, crosses in the records' order."""
    plants: dict[str, dict[str, tuple[str, list[int]]]] = {}
    columns = (_texts(samples[c]) for c in ("role", "cross_id", "plant", "pod"))
    for row, role, cross, plant, pod in zip(samples.index.tolist(), *columns, strict=True):
        if cross and role == Role.PROGENY:
            of_cross = plants.setdefault(cross, {})
            if plant in of_cross:
                of_cross[plant][1].append(row)
            else:
                of_cross[plant] = pod, [row]
    return [
        FamilyInput(
            r.cross_id,
            r.mother,
            r.father,
            tuple(Plant(name, tuple(wells), pod) for name, (pod, wells) in sorted(named.items())),
        )
        for r in cross_records(crosses)
        if (named := plants.get(r.cross_id))
    ]


def cross_records(crosses: pd.DataFrame) -> list[CrossRecord]:
    """All crosses of the records."""
    columns = (_texts(crosses[name]) for name in ("cross_id", "mother", "father"))
    return [CrossRecord(c, m, f) for c, m, f in zip(*columns, strict=True)]


def percents(consensus: Floats32) -> UInt8s:
    """Line genotypes in whole percents, as they are kept."""
    return np.asarray(np.rint(consensus.astype(np.float64) * PERCENT), dtype=np.uint8)


def from_percents(values: UInt8s) -> Floats32:
    """Line genotypes from whole percents, summing to 1."""
    shares = values.astype(np.float64)
    return np.asarray(shares / shares.sum(axis=2, keepdims=True), dtype=np.float32)


def steady(panel: Panel) -> Panel:
    """The panel with line genotypes in whole percents: what families are judged with."""
    blocks = (_with(b, consensus=from_percents(percents(b.consensus))) for b in panel.blocks)
    return _with(panel, blocks=tuple(blocks))


def restricted(panel: Panel, rows: Bools) -> Panel:
    """The panel at some joined markers only, (joined marker,) True to keep."""
    blocks = []
    for block in panel.blocks:
        keep = rows[block.rows]
        if keep.any():
            blocks.append(
                PanelBlock(block.k, block.maternal, block.rows[keep], block.consensus[keep], block.q[keep])
            )
    return _with(panel, blocks=tuple(blocks))


def panel_digest(panel: Panel, markers: Markers) -> str:
    """Digest of what a family is judged with, at the panel's markers."""
    parts: list[Any] = [
        panel.lines, panel.version_line.tolist(), float(panel.h), panel.class_prior.tolist(),
        list(astuple(panel.tag_rates)), np.round(panel.quality, 6).tolist(),
    ]  # fmt: skip
    for block in panel.blocks:
        rows = block.rows
        parts.append(
            [
                block.k, block.maternal, markers.ids[rows].tolist(), [markers.alleles[r] for r in rows],
                markers.chrom[rows].tolist(), markers.pos[rows].tolist(),
                block.consensus.tobytes().hex(), np.round(block.q, 6).tobytes().hex(),
                panel.f[rows].tobytes().hex(), panel.d[rows].tobytes().hex(), panel.set_aside[rows].tolist(),
            ]
        )  # fmt: skip
    return digest_of(*parts)


def batches_of(family: FamilyInput, located: Sequence[int]) -> tuple[int, ...]:
    """Numbers of the files in which a family has wells, increasing; `located`: that of every well."""
    found = {located[w] for p in family.plants for w in p.wells}
    return tuple(sorted(found - {-1}))


def marker_mask(joined: JoinedSeason, batches: Iterable[int]) -> Bools:
    """Joined markers that any of these files has."""
    mask = np.zeros(len(joined.markers), dtype=bool)
    for b in batches:
        rows = joined.rows[joined.stored[b].batch]
        mask[rows[rows >= 0]] = True
    return mask


def _with(item: T, **changes: Any) -> T:
    """A copy of a frozen dataclass without its cached properties."""
    values = {field.name: getattr(item, field.name) for field in fields(cast(Any, item))}
    return type(item)(**{**values, **changes})


def read_panel(folder: WorkFolder) -> tuple[JoinedSeason, Panel]:
    """Joined markers and panel as the panel job left them."""
    _, arrays = read_arrays(folder.work("panel", "fit"))
    return read_joined(folder.work("panel", "joined")), panel_from_arrays(arrays)
