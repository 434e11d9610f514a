"""Any batch that can be stored is read back equal; damaged stores give our error, never other calls."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crossproof.io.calls.store import StoreError, batch_arrays, read_calls, write_calls
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers, n_genotypes

BOUNDED = settings(
    max_examples=int(os.environ.get("CROSSPROOF_FUZZ", "60")),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
"""Any text that a file can hold; half of a surrogate pair is none."""


@st.composite
def batches(draw: st.DrawFn) -> CallBatch:
    """Batches of every shape: no markers, no samples, several numbers of alleles, with and without fields."""
    samples = draw(st.lists(TEXT, max_size=4, unique=True))
    markers = draw(st.integers(0, 8))
    kinds = draw(st.lists(st.integers(1, 4), min_size=markers, max_size=markers))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    phred, depths = draw(st.booleans()), draw(st.booleans())
    blocks = []
    for k in sorted(set(kinds)):
        rows = np.flatnonzero(np.array(kinds) == k)
        shape = len(rows), len(samples)
        blocks.append(
            CallBlock(
                k,
                rows,
                rng.integers(-1, k, (*shape, 2)).astype(np.int8),
                rng.integers(0, 256, (*shape, n_genotypes(k))).astype(np.uint8) if phred else None,
                rng.integers(0, 65_536, (*shape, k)).astype(np.uint16) if depths else None,
            )
        )
    named = st.lists(TEXT, min_size=markers, max_size=markers)
    place = st.lists(st.integers(0, 2**31 - 1), min_size=markers, max_size=markers)
    return CallBatch(
        draw(TEXT),
        Markers(
            objects(draw(named)),
            objects(draw(named)),
            np.array(draw(place), dtype=np.int64),
            tuple(tuple(f"{draw(TEXT)}{i}" for i in range(k)) for k in kinds),
            rng.integers(0, 2, markers).astype(bool),
        ),
        tuple(samples),
        tuple(blocks),
        draw(st.sampled_from([Evidence.CALLS, Evidence.DEPTHS, Evidence.LIKELIHOODS])),
        tuple(draw(st.lists(TEXT, max_size=3))),
    )


def objects(texts: list[str]) -> np.ndarray:
    out = np.empty(len(texts), dtype=object)
    out[:] = texts
    return out


def assert_same(a: CallBatch, b: CallBatch) -> None:
    (head_a, arrays_a), (head_b, arrays_b) = batch_arrays(a), batch_arrays(b)
    assert head_a == head_b
    assert arrays_a.keys() == arrays_b.keys()
    for name, array in arrays_a.items():
        assert array.dtype == arrays_b[name].dtype, name
        np.testing.assert_array_equal(array, arrays_b[name], err_msg=name)


@BOUNDED
@given(batches(), st.booleans())
def test_written_and_read_is_equal(batch: CallBatch, verify: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        write_calls(store, batch)
        assert_same(read_calls(store, verify=verify), batch)
        assert os.listdir(folder) == ["store"]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, CallBatch]:
    """A store and the batch in it."""
    rng = np.random.default_rng(3)
    blocks = (
        CallBlock(
            2,
            np.arange(6),
            rng.integers(-1, 2, (6, 5, 2)).astype(np.int8),
            rng.integers(0, 256, (6, 5, 3)).astype(np.uint8),
            rng.integers(0, 99, (6, 5, 2)).astype(np.uint16),
        ),
    )
    names = objects([f"m{i}" for i in range(6)])
    chrom = objects(["1"] * 6)
    markers = Markers(names, chrom, 7 * np.arange(6), (("A", "G"),) * 6, np.zeros(6, bool))
    batch = CallBatch("B", markers, tuple("abcde"), blocks, Evidence.LIKELIHOODS)
    folder = tmp_path_factory.mktemp("sound") / "store"
    write_calls(folder, batch)
    return folder, batch


@BOUNDED
@given(st.data())
def test_damage_gives_our_error_and_never_other_calls(
    sound: tuple[Path, CallBatch], data: st.DataObject
) -> None:
    store, batch = sound
    names = sorted(p.name for p in store.iterdir())
    name = data.draw(st.sampled_from(names))
    whole = (store / name).read_bytes()
    kind = data.draw(st.sampled_from(["byte", "cut", "more", "gone", "folder", "other", "empty"]))
    at = data.draw(st.integers(0, len(whole) - 1))
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copytree(store, Path(folder) / "store"))
        target = copy / name
        if kind == "byte":
            flipped = bytes([whole[at] ^ data.draw(st.integers(1, 255))])
            target.write_bytes(whole[:at] + flipped + whole[at + 1 :])
        elif kind == "cut":
            target.write_bytes(whole[:at])
        elif kind == "more":
            target.write_bytes(whole + data.draw(st.binary(min_size=1, max_size=30)))
        elif kind == "other":
            target.write_bytes(
                (store / data.draw(st.sampled_from([n for n in names if n != name]))).read_bytes()
            )
        elif kind == "empty":
            target.write_bytes(b"")
        else:
            target.unlink()
            if kind == "folder":
                target.mkdir()
        try:
            got = read_calls(copy)
        except (StoreError, FileNotFoundError):
            return
        # Blanks around the JSON of the header change nothing that it says.
        assert name == "header.json"
        assert_same(got, batch)


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-9, 9), st.floats(allow_nan=False), TEXT),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=6,
)


@BOUNDED
@given(st.one_of(JSON, st.fixed_dictionaries({"header": JSON, "sha256": JSON})))
def test_any_other_header_is_our_error(sound: tuple[Path, CallBatch], body: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copytree(sound[0], Path(folder) / "store"))
        (copy / "header.json").write_text(json.dumps(body), encoding="utf-8")
        with pytest.raises(StoreError):
            read_calls(copy)
