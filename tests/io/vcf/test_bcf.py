"""BCF through a child process whose death is the file's fault, not ours."""

from __future__ import annotations

import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from genotype_cases import HEADER, bgzf, to_bcf, unbgzf
from vcf_maker import random_vcf

from crossproof.errors import PlateError
from crossproof.io.calls.store import batch_arrays
from crossproof.io.files.byte_source import Packing
from crossproof.io.genotypes import peek_samples, read_batch
from crossproof.io.problems import Problems
from crossproof.io.vcf import bcf

RECORD = "1\t10\tm1\tA\tG\t.\tPASS\t.\tGT\t0/0\t0/1\t1/1\n"


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same random calls as VCF and as BCF."""
    folder = tmp_path_factory.mktemp("bcf")
    text = random_vcf(np.random.default_rng(7), 300, 10)
    vcf, binary = folder / "a.vcf", folder / "a.bcf"
    vcf.write_text(text)
    binary.write_bytes(to_bcf(text, folder))
    return vcf, binary


@pytest.mark.parametrize("limit", [None, 50])
def test_bcf_reads_as_the_vcf_it_was_made_from(pair: tuple[Path, Path], limit: int | None) -> None:
    (head_a, a), (head_b, b) = (batch_arrays(read_batch(p, batch="B", max_markers=limit)) for p in pair)
    assert head_a == head_b
    assert a.keys() == b.keys()
    assert "phred_0" in a
    for name in a:
        np.testing.assert_array_equal(a[name], b[name], err_msg=name)


def test_samples_keep_the_order_of_the_file(pair: tuple[Path, Path]) -> None:
    vcf, binary = pair
    assert peek_samples(binary) == peek_samples(vcf) == tuple(f"s{i}" for i in range(10))
    batch = read_batch(binary, batch="B", keep_samples=["s7", "s2", "nobody"])
    assert batch.samples == ("s2", "s7")


def test_number_of_records_is_counted_by_their_frames(pair: tuple[Path, Path]) -> None:
    assert bcf.count_records(pair[1], Packing.BGZF, Problems("p", alike=True), 1e9) == 300


@pytest.mark.parametrize("kill", ["-SEGV", "-ABRT"])
def test_death_of_the_child_is_a_malformed_file(
    kill: str, pair: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dying = tmp_path / "python"
    dying.write_text(f"#!/bin/sh\nkill {kill} $$\n")
    dying.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(dying))
    with pytest.raises(PlateError, match="its reader crashed on it"):
        read_batch(pair[1], batch="B")


def test_a_reader_that_stops_early_is_noticed(
    pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bcf, "count_records", lambda *a: 301)
    with pytest.raises(PlateError, match="has 301 records, of which 300 could be read"):
        read_batch(pair[1], batch="B")


def test_bytes_changed_inside_a_record_never_pass_as_another_crash(tmp_path: Path) -> None:
    raw = unbgzf(to_bcf(HEADER + RECORD * 1, tmp_path))
    start = 9 + struct.unpack_from("<I", raw, 5)[0]
    rng = np.random.default_rng(11)
    outcomes = set()
    for _ in range(3):
        place = int(rng.integers(start + 8, len(raw)))
        path = tmp_path / "changed"
        path.write_bytes(bgzf(raw[:place] + bytes([int(rng.integers(256))]) + raw[place + 1 :]))
        try:
            read_batch(path, batch="B")
            outcomes.add("read")
        except PlateError:
            outcomes.add("refused")
    assert outcomes <= {"read", "refused"}
    assert outcomes


def test_child_runs_without_a_shell(pair: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    real = subprocess.run

    def watched(*args, **kwargs):
        seen.append((args, kwargs))
        return real(*args, **kwargs)

    monkeypatch.setattr(subprocess, "run", watched)
    read_batch(pair[1], batch="; rm -rf x")
    assert len(seen) == 1
    assert isinstance(seen[0][0][0], list)
    assert not seen[0][1].get("shell", False)
