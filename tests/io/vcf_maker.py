"""Random VCF files with every kind of call, for the tests of the readers."""

from __future__ import annotations

import numpy as np

DECLARED = (
    "##fileformat=VCFv4.3\n"
    '##FILTER=<ID=q10,Description="low">\n'
    + "".join(f"##contig=<ID={c},length=900000>\n" for c in ("chr1", "chr2", "chr10"))
    + '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
    '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Depths">\n'
    '##FORMAT=<ID=DP,Number=1,Type=Integer,Description="Depth">\n'
    '##FORMAT=<ID=PL,Number=G,Type=Integer,Description="Likelihoods">\n'
)
_ALTS = (".", "G", "G,T", "G,T,AC")


def _sample(rng: np.random.Generator, k: int) -> str:
    kind = rng.random()
    a, b = rng.integers(0, k, 2)
    if kind < 0.10:
        genotype = "./."
    elif kind < 0.13:
        genotype = "."
    elif kind < 0.16:
        genotype = str(a)
    elif kind < 0.20:
        genotype = f"./{a}"
    else:
        genotype = f"{a}{'/|'[rng.integers(2)]}{b}"
    if kind < 0.2 and rng.random() < 0.5:
        return genotype if rng.random() < 0.5 else genotype + ":.:.:."
    depths = rng.integers(0, 20 if rng.random() < 0.95 else 65_000, k)
    count = k if genotype.isdigit() else k * (k + 1) // 2  # as many likelihoods as the ploidy of GT asks for
    likelihoods = rng.integers(0, 400 if rng.random() < 0.95 else 20_000, count)
    return f"{genotype}:{','.join(map(str, depths))}:3:{','.join(map(str, likelihoods))}"


def random_vcf(rng: np.random.Generator, markers: int, plants: int, most_alleles: int = 4) -> str:
    """A VCF of three contigs with GT:AD:DP:PL, some records without names, some REF reaching far."""
    names = "\t".join(f"s{i}" for i in range(plants))
    lines = [DECLARED + f"#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t{names}"]
    for contig in ("chr1", "chr2", "chr10"):
        for pos in np.sort(rng.choice(np.arange(1, 900_000), markers // 3, replace=False)):
            k = int(rng.choice([1, 2, 2, 2, 2, 3, 4]))
            k = min(k, most_alleles)
            ref = "A" * (1 if rng.random() < 0.97 else 20_000 if rng.random() < 0.5 else 5)
            name = "." if rng.random() < 0.5 else f"{contig}_{pos}"
            passed = "PASS" if rng.random() < 0.8 else "q10"
            samples = "\t".join(_sample(rng, k) for _ in range(plants))
            lines.append(
                f"{contig}\t{pos}\t{name}\t{ref}\t{_ALTS[k - 1]}\t.\t{passed}\t.\tGT:AD:DP:PL\t{samples}"
            )
    return "\n".join(lines) + "\n"
