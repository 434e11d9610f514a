"""Ingest of genotype files against the general-purpose readers, in one run on one machine.

    python benchmarks/ingest.py                        100,000 markers x 500 plants, GT:AD:DP:PL, bgzip
    python benchmarks/ingest.py --markers 10000        a tenth of it
    python benchmarks/ingest.py --fields GT:PL --markers 1000000 --plants 1000   whole-genome size

Each reader runs in a process of its own, so that its peak memory is its own. "cyvcf2" and "scikit-allel" read
the same fields of every record; ours checks every record and keeps `--keep` of them ("all": every one). The
last rows repeat ours with half the markers: its peak memory should not depend on them.
Prints a table; ratios carry over to other machines, absolute figures do not.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import resource
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from pathlib import Path

import numpy as np

EOF_BLOCK = bytes.fromhex("1f8b08040000000000ff0600424302001b0003000000000000000000")


def bgzf_block(data: bytes) -> bytes:
    """One BGZF block of at most 65,280 bytes of data."""
    packer = zlib.compressobj(1, zlib.DEFLATED, -15)
    body = packer.compress(data) + packer.flush()
    head = b"\x1f\x8b\x08\x04\0\0\0\0\0\xff\6\0BC\2\0" + struct.pack("<H", len(body) + 25)
    return head + body + struct.pack("<II", zlib.crc32(data), len(data))


def write_vcf(path: Path, markers: int, plants: int, fields: str, seed: int = 1) -> int:
    """Write a bgzip VCF of random calls; returns its unpacked size in bytes."""
    rng = np.random.default_rng(seed)
    keys = fields.split(":")

    def sample() -> bytes:
        missing = rng.random() < 0.05
        depth = rng.poisson(6)
        ref = int(rng.binomial(depth, 0.5))
        likelihoods = rng.integers(1, 300, 3)
        likelihoods[rng.integers(3)] = 0
        values = {
            "GT": "./." if missing else ("0/0", "0/1", "1/1")[int(np.argmin(likelihoods))],
            "AD": "0,0" if missing else f"{ref},{depth - ref}",
            "DP": "0" if missing else str(depth),
            "PL": "0,0,0" if missing else ",".join(map(str, likelihoods)),
        }
        return ":".join(values[k] for k in keys).encode()

    pool = [sample() for _ in range(5000)]
    rows = [b"\t".join([pool[j] for j in rng.integers(0, len(pool), plants)]) for _ in range(400)]
    size, held = 0, bytearray()
    with open(path, "wb") as out:

        def put(text: bytes, last: bool = False) -> None:
            nonlocal size
            size += len(text)
            held.extend(text)
            while len(held) >= 65280 or (last and held):
                out.write(bgzf_block(bytes(held[:65280])))
                del held[:65280]

        contigs = "".join(f"##contig=<ID={c}>\n" for c in range(1, 12))
        declared = "".join(
            f'##FORMAT=<ID={k},Number={n},Type={t},Description="{k}">\n'
            for k, n, t in (
                ("GT", 1, "String"),
                ("AD", "R", "Integer"),
                ("DP", 1, "Integer"),
                ("PL", "G", "Integer"),
            )
        )
        names = "\t".join(f"plant{i}" for i in range(plants))
        put(
            f"##fileformat=VCFv4.3\n{contigs}{declared}#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t"
            f"{names}\n".encode()
        )
        per_contig = -(-markers // 11)
        for i in range(markers):
            contig, place = divmod(i, per_contig)
            fixed = (
                f"{contig + 1}\t{place * 900 + 1 + int(rng.integers(899))}\t.\tA\tG\t.\tPASS\t.\t{fields}\t"
            )
            put(fixed.encode() + rows[int(rng.integers(len(rows)))] + b"\n")
        put(b"", last=True)
        out.write(EOF_BLOCK)
    return size


def read_ours(path: str, fields: str, keep: int | None) -> int:
    """Our reader."""
    from crossproof.io.genotypes import read_batch

    return len(read_batch(Path(path), batch="bench", max_markers=keep).markers)


def read_cyvcf2(path: str, fields: str, keep: int | None) -> int:
    """cyvcf2, arrays of the same fields of every record, nothing kept."""
    from cyvcf2 import VCF

    keys = [k for k in fields.split(":") if k in ("AD", "DP", "PL")]
    count = 0
    for variant in VCF(path):
        variant.genotype.array()
        for key in keys:
            variant.format(key)
        count += 1
    return count


def read_allel(path: str, fields: str, keep: int | None) -> int:
    """scikit-allel in chunks, the same fields of every record, nothing kept."""
    import allel

    widths = {"GT": 2, "AD": 2, "DP": 1, "PL": 3}
    keys = fields.split(":")
    names = [f"calldata/{k}" for k in keys]
    plants = len(allel.read_vcf_headers(path).samples)
    chunks = allel.iter_vcf_chunks(
        path,
        fields=["variants/POS", *names],
        numbers={f"calldata/{k}": widths[k] for k in keys},
        types={f"calldata/{k}": "i1" if k == "GT" else "i4" for k in keys},
        chunk_length=max(64, int(4e6 / plants)),
    )[3]
    return sum(n for _, n, *_ in chunks)


def read_bytes(path: str, fields: str, keep: int | None) -> int:
    """The limit: unpack and do nothing."""
    from crossproof.io.files.byte_source import Packing, read_pieces

    return sum(len(p) for p in read_pieces(Path(path), Packing.BGZF, shown_as=path, limit_bytes=1e15))


READERS = {"unpack only": read_bytes, "ours": read_ours, "cyvcf2": read_cyvcf2, "scikit-allel": read_allel}


def measure(name: str, path: Path, fields: str, keep: int | None) -> dict[str, float]:
    """Wall time, processor time and peak memory of one reader in a process of its own."""
    order = json.dumps([name, str(path), fields, keep])
    done = subprocess.run(
        [sys.executable, __file__, "--one", order], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def one(order: str) -> None:
    """Child process: run one reader and print what it took."""
    name, path, fields, keep = json.loads(order)
    __import__({"ours": "crossproof.io.genotypes", "scikit-allel": "allel"}.get(name, "cyvcf2"))
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, busy = time.perf_counter(), time.process_time()
    READERS[name](path, fields, keep)
    print(
        json.dumps(
            {
                "wall": time.perf_counter() - start,
                "cpu": time.process_time() - busy,
                "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                "base": base / 1024,
            }
        )
    )


def main() -> None:
    """Make the files, run the readers, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--markers", type=int, default=100_000)
    parser.add_argument("--plants", type=int, default=500)
    parser.add_argument("--fields", default="GT:AD:DP:PL")
    parser.add_argument("--keep", type=int, default=20_000)
    parser.add_argument("--repeat", type=int, default=1, help="runs per reader; the fastest counts")
    parser.add_argument("--skip", default="", help="readers to leave out, separated by commas")
    parser.add_argument(
        "--folder", type=Path, default=None, help="where to put the file (default: temporary)"
    )
    parser.add_argument("--one", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        one(args.one)
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.folder or Path(scratch)
        path, half = folder / "whole.vcf.gz", folder / "half.vcf.gz"
        size = write_vcf(path, args.markers, args.plants, args.fields)
        write_vcf(half, args.markers // 2, args.plants, args.fields)
        print(
            f"{datetime.date.today()} {platform.processor() or platform.machine()} {os.cpu_count()} cores, "
            f"Python {platform.python_version()}; {args.markers} markers x {args.plants} plants, "
            f"{args.fields}, {size / 1e6:.0f} MB unpacked, {path.stat().st_size / 1e6:.0f} MB on disk"
        )
        rows = [(name, name, path, args.keep) for name in READERS if name not in args.skip.split(",")]
        rows += [
            ("ours, keeping all", "ours", path, None),
            ("ours, half the markers", "ours", half, args.keep),
        ]
        print(f"{'reader':<26}{'wall s':>8}{'cpu s':>8}{'MB/s':>8}{'peak MB':>9}{'without imports':>17}")
        walls = {}
        for label, name, file, keep in rows:
            if label == "ours, keeping all" and args.markers * args.plants > 10**8:
                continue
            runs = [measure(name, file, args.fields, keep) for _ in range(args.repeat)]
            best = min(runs, key=lambda r: r["cpu"])
            walls[label] = best["cpu"]
            share = 0.5 if file is half else 1.0
            print(
                f"{label:<26}{best['wall']:>8.1f}{best['cpu']:>8.1f}{size * share / 1e6 / best['cpu']:>8.0f}"
                f"{best['peak']:>9.0f}{best['peak'] - best['base']:>17.0f}"
            )
        general = {k: walls[k] for k in ("cyvcf2", "scikit-allel") if k in walls}
        if general:
            fastest = min(general, key=lambda k: general[k])
            ratio = walls["ours"] / general[fastest]
            print(f"processor time, ours / {fastest}: {ratio:.2f} (goal: 0.8 at most)")


if __name__ == "__main__":
    main()
