"""A simulated season as the folder that `crossproof run` reads."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.errors import UsageError
from crossproof.io.vcf.bgzf import bgzf
from crossproof.model.arrays import Int8s, Ints, Objects
from crossproof.model.genotypes import Markers
from crossproof.model.results import CLASSES
from crossproof.model.sentinels import MISSING
from crossproof.simulate.noise import phred_from_depths
from crossproof.simulate.plan import BatchFormat
from crossproof.simulate.presets import PRESETS
from crossproof.simulate.presets import preset as preset_plan
from crossproof.simulate.season import SimulatedSeason, simulate_season

LAYOUT_NAMES = {
    BatchFormat.WIDE: "wide",
    BatchFormat.WIDE_BY_MARKER: "wide-by-marker",
    BatchFormat.LONG: "long",
}
VCF_FORMATS = {
    BatchFormat.VCF_GT: "GT",
    BatchFormat.VCF_DEPTH: "GT:AD:DP",
    BatchFormat.VCF_PL: "GT:AD:DP:PL",
}
VCF_HEADER = {
    "GT": '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">',
    "AD": '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="Reads per allele">',
    "DP": '##FORMAT=<ID=DP,Number=1,Type=Integer,Description="Reads">',
    "PL": '##FORMAT=<ID=PL,Number=G,Type=Integer,Description="Phred-scaled genotype likelihoods">',
}
DEPTH_TABLE = 64  # depths below this are rendered once


def simulate_folder(folder: Path, preset: str = "nursery", seed: int = 1) -> str:
    """Simulate a season by preset, write it, and say what was written; the same seed gives the same bytes.

    `preset` "list" writes nothing and returns the names.
    Raises UsageError for an unknown preset, or where `folder` already holds a config.yaml.
    """
    if preset == "list":
        return "\n".join(PRESETS)
    try:
        season = simulate_season(preset_plan(preset), np.random.default_rng(seed))
        write_season(season, folder)
    except (ValueError, FileExistsError) as mistake:
        raise UsageError.at(
            str(folder), f"{mistake}.", "See `crossproof simulate --help`.", value=preset
        ) from None
    counts = season.truth["truth"].value_counts()
    told = ", ".join(f"{counts[name]} {name}" for name in map(str, CLASSES) if name in counts)
    return (
        f"{folder}: {len(season.crosses)} crosses, {len(season.batch_names)} genotype files, "
        f"{len(season.truth)} progeny wells ({told}); the truth is in {Path(folder) / 'truth.csv'}"
    )


def write_season(season: SimulatedSeason, folder: Path) -> None:
    """Write a complete season folder: config, sheets, genotype files, marker sheet and truth.csv.

    Raises FileExistsError where `folder` already holds a config.yaml, so that no real season is overwritten.
    """
    folder = Path(folder)
    if (folder / "config.yaml").exists():
        raise FileExistsError(f"{folder / 'config.yaml'} is there already; simulate into a new folder")
    (folder / "samples").mkdir(parents=True, exist_ok=True)
    (folder / "genotypes").mkdir(exist_ok=True)
    files = []
    samples = season.samples
    for number, batch in enumerate(season.batch_names):
        form = season.batch_formats[number]
        wells = season.batch_wells(number)
        names = samples["sample_id"].to_numpy()[wells]
        _write_sheet(folder / "samples" / f"{batch}.csv", samples.iloc[wells])
        text = render_batch(season, number, wells, names)
        suffix = ".vcf" if form.is_vcf else ".csv"
        data = text.encode()
        if season.plan.compress:
            suffix, data = suffix + ".gz", bgzf(data)
        (folder / "genotypes" / f"{batch}{suffix}").write_bytes(data)
        files.append((batch, f"genotypes/{batch}{suffix}", LAYOUT_NAMES.get(form)))
    _write_sheet(folder / "crosses.csv", season.crosses)
    _write_sheet(folder / "markers.csv", marker_sheet(season.markers))
    _write_sheet(folder / "truth.csv", season.truth)
    (folder / "config.yaml").write_text(_config(season, files), encoding="utf-8", newline="\n")


def _config(season: SimulatedSeason, files: list[tuple[str, str, str | None]]) -> str:
    told = (("crop", season.plan.crop), ("season", season.plan.season))
    lines = ["crosses: crosses.csv", "samples: [samples/*.csv]", "genotypes:"]
    for batch, path, layout in files:
        shape = f", layout: {layout}" if layout else ""
        lines.append(f"  - {{batch: {batch}, path: {path}{shape}}}")
    lines.append("markers: markers.csv")
    lines += [f'{key}: "{text}"' for key, text in told if text]
    return "\n".join([*lines, ""])


def marker_sheet(markers: Markers) -> pd.DataFrame:
    """The marker sheet: marker, chrom, pos, inheritance, alleles."""
    return pd.DataFrame(
        {
            "marker": markers.ids,
            "chrom": markers.chrom,
            "pos": markers.pos,
            "inheritance": np.where(markers.maternal, "maternal", "nuclear"),
            "alleles": ["/".join(a) for a in markers.alleles],
        }
    )


def _write_sheet(path: Path, frame: pd.DataFrame) -> None:
    frame.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def render_batch(season: SimulatedSeason, number: int, wells: Ints, names: Objects) -> str:
    """The text of one genotype file."""
    form, rows = season.batch_formats[number], season.batch_markers[number]
    markers = season.markers.take(rows)
    if form.is_vcf:
        cells = _vcf_cells(season, form, rows, wells)
        return _vcf(markers, form, names, cells)
    cells = _table_cells(markers, season.calls[np.ix_(rows, wells)])
    return _table(markers, form, names, cells)


def _table_cells(markers: Markers, calls: Int8s) -> Objects:
    """Calls (marker, well, 2) as text such as A/G or 152/158, empty where missing."""
    out = np.empty(calls.shape[:2], dtype=object)
    for j, alleles in enumerate(markers.alleles):
        k = len(alleles)
        text = np.array([f"{a}/{b}" for a in alleles for b in alleles] + [""], dtype=object)
        a, b = calls[j, :, 0].astype(int), calls[j, :, 1].astype(int)
        out[j] = text[np.where((a == MISSING) | (b == MISSING), k * k, a * k + b)]
    return out


def _table(markers: Markers, form: BatchFormat, names: Objects, cells: Objects) -> str:
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    if form is BatchFormat.WIDE:
        write.writerow(["sample_id", *markers.ids])
        write.writerows([name, *column] for name, column in zip(names, cells.T, strict=True))
    elif form is BatchFormat.WIDE_BY_MARKER:
        write.writerow(["marker", *names])
        write.writerows([marker, *row] for marker, row in zip(markers.ids, cells, strict=True))
    else:
        write.writerow(["sample_id", "marker", "call"])
        for name, column in zip(names, cells.T, strict=True):
            write.writerows([name, marker, call] for marker, call in zip(markers.ids, column, strict=True))
    return out.getvalue()


def _vcf_cells(season: SimulatedSeason, form: BatchFormat, rows: Ints, wells: Ints) -> Objects:
    """Sample columns (marker, well) of a VCF; a maternal marker has one allele."""
    calls = season.calls[np.ix_(rows, wells)]
    diploid = np.array(["0/0", "0/1", "1/1", "./."], dtype=object)
    haploid = np.array(["0", ".", "1", "."], dtype=object)
    state = np.where(calls[:, :, 0] == MISSING, 3, calls.sum(axis=2)).astype(int)
    cells: Objects = np.where(season.markers.maternal[rows][:, None], haploid[state], diploid[state])
    if form is BatchFormat.VCF_GT:
        return np.asarray(cells)
    assert season.depths is not None
    depths = season.depths[np.ix_(rows, wells)].astype(int)
    depth_text = np.array(
        [[f":{a},{b}:{a + b}" for b in range(DEPTH_TABLE)] for a in range(DEPTH_TABLE)], dtype=object
    )
    shallow = np.asarray((depths < DEPTH_TABLE).all(axis=2))
    inside = np.where(shallow[:, :, None], depths, 0)
    reads = depth_text[inside[:, :, 0], inside[:, :, 1]]
    for j, i in zip(*np.nonzero(~shallow), strict=True):
        a, b = depths[j, i]
        reads[j, i] = f":{a},{b}:{a + b}"
    cells = cells + reads
    if form is BatchFormat.VCF_PL:
        phred = phred_from_depths(depths.astype(np.uint16), season.plan.read_error)
        numbers = np.array([str(v) for v in range(256)], dtype=object)
        maternal = season.markers.maternal[rows][:, None]
        three = ":" + numbers[phred[:, :, 0]] + "," + numbers[phred[:, :, 1]] + "," + numbers[phred[:, :, 2]]
        cells = cells + np.where(
            maternal, ":" + numbers[phred[:, :, 0]] + "," + numbers[phred[:, :, 2]], three
        )
    return cells


def _vcf(markers: Markers, form: BatchFormat, names: Objects, cells: Objects) -> str:
    keys = VCF_FORMATS[form]
    last: dict[str, int] = {}
    for chrom, pos in zip(markers.chrom, markers.pos, strict=True):
        last[chrom] = max(last.get(chrom, 0), int(pos))
    lines = ["##fileformat=VCFv4.3"]
    lines += [f"##contig=<ID={chrom},length={length}>" for chrom, length in last.items()]
    lines += [VCF_HEADER[key] for key in keys.split(":")]
    lines.append("\t".join(["#CHROM", "POS", "ID", "REF", "ALT", "QUAL", "FILTER", "INFO", "FORMAT", *names]))
    for j in range(len(markers)):
        ref, *alt = markers.alleles[j]
        head = [
            markers.chrom[j],
            str(markers.pos[j]),
            markers.ids[j],
            ref,
            ",".join(alt),
            ".",
            "PASS",
            ".",
            keys,
        ]
        lines.append("\t".join([*head, *cells[j]]))
    return "\n".join(lines) + "\n"
