"""Calls on disk, and batches joined."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from vcf_maker import random_vcf

from crossproof.io.calls.batch_join import natural_key
from crossproof.io.calls.store import (
    StoreError,
    batch_arrays,
    join_batches,
    joined_blocks,
    read_arrays,
    read_calls,
    write_arrays,
    write_calls,
)
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers


def batch(
    name: str,
    rows: list[tuple[str, str, int, str, list[str]]],
    samples: tuple[str, ...],
    phred: dict[str, list[list[int]]] | None = None,
) -> CallBatch:
    """A batch from (id, chrom, pos, alleles 'A/G', calls ['0/1', ...])."""
    ids = np.array([r[0] for r in rows], dtype=object)
    alleles = tuple(tuple(r[3].split("/")) for r in rows)
    markers = Markers(
        ids,
        np.array([r[1] for r in rows], dtype=object),
        np.array([r[2] for r in rows], dtype=np.int64),
        alleles,
        np.zeros(len(rows), dtype=bool),
    )
    blocks = []
    for k in sorted({len(a) for a in alleles}):
        mine = np.array([i for i, a in enumerate(alleles) if len(a) == k])
        calls = np.array(
            [[[int(x) if x != "." else -1 for x in c.split("/")] for c in rows[i][4]] for i in mine], np.int8
        )
        block = np.array([phred[rows[i][0]] for i in mine], np.uint8) if phred else None
        blocks.append(CallBlock(k, mine, calls, block))
    evidence = Evidence.LIKELIHOODS if phred else Evidence.CALLS
    return CallBatch(name, markers, samples, tuple(blocks), evidence)


def names_of(joined, one: CallBatch) -> dict[str, list[str]]:
    """Calls of a batch after joining, alleles by name."""
    out = {}
    for block in joined.blocks(one):
        for i, row in enumerate(block.rows):
            alleles = joined.markers.alleles[row]
            out[str(joined.markers.ids[row])] = [
                "/".join("." if a < 0 else alleles[a] for a in call) for call in block.calls[i]
            ]
    return out


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "a.vcf"
    path.write_text(random_vcf(np.random.default_rng(2), 60, 5))
    before = read_batch(path, batch="B 1")
    write_calls(tmp_path / "deep" / "store", before)
    after = read_calls(tmp_path / "deep" / "store")
    (head_a, a), (head_b, b) = batch_arrays(before), batch_arrays(after)
    assert head_a == head_b
    for name in a:
        np.testing.assert_array_equal(a[name], b[name])
        assert a[name].dtype == b[name].dtype
    assert not after.blocks[1].calls.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        after.blocks[1].calls[0, 0, 0] = 1


@pytest.mark.parametrize("order", ["C", "F"])
def test_arrays_small_and_large_are_read_as_numpy_reads_them(tmp_path: Path, order: str) -> None:
    """numpy.load is the measure; large arrays are mapped, so that a job which needs few pays for few."""
    rng = np.random.default_rng(4)
    arrays = {
        "none": np.zeros((0, 3), dtype=np.int16),
        "few": rng.integers(0, 9, (3, 4, 2)).astype(np.int8),
        "number": np.array(2.5),
        "yes": rng.random(5) < 0.5,
        "turned": rng.random((6, 7)).T,
        "many": rng.random((300, 80)),
    }
    write_arrays(tmp_path / "store", {"of": "a test"}, arrays)
    header, read = read_arrays(tmp_path / "store")
    assert header["of"] == "a test"
    assert set(read) == set(arrays)
    for name, array in read.items():
        by_numpy = np.load(tmp_path / "store" / f"{name}.npy")
        np.testing.assert_array_equal(array, by_numpy)
        assert (array.dtype, array.shape) == (by_numpy.dtype, by_numpy.shape)
        assert not array.flags.writeable
        assert isinstance(array, np.memmap) == (name == "many")
    # By columns, and in a format of another version: both are numpy's business.
    path = tmp_path / "store" / "few.npy"
    with path.open("wb") as handle:
        np.lib.format.write_array(handle, np.asarray(arrays["few"], order=order), version=(2, 0))
    _, read = read_arrays(tmp_path / "store", verify=False)
    np.testing.assert_array_equal(read["few"], arrays["few"])
    with path.open("wb") as handle:
        np.save(handle, np.asarray(arrays["few"], order=order))
    _, read = read_arrays(tmp_path / "store", verify=False)
    np.testing.assert_array_equal(read["few"], arrays["few"])
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    with pytest.raises(StoreError, match="changed"):
        read_arrays(tmp_path / "store")
    path.unlink()
    with pytest.raises(StoreError, match="missing"):
        read_arrays(tmp_path / "store", verify=False)


def test_writing_again_replaces_and_leaves_nothing_behind(tmp_path: Path) -> None:
    one = batch("B", [("m1", "1", 5, "A/G", ["0/1"])], ("a",))
    two = batch("B", [("m2", "1", 5, "A/G", ["1/1"])], ("a",))
    write_calls(tmp_path / "store", one)
    write_calls(tmp_path / "store", two)
    assert read_calls(tmp_path / "store").markers.ids.tolist() == ["m2"]
    assert os.listdir(tmp_path) == ["store"]


def test_same_batch_gives_same_bytes(tmp_path: Path) -> None:
    one = batch("B", [("m1", "1", 5, "A/G", ["0/1"])], ("a",))
    for name in ("x", "y"):
        write_calls(tmp_path / name, one)
    files = sorted(p.name for p in (tmp_path / "x").iterdir())
    assert files == sorted(p.name for p in (tmp_path / "y").iterdir())
    assert all((tmp_path / "x" / f).read_bytes() == (tmp_path / "y" / f).read_bytes() for f in files)


@pytest.mark.parametrize("what", ["flip", "cut", "remove", "header", "content"])
def test_damage_is_noticed(what: str, tmp_path: Path) -> None:
    store = tmp_path / "store"
    write_calls(store, batch("B", [("m1", "1", 5, "A/G", ["0/1"])], ("a",)))
    target = store / "calls_0.npy"
    data = target.read_bytes()
    if what == "flip":
        target.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    elif what == "cut":
        target.write_bytes(data[:-1])
    elif what == "remove":
        target.unlink()
    else:
        header = store / "header.json"
        text = header.read_text()
        other = text.replace('"evidence": "calls"', '"evidence": "depths"')
        assert other != text
        header.write_text(text[:-5] if what == "header" else other)
    with pytest.raises(StoreError):
        read_calls(store)


def test_pickle_is_refused(tmp_path: Path) -> None:
    import hashlib
    import json

    store = tmp_path / "store"
    write_calls(store, batch("B", [("m1", "1", 5, "A/G", ["0/1"])], ("a",)))
    target = store / "calls_0.npy"
    np.save(target, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    held = json.loads((store / "header.json").read_text())
    held["header"]["arrays"]["calls_0"] = hashlib.sha256(target.read_bytes()).hexdigest()
    text = json.dumps(held["header"], ensure_ascii=False, sort_keys=True)
    held["sha256"] = hashlib.sha256(text.encode()).hexdigest()
    (store / "header.json").write_text(json.dumps(held))
    with pytest.raises(ValueError, match="Object arrays cannot be loaded"):
        read_calls(store)


def test_markers_join_by_name_then_by_place() -> None:
    one = batch("B1", [("m2", "2", 9, "A/G", ["0/1"]), (".", "10", 7, "C/T", ["1/1"])], ("a",))
    two = batch(
        "B2",
        [(".", "10", 7, "T/C", ["0/0"]), ("m2", "2", 9, "G/A", ["0/0"]), ("x", "2", 1, "A/T", ["0/0"])],
        ("b",),
    )
    joined = join_batches([one, two])
    # Chromosome 2 before 10, then position.
    assert joined.markers.ids.tolist() == ["x", "m2", "10:7:C/T"]
    assert names_of(joined, one) == {"m2": ["A/G"], "10:7:C/T": ["T/T"]}
    assert names_of(joined, two) == {"m2": ["G/G"], "10:7:C/T": ["T/T"], "x": ["A/A"]}
    assert joined.problems == ()


def test_order_of_chromosomes() -> None:
    order = sorted(["chr10", "", "chr2", "X", "chr1", "2"], key=natural_key)
    assert order == ["2", "X", "chr1", "chr2", "chr10", ""]


def test_other_strand_is_turned_where_it_is_proven() -> None:
    one = batch("B1", [("m1", "1", 5, "A/G", ["0/0"])], ("a",))
    two = batch("B2", [("m1", "1", 5, "T/C", ["0/1"])], ("b",))
    joined = join_batches([one, two])
    assert joined.markers.alleles == (("A", "G"),)
    assert names_of(joined, two) == {"m1": ["A/G"]}
    assert [p.severity.value for p in joined.problems] == ["note"]
    assert "turned round" in joined.problems[0].problem
    assert joined.notes == ("batch B2: 1 markers were on the other strand and were turned round",)


@pytest.mark.parametrize(
    ("first", "second", "wanted"),
    [
        ("A/G", "G", "A/G"),  # a subset
        ("A", "G", "A/G"),  # two fixed files of one SNP
        ("A/G", "A/T", "A/G/T"),  # a third allele: they share one
        ("A/G", "C", None),  # C may be the complement of G
        ("A/G", "T", None),
        ("A", "T", None),
        ("A/C", "T/G", "A/C"),  # the complement proves it
        ("A/AT", "A/ATT", "A/AT/ATT"),
        ("152/158", "160", "152/158/160"),  # sizes have no strand
        ("152/158", "A/G", None),
        ("A/<DEL>", "A/*", "A/<DEL>/*"),
    ],
)
def test_alleles_of_two_files(first: str, second: str, wanted: str | None) -> None:
    one = batch("B1", [("m1", "1", 5, first, ["0/0"])], ("a",))
    two = batch("B2", [("m1", "1", 5, second, ["0/0"])], ("b",))
    joined = join_batches([one, two])
    if wanted is None:
        assert len(joined.markers) == 0
        assert [p.column for p in joined.problems] == ["m1"]
        assert "m1 is set aside" in joined.problems[0].problem
        assert [m.rows.tolist() for m in joined.maps] == [[-1], [-1]]
    else:
        assert joined.markers.alleles == (tuple(wanted.split("/")),)


def test_markers_that_read_alike_on_both_strands() -> None:
    both = ("a", "b")
    one = batch("B1", [("m1", "1", 5, "A/T", ["0/0", "1/1"]), ("m2", "1", 6, "A/G", ["0/0", "1/1"])], both)
    agree = batch("B2", [("m1", "1", 5, "A/T", ["0/0", "1/1"])], both)
    against = batch("B2", [("m1", "1", 5, "A/T", ["1/1", "0/0"])], both)
    assert len(join_batches([one, agree]).markers) == 2
    refused = join_batches([one, against])
    assert refused.markers.ids.tolist() == ["m2"]
    assert "2 plants typed in both files have opposite calls" in refused.problems[0].problem
    # The files differ in strand elsewhere, and no plant typed in both speaks for this marker.
    turned = batch("B2", [("m1", "1", 5, "A/T", ["1/1"]), ("m2", "1", 6, "T/C", ["0/0"])], ("z",))
    refused = join_batches([one, turned])
    assert refused.markers.ids.tolist() == ["m2"]
    assert "differ in strand at other markers" in refused.problems[0].problem
    # The same inbred line under two sample names does speak for it.
    plants = {"B1": {"a": "line A", "b": "line B"}, "B2": {"z": "line B"}}
    assert len(join_batches([one, turned], plants).markers) == 2


def test_more_than_eight_alleles_together() -> None:
    one = batch("B1", [("s", "1", 5, "100/102/104/106/108", ["0/0"])], ("a",))
    two = batch("B2", [("s", "1", 5, "110/112/114/116", ["0/0"])], ("b",))
    joined = join_batches([one, two])
    assert len(joined.markers) == 0
    assert "more than 8 alleles" in joined.problems[0].problem


def test_likelihoods_widen_without_inventing_evidence() -> None:
    one = batch("B1", [("m1", "1", 5, "A/G/T", ["0/0"])], ("a",), {"m1": [[0, 9, 9, 9, 9, 9]]})
    two = batch("B2", [("m1", "1", 5, "G/A", ["0/1", "./."])], ("b", "c"), {"m1": [[30, 0, 40], [0, 0, 0]]})
    joined = join_batches([one, two])
    (block,) = joined_blocks(two, joined.maps[1], joined.markers)
    # Genotypes AA, AG, GG, AT, GT, TT: those with T are as unlikely as the least likely one known.
    assert block.phred[0].tolist() == [[40, 0, 30, 40, 40, 40], [0] * 6]
    assert block.calls[0].tolist() == [[1, 0], [-1, -1]]


def test_moved_markers_are_reported_once_for_a_file() -> None:
    one = batch("B1", [("m1", "1", 5, "A/G", ["0/0"]), ("m2", "1", 6, "A/G", ["0/0"])], ("a",))
    two = batch("B2", [("m1", "1", 8, "A/G", ["0/0"]), ("m2", "2", 6, "A/G", ["0/0"])], ("b",))
    joined = join_batches([one, two])
    assert joined.markers.pos.tolist() == [5, 6]
    assert len(joined.problems) == 1
    assert "2 markers have another position" in joined.problems[0].problem
