"""Files with the markers of the file before are joined as that was: the same as marker by marker."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.io.calls import batch_join
from crossproof.io.calls.batch_join import JoinedCalls, join_batches
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

PAIRS = [("A", "G"), ("T", "C"), ("G", "A"), ("A", "T"), ("C", "G"), ("A",), ("A", "C", "G"), ("120", "124")]


def batch(name: str, rng: np.random.Generator, markers: Markers) -> CallBatch:
    """Calls at random of three plants that all files have, and of one of its own."""
    blocks = []
    for k in sorted({len(a) for a in markers.alleles}):
        rows = np.array([i for i, a in enumerate(markers.alleles) if len(a) == k], dtype=np.int64)
        calls = np.repeat(rng.integers(-1, k, (len(rows), 4, 1)), 2, axis=2).astype(np.int8)
        blocks.append(CallBlock(k, rows, calls, None, None))
    return CallBatch(name, markers, ("a", "b", "c", name), tuple(blocks), Evidence.CALLS, ())


def markers(rng: np.random.Generator) -> Markers:
    n = int(rng.integers(1, 7))
    chosen = np.sort(rng.choice(8, n, replace=False))
    return Markers(
        np.array(["." if i == 7 else f"m{i}" for i in chosen], dtype=object),
        np.array(["" if rng.random() < 0.2 else "chr1" for _ in chosen], dtype=object),
        np.array([10 * i + (rng.random() < 0.1) for i in chosen], dtype=np.int64),
        tuple(PAIRS[int(rng.integers(len(PAIRS)))] for _ in chosen),
        rng.random(n) < 0.1,
        np.where(rng.random(n) < 0.5, np.nan, 1.0),
    )


def shown(joined: JoinedCalls) -> list[object]:
    m = joined.markers
    maps = [(x.batch, x.rows.tolist(), x.recode.tolist()) for x in joined.maps]
    columns = [x.tolist() for x in (m.ids, m.chrom, m.pos, m.maternal, np.nan_to_num(m.cm, nan=-1.0))]
    return [maps, columns, m.alleles, joined.notes, joined.problems]


def test_files_alike_are_joined_as_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    taken, as_before = 0, batch_join._Joining._as_before
    for seed in range(300):
        rng = np.random.default_rng(seed)
        kinds = [markers(rng) for _ in range(3)]
        chosen = np.repeat(rng.integers(3, size=4), rng.integers(1, 4, size=4))
        files = [batch(f"B{i}", rng, kinds[k]) for i, k in enumerate(chosen)]
        found = shown(join_batches(files))
        with monkeypatch.context() as patched:

            def never(self: batch_join._Joining, b: int) -> bool:
                nonlocal taken
                taken += as_before(self, b)
                return False

            patched.setattr(batch_join._Joining, "_as_before", never)
            assert shown(join_batches(files)) == found
    assert taken > 300
