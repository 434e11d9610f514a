"""The child process of `bcf`: cyvcf2's records, put through the same checks as VCF text.

Reads an order (JSON) on standard input; writes the candidates and a report of problems. cyvcf2 checks neither
ploidy nor allele numbers, and its region queries return records that only reach into a region: all of that
is checked here.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from cyvcf2 import VCF
from numpy.typing import NDArray

from crossproof.io.problems import MOST_ALIKE, Problems, TooManyProblems
from crossproof.io.vcf.fields import Numeric, NumericGroup
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import AGAIN, Refused
from crossproof.io.vcf.header import VcfHeader
from crossproof.io.vcf.marker_choice import MarkerChoice
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED, haploid_to_diploid, to_phred, two_ploidies
from crossproof.io.vcf.records import Records
from crossproof.io.vcf.region_parts import RegionPart, write_part
from crossproof.io.vcf.text import VcfScan
from crossproof.model.arrays import Bools, Int8s, Int16s, Ints, UInt8s, UInt16s
from crossproof.model.genotypes import n_genotypes
from crossproof.model.sentinels import ABSENT, MISSING

_INT_MISSING, _INT_END = -(2**31), -(2**31) + 1


def main() -> int:
    """Carry out the order on standard input."""
    order = json.load(sys.stdin)
    problems = Problems(order["shown_as"], alike=True)
    header = VcfHeader(
        tuple(order["samples"]), 0, False, order["contigs"], order["format_numbers"], tuple(order["notes"])
    )
    scan = VcfScan(
        header,
        problems,
        np.array(order["columns"], dtype=np.int64),
        order["want_phred"],
        order["want_depths"],
        known_lines=False,
    )
    samples = tuple(header.samples[c] for c in order["columns"])
    panel = None if order["panel"] is None else np.array(order["panel"], dtype=np.int64)
    choice = MarkerChoice(samples, order["limit"], panel, tally=scan.tally)
    try:
        for records in _chunks(_variants(order, problems), scan):
            choice.add(records)
        if choice.mostly_aside():
            problems.extend(scan.aside.listed()[:MOST_ALIKE])
    except TooManyProblems:
        pass
    report = {
        "problems": [
            [p.severity.value, p.file, p.row, p.column, p.value, p.problem, p.remedy]
            for p in problems.listed()
        ],
        "records": scan.tally.records,
    }
    out = Path(order["out"])
    if not problems:
        write_part(out, RegionPart(choice, order["expected"], tuple(order["notes"])))
    out.with_suffix(".json").write_text(json.dumps(report), encoding="utf-8")
    return 0


def _variants(order: dict[str, Any], problems: Problems) -> Iterator[Any]:
    try:
        reader = VCF(order["path"], lazy=False)
        if list(reader.samples) != order["samples"]:
            problems.error("The samples of the header cannot be told.", AGAIN)
            return
        if order["regions"] is None:
            yield from reader
            return
        for contig, start, end in order["regions"]:
            for variant in reader(f"{contig}:{max(start, 1)}-{end}"):
                if start <= variant.POS <= end and contig == variant.CHROM:
                    yield variant
    except (OSError, ValueError, RuntimeError, Exception) as fault:
        if isinstance(fault, TooManyProblems | MemoryError):
            raise
        problems.error(f"The file is malformed: {fault}.", "Convert it again from VCF.")


def _chunks(variants: Iterable[Any], scan: VcfScan) -> Iterator[Records]:
    size = max(16, 1_000_000 // max(1, len(scan.columns)))
    held: list[_Variant] = []
    for variant in variants:
        try:
            one = _read(variant, scan)
        except Refused as fault:
            noted = scan.aside if fault.record_only else scan.problems
            noted.error(
                f"{fault.why} (record {variant.CHROM}:{variant.POS})", fault.remedy, column=fault.column
            )
            if fault.record_only:
                scan.set_aside(fault, variant.CHROM, int(variant.POS), variant.ID or ".", scan.tally.records)
            continue
        except UnicodeDecodeError:
            # Whichever text of the record it is, even its place may be unreadable.
            scan.problems.error(f"Record {scan.tally.records + 1} is not UTF-8 text.", AGAIN)
            continue
        if one is not None:
            held.append(one)
        if len(held) == size:
            yield _records(held, scan)
            held = []
    if held:
        yield _records(held, scan)


class _Variant:
    """One accepted record with its raw arrays."""

    def __init__(self, fixed: Any, calls: Int8s, raw: dict[str, NDArray[Any]]) -> None:
        self.fixed, self.calls, self.raw = fixed, calls, raw


def _column(fault: Refused, scan: VcfScan, sample: int) -> Refused:
    fault.column = scan.header.samples[scan.columns[sample]]
    return fault


def _read(variant: Any, scan: VcfScan) -> _Variant | None:
    keys = list(variant.FORMAT or [])
    fixed = scan.accept(
        variant.CHROM,
        int(variant.POS),
        variant.ID or ".",
        variant.REF,
        ",".join(variant.ALT) or ".",
        (variant.FILTER or ".").encode(),
        ":".join(keys),
    )
    if fixed is None:
        return None
    layout: FieldLayout = fixed.layout
    calls = np.full((len(scan.columns), 2), MISSING, dtype=np.int8)
    if layout.has_gt:
        calls = _calls(variant.genotype.array()[scan.columns], len(fixed.alleles), scan)
    raw = {}
    likely = scan.want_phred or not layout.has_gt
    wanted = {
        "PL": likely and layout.pl is not None,
        "GL": likely and layout.gl is not None and (layout.pl is None or not layout.has_gt),
        "AD": scan.want_depths and layout.ad is not None,
    }
    for key in (key for key, is_wanted in wanted.items() if is_wanted):
        values = variant.format(key)
        if values is not None:
            raw[key] = np.asarray(values)[scan.columns]
    return _Variant(fixed, calls, raw)


def _calls(array: Int16s, k: int, scan: VcfScan) -> Int8s:
    """Calls (sample, 2) from cyvcf2's (sample, ploidy + phase)."""
    alleles = array[:, :-1].astype(np.int64)
    if alleles.shape[1] > 2:
        extra = np.flatnonzero((alleles[:, 2:] != -2).any(axis=1))
        if len(extra):
            raise _column(
                Refused(
                    "The genotype has more than two alleles; only diploid and haploid calls can be judged.",
                    "Call the genotypes again with ploidy 2.",
                    record_only=True,
                ),
                scan,
                int(extra[0]),
            )
        alleles = alleles[:, :2]
    if alleles.shape[1] == 1:
        alleles = np.concatenate([alleles, np.full_like(alleles, -2)], axis=1)
    beyond = np.flatnonzero((alleles >= k).any(axis=1) | (alleles < -2).any(axis=1))
    if len(beyond):
        raise _column(
            Refused(
                f"The genotype names an allele that the record does not list (it has alleles 0 to {k - 1}).",
                "Export the file again; REF, ALT and the genotypes do not belong together.",
            ),
            scan,
            int(beyond[0]),
        )
    out = alleles.astype(np.int8)
    out[out[:, 0] == -2] = MISSING
    # A single '.' says nothing of the number of copies: both missing, as in VCF text.
    out[(out[:, 0] == MISSING) & (out[:, 1] == ABSENT)] = MISSING
    return out


def _records(held: list[_Variant], scan: VcfScan) -> Records:
    calls = np.stack([v.calls for v in held])

    def numeric(chosen: Ints) -> Numeric:
        return _numeric([held[i] for i in chosen], scan)

    records = Records(
        [v.fixed.chrom for v in held],
        np.array([v.fixed.pos for v in held], dtype=np.int64),
        [v.fixed.id for v in held],
        [v.fixed.alleles for v in held],
        calls,
        np.zeros(len(held), dtype=np.int64),
        numeric,
    )
    scan.call_from_likelihood(records, [v.fixed.layout for v in held])
    return records


def _numeric(held: list[_Variant], scan: VcfScan) -> Numeric:
    out = Numeric()
    sizes = np.array([len(v.fixed.alleles) for v in held], dtype=np.int64)
    for k in sorted(set(sizes.tolist())):
        rows = np.flatnonzero(sizes == k)
        has_phred = np.array(["PL" in held[i].raw or "GL" in held[i].raw for i in rows])
        has_depths = np.array(["AD" in held[i].raw for i in rows])
        filled = NumericGroup.empty(rows, len(scan.columns), k, has_phred, has_depths)
        for at, i in enumerate(rows):
            variant = held[i]
            try:
                if filled.phred is not None and has_phred[at]:
                    name = "PL" if "PL" in variant.raw else "GL"
                    one_copy = (variant.calls[:, 1] == ABSENT) | (variant.calls == MISSING).all(axis=1)
                    haploid = (variant.calls[:, 1] == ABSENT) & (variant.calls[:, 0] != MISSING)
                    filled.phred[at] = _phred(variant.raw[name], k, name, one_copy, haploid, scan)
                if filled.depths is not None and has_depths[at]:
                    filled.depths[at] = _depths(variant.raw["AD"], k, scan)
            except Refused as fault:
                noted = scan.aside if fault.record_only else scan.problems
                if fault.record_only:
                    out.unfit[int(i)] = fault.why
                noted.error(
                    f"{fault.why} (record {variant.fixed.chrom}:{variant.fixed.pos})",
                    fault.remedy,
                    column=fault.column,
                )
        out.groups[k] = filled
    return out


def _counted(values: NDArray[Any]) -> tuple[Ints, Bools]:
    """Number of values each sample has, and whether one of them is missing."""
    if values.dtype.kind == "f":
        # cyvcf2 turns both of htslib's float markers into NaN; the end marker cannot be told from missing.
        known = ~np.isnan(values)
        return known.sum(axis=1), ~known.any(axis=1)
    ended = values == _INT_END
    return (~ended).sum(axis=1), (values == _INT_MISSING).any(axis=1)


def _phred(
    values: NDArray[Any],
    k: int,
    name: str,
    one_copy: Bools,
    haploid: Bools,
    scan: VcfScan,
) -> UInt8s:
    n_g = n_genotypes(k)
    count, missing = _counted(values)
    both = np.flatnonzero(haploid & (count == n_g) & ~missing & (n_g > k))
    if len(both):
        raise _column(two_ploidies(name, n_g, k), scan, int(both[0]))
    sound = (count == n_g) | ((count == k) & one_copy) | missing
    if not sound.all() or values.shape[1] > n_g:
        sample = int(np.flatnonzero(~sound)[0]) if not sound.all() else 0
        raise _column(
            Refused(
                f"{name} has {int(count[sample])} values; a record of {k} alleles needs {n_g} "
                f"(or {k} for a haploid call).",
                AGAIN,
                record_only=True,
            ),
            scan,
            sample,
        )
    scores = values.astype(np.float64) * (1.0 if name == "PL" else -10.0)
    out = np.full((len(values), n_g), NO_PHRED, np.uint8)
    full = (count == n_g) & ~missing
    wrong = np.flatnonzero((full[:, None] & (scores < 0)).any(axis=1))
    if len(wrong):
        raise _column(Refused(f"{name} holds a value of the wrong sign.", AGAIN), scan, int(wrong[0]))
    if full.any():
        out[full] = to_phred(np.minimum(scores[full], 1e7))
    for i in np.flatnonzero((count == k) & ~full & ~missing):
        out[i] = to_phred(haploid_to_diploid(np.minimum(scores[i, :k], 1e7), k))
    return out


def _depths(values: NDArray[Any], k: int, scan: VcfScan) -> UInt16s:
    count, missing = _counted(values)
    sound = (count == k) | missing
    if not sound.all() or values.shape[1] > k:
        sample = int(np.flatnonzero(~sound)[0]) if not sound.all() else 0
        raise _column(
            Refused(
                f"AD has {int(count[sample])} values; a record of {k} alleles needs {k}.",
                AGAIN,
                record_only=True,
            ),
            scan,
            sample,
        )
    out = np.full((len(values), k), NO_DEPTH, np.uint16)
    known = (count == k) & ~missing
    if (values[known] < 0).any():
        raise _column(
            Refused("AD holds a negative depth.", AGAIN),
            scan,
            int(np.flatnonzero(known & (values < 0).any(axis=1))[0]),
        )
    out[known] = np.minimum(values[known], NO_DEPTH - 1)
    return out


if __name__ == "__main__":
    sys.exit(main())
