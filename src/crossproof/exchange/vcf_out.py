"""`crossproof export-vcf`: the plants' calls with their verdicts in the sample metadata of a VCF.

Written after the VCF 4.3 specification: sample metadata as ##META and ##SAMPLE lines (section 1.4.8),
genotypes as GT (section 1.6.2). Where one allele of a plant was seen and the other was not, in a half-missing
or a haploid call, the other is a point. The calls are those the verdicts were made from, joined over files
and over the wells of a plant. Where the alleles of a marker are no bases (fragment sizes), REF is N and every
allele is a symbolic one; INFO/ALLELES has their own names. Markers without a place are put on a contig
`unplaced` in their order, which is no position, and carry the flag UNPLACED.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof import __version__
from crossproof.errors import UsageError, error
from crossproof.io.calls.store import StoreError
from crossproof.io.files.atomic import whole_file
from crossproof.io.results.reading import PLANT_KEYS, read_table
from crossproof.io.vcf.bgzf import BgzfWriter
from crossproof.model.arrays import Ints, Objects
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.plant_calls import PlantCalls
from crossproof.model.results import Decision, Verdict
from crossproof.model.sentinels import MISSING
from crossproof.season.index import build_index
from crossproof.season.plant_calls import plant_calls

UNPLACED = "unplaced"
CLOSED = {"Verdict": [str(v) for v in Verdict], "Decision": [str(d) for d in Decision]}
FIELDS: Mapping[str, str] = {
    "Cross": "cross_id", "Mother": "mother", "Father": "father", "Plate": "plate", "Well": "well",
    "Verdict": "verdict", "Decision": "decision", "Reason": "reason", "PHybrid": "p_hybrid",
    "PSelf": "p_self", "POutcross": "p_outcross", "POffPedigree": "p_off_pedigree", "LikelySource":
    "likely_source", "Flags": "flags",
}  # fmt: skip
"""Key of a ##SAMPLE line, and the column of results/verdicts.csv it holds."""


def export_vcf(where: Path, target: Path | None = None) -> tuple[Path, int, int]:
    """Write the plants of a season as VCF; returns the file, and how many markers and plants it has.

    `target`: default `results/plants.vcf`; a name that ends in .vcf.gz is written as blocked gzip, which
    bcftools can index. Raises UsageError where there are no results.
    """
    index = build_index(where)
    source = index.folder.results / "verdicts.csv"
    if not source.exists() or not index.folder.work("panel", "fit").exists():
        remedy = f"First run: crossproof run {shlex.quote(str(index.folder.season))}"
        raise UsageError(error("results/verdicts.csv", "There are no results to export.", remedy))
    verdicts = read_table(source, PLANT_KEYS)
    try:
        calls = plant_calls(index, None, None)
    except StoreError:
        remedy = f"Run again: crossproof run {shlex.quote(str(index.folder.season))}"
        told = "The results come from another version of crossproof, or are damaged."
        raise UsageError(error("results/verdicts.csv", told, remedy)) from None
    path = target or index.folder.results / "plants.vcf"
    if not path.name.endswith((".vcf", ".vcf.gz")):
        raise UsageError(error(str(path), "The name does not end in .vcf or .vcf.gz.", "Choose such a name."))
    _write(path, vcf_lines(calls, verdicts))
    return path, len(calls.marker_ids), len(calls.plants)


def _write(path: Path, lines: Iterator[str]) -> None:
    """Write line by line into a file that takes its place when whole."""
    with whole_file(path) as handle:
        if path.suffix == ".gz":
            with BgzfWriter(handle, level=3) as packed:
                for line in lines:
                    packed.write(f"{line}\n".encode())
        else:
            handle.writelines(f"{line}\n".encode() for line in lines)


def vcf_lines(calls: PlantCalls, verdicts: pd.DataFrame) -> Iterator[str]:
    """The lines of the file: metadata, one ##SAMPLE line per plant, and one line per marker."""
    chrom = [str(c) if p else "" for c, p in zip(calls.chrom, calls.pos, strict=True)]
    contigs = _contigs(chrom)
    order = _order(chrom, calls.pos, contigs)
    names = _apart([_plain(p) for p in calls.plants])
    yield "##fileformat=VCFv4.3"
    yield f"##source=crossproof {__version__}"
    yield '##FILTER=<ID=PASS,Description="All filters passed">'
    yield '##INFO=<ID=ALLELES,Number=.,Type=String,Description="Names of alleles that are not bases">'
    yield '##INFO=<ID=UNPLACED,Number=0,Type=Flag,Description="POS is a running number, not a position">'
    yield '##INFO=<ID=CHROMOSOME,Number=1,Type=String,Description="Chromosome of a marker with no position">'
    yield '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype, joined over the wells of the plant">'
    most = max((len(a) for a in calls.alleles if not _bases(a)), default=0)
    for number in range(1, most + 1):
        yield f'##ALT=<ID=ALLELE{number},Description="Allele {number} of INFO/ALLELES">'
    for contig in dict.fromkeys(contigs[chrom[m]] for m in order):
        yield f"##contig=<ID={contig}>"
    for field in FIELDS:
        values = f",Values=[{', '.join(CLOSED[field])}]" if field in CLOSED else ""
        yield f"##META=<ID={field},Type=String,Number=.{values}>"
    yield from _sample_lines(calls.plants, names, verdicts)
    yield "\t".join(("#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names))
    tables: dict[tuple[int, int], Objects] = {}
    for place, m in enumerate(order, 1):
        yield _marker_line(calls, m, place, contigs[chrom[m]], tables)


def _sample_lines(plants: Sequence[str], names: Sequence[str], verdicts: pd.DataFrame) -> Iterator[str]:
    known = {str(r["plant"]): r for r in verdicts.to_dict("records")}
    identifiers = _apart([_identifier(name) for name in names])
    for plant, identifier in zip(plants, identifiers, strict=True):
        row = known.get(plant, {})
        cells = [f"{key}={_quoted(row[column])}" for key, column in FIELDS.items() if row.get(column)]
        yield f"##SAMPLE=<{','.join([f'ID={identifier}', *cells])}>"


def _quoted(text: object) -> str:
    value = _plain(str(text))
    if re.fullmatch(r"[A-Za-z0-9_.+-]+", value):
        return value
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _identifier(name: str) -> str:
    """A sample's name as the ID of its metadata line: without what would end the field or the line."""
    return re.sub(r"[,<>\"=]", "_", name)


def _plain(text: str) -> str:
    """Text without tabs, line ends and other control characters, which VCF cannot hold."""
    return "".join(c if c.isprintable() else " " for c in text)


def _contigs(chrom: Sequence[str]) -> dict[str, str]:
    """Contig name of each chromosome: what VCF does not allow becomes an underscore, names stay apart."""
    found = list(dict.fromkeys(str(c) for c in chrom))
    stems = [re.sub(r"[^0-9A-Za-z!#$%&+./:;?@^_|~-]", "_", c) if c else UNPLACED for c in found]
    return dict(zip(found, _apart(stems), strict=True))


def _apart(names: Sequence[str]) -> list[str]:
    """The names, those that were given before with a number behind them."""
    given = set(names)
    taken: set[str] = set()
    apart = []
    for stem in names:
        name, turn = stem, 1
        while name in taken or (turn > 1 and name in given):
            turn += 1
            name = f"{stem}_{turn}"
        taken.add(name)
        apart.append(name)
    return apart


def _order(chrom: Sequence[str], pos: Ints, contigs: Iterable[str]) -> list[int]:
    """Markers contig by contig, by position, those without a place last."""
    rank = {c: (c == "", i) for i, c in enumerate(contigs)}
    return sorted(range(len(chrom)), key=lambda m: (rank[chrom[m]], int(pos[m]), m))


def _bases(alleles: Sequence[str]) -> bool:
    return all(re.fullmatch(r"[ACGTNacgtn]+", a) for a in alleles)


def _marker_line(
    calls: PlantCalls,
    m: int,
    place: int,
    contig: str,
    tables: dict[tuple[int, int], Objects],
) -> str:
    alleles = calls.alleles[m]
    first, info = 0, []
    if _bases(alleles):
        ref, alt = alleles[0], ",".join(alleles[1:]) or "."
    else:
        ref, alt, first = "N", ",".join(f"<ALLELE{i}>" for i in range(1, len(alleles) + 1)), 1
        info.append("ALLELES=" + ",".join(re.sub(r"[\s;,=%]", "_", _plain(a)) for a in alleles))
    pos = int(calls.pos[m])
    if not calls.chrom[m] or not pos:
        pos = place
        info.append("UNPLACED")
        if calls.chrom[m]:
            info.append("CHROMOSOME=" + re.sub(r"[\s;,=%]", "_", _plain(str(calls.chrom[m]))))
    key = (len(alleles), first)
    if key not in tables:
        pairs = genotype_alleles(len(alleles)) + first
        # The last entry is where MISSING (-1) points.
        tables[key] = np.array([*(f"{a}/{b}" for a, b in pairs.tolist()), "./."], dtype=object)
    identifier = re.sub(r"[\s;]", "_", _plain(str(calls.marker_ids[m]))) or "."
    head = (
        contig,
        str(pos),
        identifier,
        ref,
        alt,
        ".",
        ".",
        ";".join(info) or ".",
        "GT",
    )
    genotypes = tables[key][calls.codes[m]]
    if calls.single is not None:
        for plant in np.flatnonzero(calls.single[m] != MISSING).tolist():
            genotypes[plant] = f"{int(calls.single[m, plant]) + first}/."
    return "\t".join((*head, *genotypes))
