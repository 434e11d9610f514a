"""What a family says of a parent line whose typing it does not simply bear out."""

from __future__ import annotations

import base64
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import n_genotypes

MOST_LINES = 8
"""Lines named in place of a doubted one, at most."""


@dataclass(frozen=True)
class DoubtPart:
    """Markers of k alleles and one inheritance: joined `rows` (m,), increasing, and `ratio` (m, n_g),
    the likelihood of the parent's genotype, scaled to mean 1 under the pool."""

    k: int
    maternal: bool
    rows: Ints
    ratio: NDArray[np.float16]


@dataclass(frozen=True)
class Doubt:
    """What one family says of one parent line whose typing it does not simply bear out.

    Natural logs on one scale: `log_typed` evidence of the parent as typed, `log_plant` of another plant, both
    with their priors; `log_tube` of a plant of the pool in the line's place, without the prior of a wrong
    tube. `lines`, `log_lines`: the panel lines that explain the family best in the line's place. Numbers are
    rounded as they are kept, so that a later run finds what this one found.
    """

    cross_id: str
    line: str
    log_typed: float
    log_plant: float
    log_tube: float
    parts: tuple[DoubtPart, ...]
    lines: tuple[str, ...]
    log_lines: tuple[float, ...]

    def at(self, k: int, maternal: bool, rows: Ints) -> tuple[Ints, Floats]:
        """Places in `rows` (increasing) of the markers it speaks of, and its ratio (m, n_g) there."""
        for part in self.parts:
            if part.k == k and part.maternal == maternal and len(rows):
                found = np.minimum(np.searchsorted(rows, part.rows), len(rows) - 1)
                here = rows[found] == part.rows
                return found[here], part.ratio[here].astype(np.float64)
        return np.empty(0, dtype=np.int64), np.empty((0, n_genotypes(k)))

    def to_dict(self, marker: Callable[[int], list[Any]]) -> dict[str, Any]:
        """As plain data; `marker` gives the id and alleles of a joined row."""
        return {
            "cross": self.cross_id,
            "line": self.line,
            "log_typed": self.log_typed,
            "log_plant": self.log_plant,
            "log_tube": self.log_tube,
            "lines": dict(zip(self.lines, self.log_lines, strict=True)),
            "parts": [
                {
                    "k": p.k,
                    "maternal": p.maternal,
                    "markers": [marker(int(r)) for r in p.rows],
                    "ratio": base64.b64encode(zlib.compress(p.ratio.astype("<f2").tobytes(), 6)).decode(),
                }
                for p in self.parts
            ],
        }


def doubt_from_dict(data: Mapping[str, Any], row: Callable[[list[Any]], int]) -> Doubt:
    """The `Doubt` that `to_dict` wrote; `row` gives the joined row of a marker's id and alleles, -1 if none.

    Raises ValueError, KeyError, TypeError or zlib.error where the data are damaged.
    """
    parts = []
    for p in data["parts"]:
        k, markers = int(p["k"]), p["markers"]
        size = len(markers) * n_genotypes(k) * 2
        raw = zlib.decompressobj().decompress(base64.b64decode(p["ratio"], validate=True), size + 1)
        if len(raw) != size:
            raise ValueError(f"the doubt of {data['cross']} has {len(raw)} bytes where {size} belong")
        ratio = np.frombuffer(raw, dtype="<f2").reshape(len(markers), -1).astype(np.float16)
        rows = np.array([row(m) for m in markers], dtype=np.int64)
        order = np.argsort(rows, kind="stable")
        order = order[rows[order] >= 0]
        parts.append(DoubtPart(k, bool(p["maternal"]), rows[order], ratio[order]))
    lines = sorted(data["lines"].items(), key=lambda item: (-float(item[1]), item[0]))
    return Doubt(
        str(data["cross"]),
        str(data["line"]),
        float(data["log_typed"]),
        float(data["log_plant"]),
        float(data["log_tube"]),
        tuple(parts),
        tuple(str(name) for name, _ in lines),
        tuple(float(value) for _, value in lines),
    )


def doubts_to_arrays(doubts: Sequence[Doubt]) -> dict[str, NDArray[Any]]:
    """Doubts as arrays without objects, for `numpy.savez`."""
    arrays: dict[str, NDArray[Any]] = {"doubts": np.array(len(doubts))}
    for i, d in enumerate(doubts):
        arrays[f"doubt{i}_names"] = np.array([d.cross_id, d.line, *d.lines], dtype=np.str_)
        arrays[f"doubt{i}_logs"] = np.array([d.log_typed, d.log_plant, d.log_tube, *d.log_lines])
        arrays[f"doubt{i}_parts"] = np.array(
            [[p.k, int(p.maternal)] for p in d.parts], dtype=np.int64
        ).reshape(-1, 2)
        for j, p in enumerate(d.parts):
            arrays[f"doubt{i}_{j}_rows"], arrays[f"doubt{i}_{j}_ratio"] = p.rows, p.ratio
    return arrays


def doubts_from_arrays(arrays: Mapping[str, NDArray[Any]]) -> tuple[Doubt, ...]:
    """The doubts that `doubts_to_arrays` took apart."""
    found = []
    for i in range(int(arrays["doubts"])):
        names = [str(x) for x in arrays[f"doubt{i}_names"]]
        logs = [float(x) for x in arrays[f"doubt{i}_logs"]]
        parts = tuple(
            DoubtPart(int(k), bool(maternal), arrays[f"doubt{i}_{j}_rows"], arrays[f"doubt{i}_{j}_ratio"])
            for j, (k, maternal) in enumerate(arrays[f"doubt{i}_parts"])
        )
        found.append(
            Doubt(names[0], names[1], logs[0], logs[1], logs[2], parts, tuple(names[2:]), tuple(logs[3:]))
        )
    return tuple(found)
