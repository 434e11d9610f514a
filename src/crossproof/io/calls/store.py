"""Calls of one batch on disk: one .npy per array and a JSON header, checksummed, without pickle.

A folder is written under another name and renamed, so it is whole or not there. Arrays are mapped into
memory when read, so that a job which needs few of them pays for few.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import shutil
import tempfile
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crossproof.errors import InternalError
from crossproof.io.calls.batch_join import BatchMap, JoinedCalls, join_batches, joined_blocks
from crossproof.model.arrays import Objects
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

STORE_VERSION = 2
_HEADER = "header.json"
_SMALL = 1 << 16
"""Bytes: opening and mapping a file costs more than reading so many."""
_NPY_1 = b"\x93NUMPY\x01\x00"
"""How an .npy file of format version 1.0 begins."""


class StoreError(InternalError):
    """A stored batch is damaged or of another version; it has to be ingested again."""


def write_arrays(folder: Path, header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write arrays and a JSON header into `folder`, replacing it as a whole.

    Nothing is forced to disk, which takes longer than all else where files are many: should the machine stop
    meanwhile, what was lost does not fit its digest, and is made again (`season/kept_files.py`).
    """
    folder = Path(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    temporary = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
    try:
        sums = {}
        for name, array in arrays.items():
            sums[name] = _write_array(temporary / f"{name}.npy", np.asarray(array, order="C"))
        body = {"store_version": STORE_VERSION, "arrays": sums, **header}
        inside = json.dumps(body, ensure_ascii=False, sort_keys=True)
        text = f'{{"header": {inside}, "sha256": "{hashlib.sha256(inside.encode()).hexdigest()}"}}'
        with open(temporary / _HEADER, "w", encoding="utf-8", newline="\n") as handle:
            handle.write(text)
        os.chmod(temporary, 0o755)
        _put_in_place(temporary, folder)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise


def _put_in_place(temporary: Path, folder: Path) -> None:
    try:
        os.rename(temporary, folder)
    except OSError:
        if not folder.exists():
            raise
        # A folder cannot be renamed over a full one: move the old one aside first.
        aside = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".old", dir=folder.parent))
        os.rename(folder, aside / "old")
        os.rename(temporary, folder)
        shutil.rmtree(aside, ignore_errors=True)


def _write_array(path: Path, array: NDArray[Any]) -> str:
    """Write an .npy file; the digest of its bytes."""
    if array.nbytes > _SMALL:
        with open(path, "wb") as handle:
            np.save(handle, array, allow_pickle=False)
        with open(path, "rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    held = io.BytesIO()
    np.save(held, array, allow_pickle=False)
    path.write_bytes(held.getbuffer())
    return hashlib.sha256(held.getbuffer()).hexdigest()


def read_arrays(folder: Path, *, verify: bool = True) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Header and arrays (read-only, large ones mapped into memory) that `write_arrays` wrote.

    Raises StoreError, FileNotFoundError.
    """
    folder = Path(folder)
    try:
        held = json.loads((folder / _HEADER).read_text(encoding="utf-8"))
    except (ValueError, RecursionError, IsADirectoryError) as fault:
        raise StoreError(f"{folder}: the header does not parse ({fault})") from None
    header = held.get("header") if isinstance(held, dict) else None
    if not isinstance(header, dict) or held.get("sha256") != _json_digest(header):
        raise StoreError(f"{folder}: the header is damaged or of another version")
    if header.get("store_version") != STORE_VERSION:
        raise StoreError(f"{folder}: written by another version")
    sums = header["arrays"].items()
    return header, {name: _read_array(f"{folder}/{name}.npy", sha if verify else None) for name, sha in sums}


def _read_array(path: str, sha: str | None) -> NDArray[Any]:
    """An array, read-only, mapped into memory where that is worth it; `sha`: what its digest has to be."""
    try:
        with open(path, "rb") as handle:
            small = os.fstat(handle.fileno()).st_size <= _SMALL
            data = handle.read() if small else b""
            if sha is not None:
                found = hashlib.sha256(data) if small else hashlib.file_digest(handle, "sha256")
                if found.hexdigest() != sha:
                    raise StoreError(f"{path}: changed since it was written")
    except (FileNotFoundError, IsADirectoryError):
        raise StoreError(f"{path}: missing") from None
    if small:
        return _array_of(data)
    array: NDArray[Any] = np.load(path, mmap_mode="r", allow_pickle=False)
    array.flags.writeable = False
    return array


def _array_of(data: bytes) -> NDArray[Any]:
    """The array of the bytes of an .npy file; as numpy reads it, sooner where many have the same header."""
    if data[:8] == _NPY_1:
        start = 10 + int.from_bytes(data[8:10], "little")
        shape, by_column, dtype = _layout(data[8:start])
        if not dtype.hasobject:
            flat = np.frombuffer(data, dtype, math.prod(shape), start)
            return flat.reshape(shape, order="F" if by_column else "C")
    array: NDArray[Any] = np.load(io.BytesIO(data), allow_pickle=False)
    array.flags.writeable = False
    return array


@lru_cache(maxsize=1 << 10)
def _layout(header: bytes) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Shape, order and type that the header of an .npy file tells, from its length on."""
    return np.lib.format.read_array_header_1_0(io.BytesIO(header))


def _json_digest(header: Mapping[str, Any]) -> str:
    text = json.dumps(header, ensure_ascii=False, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def write_calls(folder: Path, batch: CallBatch) -> None:
    """Write a batch into `folder`, replacing it as a whole.

    Parameters: `folder` is made, its parents too. Raises OSError.
    """
    header, arrays = batch_arrays(batch)
    write_arrays(folder, header, arrays)


def read_calls(folder: Path, *, verify: bool = True) -> CallBatch:
    """Read a batch that `write_calls` wrote.

    Parameters: `verify`: check the checksum of every array (reads all bytes once). Returns the batch with
    read-only arrays. Raises StoreError where it is damaged, FileNotFoundError where it is absent.
    """
    header, arrays = read_arrays(folder, verify=verify)
    return batch_of(header, arrays)


def batch_arrays(batch: CallBatch) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """A batch as a JSON header and named arrays."""
    arrays: dict[str, NDArray[Any]] = {
        "pos": batch.markers.pos,
        "maternal": batch.markers.maternal,
        "cm": batch.markers.cm,
    }
    blocks = []
    for i, block in enumerate(batch.blocks):
        arrays[f"rows_{i}"], arrays[f"calls_{i}"] = block.rows, block.calls
        if block.phred is not None:
            arrays[f"phred_{i}"] = block.phred
        if block.depths is not None:
            arrays[f"depths_{i}"] = block.depths
        blocks.append(block.k)
    header = {
        "batch": batch.batch,
        "evidence": batch.evidence.value,
        "samples": list(batch.samples),
        "notes": list(batch.notes),
        "ids": batch.markers.ids.tolist(),
        "chrom": batch.markers.chrom.tolist(),
        "alleles": [list(a) for a in batch.markers.alleles],
        "blocks": blocks,
    }
    return header, arrays


def batch_of(header: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> CallBatch:
    """The batch of a JSON header and named arrays."""
    markers = Markers(
        _texts(header["ids"]),
        _texts(header["chrom"]),
        arrays["pos"],
        tuple(tuple(a) for a in header["alleles"]),
        arrays["maternal"],
        arrays["cm"],
    )
    blocks = tuple(
        CallBlock(
            k, arrays[f"rows_{i}"], arrays[f"calls_{i}"], arrays.get(f"phred_{i}"), arrays.get(f"depths_{i}")
        )
        for i, k in enumerate(header["blocks"])
    )
    return CallBatch(
        header["batch"],
        markers,
        tuple(header["samples"]),
        blocks,
        Evidence(header["evidence"]),
        tuple(header["notes"]),
    )


def _texts(values: list[str]) -> Objects:
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


__all__ = [
    "BatchMap",
    "JoinedCalls",
    "StoreError",
    "join_batches",
    "joined_blocks",
    "read_calls",
    "write_calls",
]
