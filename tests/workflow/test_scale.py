"""Large genotype files: read by region where there is an index, and in memory that does not grow.

The files are simulated block by block (crossproof.simulate.stream).
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from seasons import crossproof, jobs_run, tables_of

from crossproof.simulate.stream import write_stream_season

SETTINGS = "max_markers: 200\nmax_markers_per_cross: 60\n"


def indexed(season: Path) -> None:
    if shutil.which("bcftools") is None:
        pytest.skip("bcftools is not installed: nothing to make an index with")
    subprocess.run(["bcftools", "index", season / "genotypes" / "B001.vcf.gz"], check=True)


@pytest.mark.slow
def test_an_indexed_file_is_read_by_region_and_gives_the_same_tables(tmp_path: Path) -> None:
    season = tmp_path / "whole"
    write_stream_season(season, 1200, 40, fields="GT:PL")
    with (season / "config.yaml").open("a", encoding="utf-8") as config:
        config.write(SETTINGS)
    cut = shutil.copytree(season, tmp_path / "cut")
    indexed(cut)
    piece = (cut / "genotypes" / "B001.vcf.gz").stat().st_size // 3

    done = crossproof("run", season, "--allow-findings")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "part" not in {rule for rule, _ in jobs_run(season)}
    done = crossproof("run", cut, "--allow-findings", env={"CROSSPROOF_PART_BYTES": str(piece)})
    assert done.returncode == 0, done.stdout + done.stderr
    assert [rule for rule, _ in jobs_run(cut)].count("part") == 3
    assert tables_of(cut) == tables_of(season)
    assert not (cut / ".crossproof" / "cache" / "parts").exists() or not list(
        (cut / ".crossproof" / "cache" / "parts").iterdir()
    )


def peak_of_ingest(season: Path) -> int:
    """Most memory, MiB, of reading a season's one file in a process of its own."""
    from crossproof.season.index import build_index

    (bucket,) = build_index(season).batch_buckets()
    done = subprocess.run(
        [sys.executable, "-m", "crossproof.steps", "ingest", "--bucket", str(bucket)],
        cwd=season, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found = re.search(r"(\d+) MiB at most", done.stdout)
    assert found, done.stdout + done.stderr
    return int(found.group(1))


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_memory_does_not_grow_with_markers(tmp_path: Path) -> None:
    """100,000 markers x 1,000 plants of GT:PL: a tenth of what benchmarks/ingest.py can do."""
    peaks = []
    for markers in (25_000, 100_000):
        season = tmp_path / str(markers)
        write_stream_season(season, markers, 1000, fields="GT:PL")
        with (season / "config.yaml").open("a", encoding="utf-8") as config:
            config.write("max_markers: 5000\n")
        peaks.append(peak_of_ingest(season))
        shutil.rmtree(season)
    assert peaks[1] <= 1.15 * peaks[0], f"{peaks} MiB"
