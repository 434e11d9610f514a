"""Line genotypes as they were when the run-wide estimates were made, an input ever after.

A further replicate of a line that agrees with it fills a gap here and sharpens a call there. It is no reason
to judge all crosses of the season again, so a line stays as it was kept unless its tubes were changed in the
records, its replicates contradict each other, or they now say something else at many markers.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from crossproof.inference.season_model import Panel, PanelBlock
from crossproof.model.arrays import Ints, UInt8s
from crossproof.model.genotypes import Markers, n_genotypes
from crossproof.model.plates import Role
from crossproof.season.evidence import from_percents, percents

Tube = tuple[str, str]

MATERIAL = 10
"""Percentage points by which a genotype's probability must move to count as another reading of a marker."""
MANY = 0.05
"""Share of a line's markers that must read otherwise before the line is taken anew."""


@dataclass(frozen=True)
class KeptLines:
    """`markers`: id and alleles, in the order of the numbers; `tubes`: (batch, sample) of every line;
    `values`: per line its genotypes' percents, markers end to end."""

    markers: tuple[tuple[str, tuple[str, ...]], ...]
    tubes: Mapping[str, tuple[Tube, ...]]
    values: Mapping[str, UInt8s]

    def to_dict(self) -> dict[str, Any]:
        """As plain data for calibration.json."""
        return {
            "markers": [[name, list(alleles)] for name, alleles in self.markers],
            "lines": {
                line: {
                    "tubes": [list(t) for t in tubes],
                    "percent": base64.b64encode(zlib.compress(self.values[line].tobytes(), 6)).decode(),
                }
                for line, tubes in sorted(self.tubes.items())
            },
        }

    def moved(self, samples: pd.DataFrame) -> set[str]:
        """Lines one of whose tubes the records no longer give to them.

        `samples`: with the file that holds each row in the column batch, "" where none is known.
        """
        columns = (samples[name].tolist() for name in ("batch", "sample_id", "role", "line"))
        now = {(b, s): line for b, s, role, line in zip(*columns, strict=True) if role == Role.PARENT}
        return {
            line
            for line, tubes in self.tubes.items()
            if any(now.get(t, now.get(("", t[1]))) != line for t in tubes)
        }


def kept_from_dict(data: Mapping[str, Any]) -> KeptLines:
    """What `to_dict` wrote; raises ValueError or KeyError where it is damaged."""
    markers = tuple((str(name), tuple(str(a) for a in alleles)) for name, alleles in data["markers"])
    size = sum(n_genotypes(len(a)) for _, a in markers)
    tubes, values = {}, {}
    for line, entry in data["lines"].items():
        # No more than what belongs there is unpacked, whatever the entry claims.
        raw = zlib.decompressobj().decompress(base64.b64decode(entry["percent"], validate=True), size + 1)
        if len(raw) != size:
            raise ValueError(f"line {line} has {len(raw)} numbers where {size} belong")
        tubes[str(line)] = tuple((str(b), str(s)) for b, s in entry["tubes"])
        values[str(line)] = np.frombuffer(raw, dtype=np.uint8)
    return KeptLines(markers, tubes, values)


def keep_lines(panel: Panel, markers: Markers, samples: pd.DataFrame) -> KeptLines:
    """Lines of one version each, as a panel has them."""
    names, parts = [], []
    for block in panel.blocks:
        names += [(str(markers.ids[r]), tuple(markers.alleles[r])) for r in block.rows]
        genotypes = block.consensus.shape[0] * block.consensus.shape[2]  # not -1: there may be no line at all
        parts.append(percents(block.consensus).transpose(1, 0, 2).reshape(len(panel.version_line), genotypes))
    batch, sample = samples["batch"].tolist(), samples["sample_id"].tolist()
    tubes, values = {}, {}
    for line in panel.lines:
        versions = panel.versions(line)
        if len(versions) == 1:
            tubes[line] = tuple((batch[w], sample[w]) for w in panel.version_wells[versions[0]])
            values[line] = np.concatenate([p[versions[0]] for p in parts])
    return KeptLines(tuple(names), tubes, values)


def with_new_lines(kept: KeptLines, found: KeptLines) -> KeptLines:
    """Kept lines and those that came since, where the markers are the same."""
    if kept.markers != found.markers:
        return kept
    new = set(found.tubes) - set(kept.tubes)
    return replace(
        kept,
        tubes={**kept.tubes, **{line: found.tubes[line] for line in new}},
        values={**kept.values, **{line: found.values[line] for line in new}},
    )


def with_kept_lines(panel: Panel, kept: KeptLines, markers: Markers, moved: Iterable[str] = ()) -> Panel:
    """The panel in whole percents, lines as they were kept but for those `moved` or read otherwise now."""
    lines = [line for line in panel.lines if line in kept.values and line not in set(moved)]
    version = {line: int(v[0]) for line in lines if len(v := panel.versions(line)) == 1}
    place, at = {}, 0
    for name, alleles in kept.markers:
        place[name, alleles] = at
        at += n_genotypes(len(alleles))
    blocks = [percents(b.consensus) for b in panel.blocks]
    sources = [_places(b, markers, place) for b in panel.blocks]
    used = [panel.set_aside[b.rows] == "" for b in panel.blocks]
    for line, number in version.items():
        before = [kept.values[line][s[s[:, 0] >= 0]] for s in sources]
        now = [b[s[:, 0] >= 0, number] for b, s in zip(blocks, sources, strict=True)]
        other = [
            (np.abs(b.astype(np.int64) - n).max(axis=1, initial=0) > MATERIAL)[u[s[:, 0] >= 0]]
            for b, n, u, s in zip(before, now, used, sources, strict=True)
        ]
        differ = np.concatenate(other) if other else np.zeros(0, dtype=bool)
        if len(differ) and differ.mean() > MANY:
            continue
        for block, source, values in zip(blocks, sources, before, strict=True):
            block[source[:, 0] >= 0, number] = values
    return replace(
        panel,
        blocks=tuple(
            replace(b, consensus=from_percents(values))
            for b, values in zip(panel.blocks, blocks, strict=True)
        ),
    )


def _places(block: PanelBlock, markers: Markers, place: Mapping[Any, int]) -> Ints:
    """Where each marker's numbers stand among the kept ones (marker, genotype), -1 where they do not."""
    starts = np.array([place.get((str(markers.ids[r]), tuple(markers.alleles[r])), -1) for r in block.rows])
    offsets = np.arange(block.consensus.shape[2])
    return np.asarray(np.where(starts[:, None] >= 0, starts[:, None] + offsets, -1), dtype=np.int64)
