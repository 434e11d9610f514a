"""Real plants of linked crosses, each declared as an F1 of its two parents: what is concluded of them.

    python benchmarks/real_segregating.py FOLDER f2 bc1
    python benchmarks/real_segregating.py FOLDER f2 bc1 --one-chromosome

FOLDER holds NAME_genotypes.csv (a row per plant, parents first, calls such as A/G, empty where missing) and
NAME_map.csv (marker, chrom, cm). None of the plants is an F1. Sets that were tried: F2 `listeria`, first
backcross `hyper`, recombinant inbred lines `multitrait`, recombinant chromosomes `bristle3`, all of Debian's
package r-cran-qtl 1.58-1 (GPL-3+), two alleles written A and G, parents implied. They are not in this
repository. `--one-chromosome` judges the plants by every chromosome of six markers or more alone.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "inference"))

from real_calls import chromosomes, judged_as_f1

FEWEST_MARKERS = 6


def row(name: str, folder: Path, chromosome: str | None) -> str:
    """One line of the table: verdicts, wrong ones, false hybrids above 0.99 and 0.95."""
    result = judged_as_f1(folder, name, chromosome)
    hybrid = result.classes[:, 0]
    verdicts = Counter(str(v) for v in result.verdicts)
    wrong = sum(n for v, n in verdicts.items() if v not in ("off_pedigree", "undetermined"))
    return (
        f"| {name} | {chromosome or 'all'} | {result.markers} | {len(hybrid)} | {verdicts['off_pedigree']} "
        f"| {verdicts['undetermined']} | {wrong} | {(hybrid > 0.99).sum()} | {(hybrid > 0.95).sum()} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("name", nargs="+")
    parser.add_argument("--one-chromosome", action="store_true")
    args = parser.parse_args()
    columns = ("set", "chromosome", "markers", "plants", "off pedigree", "undetermined", "wrong")
    print("|", " | ".join((*columns, "p_hybrid > 0.99", "> 0.95")), "|")
    print("|---|---|---|---|---|---|---|---|---|")
    for name in args.name:
        which: list[str | None] = [None]
        if args.one_chromosome:
            which = [c for c, n in chromosomes(args.folder, name).items() if n >= FEWEST_MARKERS]
        for chromosome in which:
            print(row(name, args.folder, chromosome), flush=True)


if __name__ == "__main__":
    main()
