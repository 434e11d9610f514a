"""Evidence of many families in one file: arrays end to end, and how many rows belong to each family."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.season_results import FamilyResult
from crossproof.season.work_folder import read_kept_bytes, write_kept_bytes

_SCALARS = (str, bool, int, float)


def _axis_of(name: str) -> str:
    """The axis along which a field of FamilyResult is stacked."""
    for prefix in (
        "mother_version",
        "father_version",
        "departure_",
        "marker_rows",
        "parent_faults",
        "phase_open",
        "segregates",
    ):
        if name.startswith(prefix):
            return prefix
    return "plant"


def write_evidence(path: Path, results: Sequence[FamilyResult], digests: Sequence[str]) -> None:
    """Write families' evidence with the digest of what each follows from; whole or not at all."""
    assert len(results) == len(digests)
    hints = get_type_hints(FamilyResult)
    arrays: dict[str, NDArray[Any]] = {
        "digest": np.array(digests, dtype=np.str_),
        "count": np.array(len(results)),
    }
    for field in fields(FamilyResult):
        values = [getattr(r, field.name) for r in results]
        if hints[field.name] in _SCALARS:
            arrays[field.name] = np.array(values) if values else np.zeros(0)
            continue
        axis = f"size:{_axis_of(field.name)}"
        sizes = np.array([len(v) for v in values], dtype=np.int64)
        if not np.array_equal(arrays.setdefault(axis, sizes), sizes):
            raise ValueError(f"{field.name} has other lengths than the fields that it is stacked with")
        arrays[field.name] = np.concatenate(values) if values else np.zeros(0)
    buffer = io.BytesIO()
    np.savez(buffer, allow_pickle=False, **arrays)
    write_kept_bytes(path, buffer.getvalue())


def read_evidence(path: Path) -> list[tuple[str, FamilyResult]]:
    """Digest and evidence of every family in a file; nothing where there is no file or it is damaged."""
    data = read_kept_bytes(path)
    if data is None:
        return []
    with np.load(io.BytesIO(data), allow_pickle=False) as stored:
        return _unstacked({name: stored[name] for name in stored.files})


def _unstacked(arrays: Mapping[str, NDArray[Any]]) -> list[tuple[str, FamilyResult]]:
    hints = get_type_hints(FamilyResult)
    columns: dict[str, list[Any]] = {}
    count = int(arrays["count"])
    for field in fields(FamilyResult):
        stacked = arrays[field.name]
        if hints[field.name] in _SCALARS:
            columns[field.name] = [hints[field.name](v) for v in stacked.tolist()]
        else:
            ends = np.cumsum(arrays[f"size:{_axis_of(field.name)}"]).tolist()
            columns[field.name] = [stacked[a:b] for a, b in zip([0, *ends], ends, strict=False)]
    return [
        (str(arrays["digest"][i]), FamilyResult(**{name: values[i] for name, values in columns.items()}))
        for i in range(count)
    ]
