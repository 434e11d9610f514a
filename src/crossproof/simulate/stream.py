"""A genotype file of any length in constant memory, for the scale benchmarks.

Lines are fully inbred and plants are first-generation children of two lines, so a plant's genotype at a
marker follows from the two lines' alleles there, and every block of markers can be drawn, written and
forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd

from crossproof.io.vcf.bgzf import BgzfWriter
from crossproof.model.arrays import Ints, Objects
from crossproof.model.plates import Role

MARKERS_AT_ONCE = 512
CHROMOSOMES = 11
MISSING_STATE = 3
FIXED = ("#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT")
QUALITY = 16  # different likelihood triples per genotype


class ByteSink(Protocol):
    """Anything that takes bytes."""

    def write(self, data: bytes, /) -> int | None:
        """Take bytes."""


@dataclass(frozen=True)
class StreamPlants:
    """Columns of a streamed file: `names` (sample,), `seed` and `pollen` (sample,) places among the lines."""

    names: tuple[str, ...]
    seed: Ints
    pollen: Ints
    crosses: pd.DataFrame
    samples: pd.DataFrame
    truth: pd.DataFrame


def stream_plants(
    n_plants: int, rng: np.random.Generator, *, n_lines: int = 20, plants_per_cross: int = 10
) -> StreamPlants:
    """Lines first, then `n_plants` plants: 65 % hybrids, 27 % selfs, 8 % outcrosses."""
    n_crosses = -(-n_plants // plants_per_cross)
    mother = rng.integers(0, n_lines, n_crosses)
    father = (mother + rng.integers(1, n_lines, n_crosses)) % n_lines
    cross = np.arange(n_plants) // plants_per_cross
    fate = rng.choice(3, n_plants, p=[0.65, 0.27, 0.08])
    donor = rng.integers(0, n_lines, n_plants)
    while (clash := (donor == mother[cross]) | (donor == father[cross])).any():
        donor[clash] = rng.integers(0, n_lines, int(clash.sum()))
    pollen = np.choose(fate, [father[cross], mother[cross], donor])
    lines = [f"LN{i + 1:02d}" for i in range(n_lines)]
    tags = [f"C{i + 1:05d}" for i in range(n_crosses)]
    plants = [f"{tags[c]}-{i % plants_per_cross + 1:02d}" for i, c in enumerate(cross)]
    crosses = pd.DataFrame(
        {
            "cross_id": tags,
            "mother": [lines[i] for i in mother],
            "father": [lines[i] for i in father],
            "date": "2026-06-01",
            "operator": [("Ana", "Bo", "Chi", "Dov")[i % 4] for i in range(n_crosses)],
        }
    )
    samples = pd.DataFrame(
        {
            "sample_id": lines + plants,
            "role": [Role.PARENT.value] * n_lines + [Role.PROGENY.value] * n_plants,
            "line": lines + [""] * n_plants,
            "cross_id": [""] * n_lines + [tags[c] for c in cross],
        }
    )
    truth = pd.DataFrame({"sample_id": plants, "truth": np.array(["hybrid", "self", "outcross"])[fate]})
    own = np.arange(n_lines)
    return StreamPlants(
        tuple(lines + plants),
        np.concatenate([own, mother[cross]]),
        np.concatenate([own, pollen]),
        crosses,
        samples,
        truth,
    )


def stream_vcf(
    target: ByteSink,
    n_markers: int,
    plants: StreamPlants,
    rng: np.random.Generator,
    *,
    fields: str = "GT:PL",
    missing: float = 0.02,
    error: float = 0.005,
) -> int:
    """Write a VCF of `n_markers` markers; memory grows with samples, not with markers.

    `fields`: "GT", "GT:PL" or "GT:AD:DP:PL". `missing`, `error`: shares of cells without a call and with a
    random one. Returns the bytes written. Raises ValueError for other fields.
    """
    cells = _cell_table(fields)
    n_lines = int(plants.seed.max()) + 1
    size = 0

    def put(data: bytes) -> None:
        nonlocal size
        size += len(data)
        target.write(data)

    per_chromosome = -(-n_markers // CHROMOSOMES)
    spacing = 40
    head = ["##fileformat=VCFv4.3"]
    head += [f"##contig=<ID={c + 1:02d},length={(per_chromosome + 1) * spacing}>" for c in range(CHROMOSOMES)]
    described = {
        "GT": 'Number=1,Type=String,Description="Genotype"',
        "AD": 'Number=R,Type=Integer,Description="Reads per allele"',
        "DP": 'Number=1,Type=Integer,Description="Reads"',
        "PL": 'Number=G,Type=Integer,Description="Phred-scaled genotype likelihoods"',
    }
    head += [f"##FORMAT=<ID={key},{described[key]}>" for key in fields.split(":")]
    head.append("\t".join([*FIXED, *plants.names]))
    put(("\n".join(head) + "\n").encode())

    n = len(plants.names)
    bases = (b"A\tG", b"C\tT", b"A\tC", b"G\tT")
    tail = b"\t.\tPASS\t.\t" + fields.encode() + b"\t"
    for start in range(0, n_markers, MARKERS_AT_ONCE):
        m = min(MARKERS_AT_ONCE, n_markers - start)
        q = rng.uniform(0.1, 0.9, (m, 1))
        lines = (rng.random((m, n_lines)) < q).astype(np.uint8)
        state = lines[:, plants.seed] + lines[:, plants.pollen]
        noise = rng.integers(0, 65536, (m, n), dtype=np.uint16)
        state[noise < error * 65536] = 1
        state[noise >= 65536 * (1 - missing)] = MISSING_STATE
        index = (state.astype(np.uint16) * QUALITY) + (noise >> 6) % QUALITY
        rows = []
        for i in range(m):
            number = start + i
            chrom, along = divmod(number, per_chromosome)
            rows.append(
                b"%02d\t%d\tM%07d\t" % (chrom + 1, (along + 1) * spacing, number + 1)
                + bases[number % 4]
                + tail
                + b"\t".join(cells[index[i]].tolist())
            )
        put(b"\n".join(rows) + b"\n")
    return size


def _cell_table(fields: str) -> Objects:
    """Ready-made cells, (4 genotype states x QUALITY,)."""
    if fields not in ("GT", "GT:PL", "GT:AD:DP:PL"):
        raise ValueError(f"fields must be GT, GT:PL or GT:AD:DP:PL, not {fields!r}")
    table = []
    for state, genotype in enumerate(("0/0", "0/1", "1/1", "./.")):
        for quality in range(QUALITY):
            depth = 0 if state == MISSING_STATE else 6 + 2 * quality
            reads = [(depth, 0), (depth // 2, depth - depth // 2), (0, depth), (0, 0)][state]
            far, near = min(255, 20 * depth), 3 * depth
            likelihoods = [(0, near, far), (far // 2, 0, far // 2), (far, near, 0), (0, 0, 0)][state]
            cell = {
                "GT": genotype,
                "AD": f"{reads[0]},{reads[1]}",
                "DP": str(depth),
                "PL": ",".join(map(str, likelihoods)),
            }
            table.append(":".join(cell[key] for key in fields.split(":")).encode())
    return np.array(table, dtype=object)


def write_stream_season(
    folder: Path,
    n_markers: int,
    n_plants: int,
    seed: int = 1,
    *,
    fields: str = "GT:PL",
    compress: bool = True,
) -> int:
    """A whole season folder with one streamed file; returns the bytes of VCF text before compression.

    Raises FileExistsError where `folder` already holds a config.yaml.
    """
    folder = Path(folder)
    if (folder / "config.yaml").exists():
        raise FileExistsError(f"{folder / 'config.yaml'} is there already; simulate into a new folder")
    (folder / "samples").mkdir(parents=True, exist_ok=True)
    (folder / "genotypes").mkdir(exist_ok=True)
    rng = np.random.default_rng(seed)
    plants = stream_plants(n_plants, rng)
    for name, frame in (
        ("crosses.csv", plants.crosses),
        ("samples/B001.csv", plants.samples),
        ("truth.csv", plants.truth),
    ):
        frame.to_csv(folder / name, index=False, lineterminator="\n")
    path = "genotypes/B001.vcf" + (".gz" if compress else "")
    with open(folder / path, "wb") as raw:
        if compress:
            with BgzfWriter(raw, level=1) as target:
                size = stream_vcf(target, n_markers, plants, rng, fields=fields)
        else:
            size = stream_vcf(raw, n_markers, plants, rng, fields=fields)
    (folder / "config.yaml").write_text(
        f"crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes:\n  - {{batch: B001, path: {path}}}\n",
        encoding="utf-8",
        newline="\n",
    )
    return size
