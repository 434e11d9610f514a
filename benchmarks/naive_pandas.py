"""What a careful person would write in pandas in an afternoon: the share of heterozygous contrast markers.

    python benchmarks/naive_pandas.py SEASON [OUT.csv]

Reads the same sheets and genotype files as crossproof (wide tables, or VCF by its GT field), takes each
line's commonest call per marker, and writes for every plant how many of the markers that differ between its
parents are scored and heterozygous, and `hybrid` where 80 % are. No error rates, no donors, no checks, no
report. It is the measure of cost in `benchmarks/pipeline.py`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import yaml


def read_calls(path: Path) -> pd.DataFrame:
    """Calls as text, one row per sample, markers in columns."""
    if ".vcf" in path.name:
        with_header = pd.read_csv(path, sep="\t", comment=None, skiprows=_header_lines(path), dtype=str)
        calls = with_header.iloc[:, 9:].apply(lambda column: column.str.split(":", n=1).str[0])
        calls = calls.replace({"0/0": "0/0", "./.": "", "1/0": "0/1"})
        calls.index = with_header["ID"]
        return calls.T
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    return table.set_index(table.columns[0])


def _header_lines(path: Path) -> int:
    import gzip

    opener = gzip.open if path.name.endswith(".gz") else open
    with opener(path, "rt") as handle:
        for number, line in enumerate(handle):
            if not line.startswith("##"):
                return number
    return 0


def main(season: Path, out: Path) -> None:
    """Write the table of one season."""
    config = yaml.safe_load((season / "config.yaml").read_text())
    crosses = pd.read_csv(season / config["crosses"], dtype=str, keep_default_na=False)
    sheets = [p for pattern in config["samples"] for p in sorted(season.glob(pattern))]
    samples = pd.concat([pd.read_csv(p, dtype=str, keep_default_na=False) for p in sheets])
    calls = pd.concat([read_calls(season / g["path"]) for g in config["genotypes"]]).fillna("")

    alleles = calls.to_numpy(dtype=str)
    parts = np.char.partition(alleles, "/")
    called = (alleles != "") & (alleles != "-") & (alleles != "NA")
    first, second = parts[..., 0], parts[..., 2]
    het = called & (first != second)
    place = {name: i for i, name in enumerate(calls.index)}

    parents = samples[samples["role"] == "parent"]
    lines = {}
    for line, group in parents.groupby("line"):
        typed = calls.loc[[s for s in group["sample_id"] if s in place]]
        lines[line] = typed.mode().iloc[0].to_numpy(dtype=str)

    rows = []
    parents_of = crosses.set_index("cross_id")[["mother", "father"]].to_dict("index")
    progeny = samples[samples["role"] == "progeny"]
    for cross, group in progeny.groupby("cross_id"):
        mother, father = parents_of[cross]["mother"], parents_of[cross]["father"]
        if mother not in lines or father not in lines:
            continue
        m, f = lines[mother], lines[father]
        fixed = np.array([len(set(x.split("/"))) == 1 and x != "" for x in m])
        fixed &= np.array([len(set(x.split("/"))) == 1 and x != "" for x in f])
        contrast = fixed & (m != f)
        at = [place[s] for s in group["sample_id"]]
        scored = called[at][:, contrast].sum(axis=1)
        share = het[at][:, contrast].sum(axis=1) / np.maximum(scored, 1)
        rows.append(
            pd.DataFrame(
                {
                    "plant": group["plant"].to_numpy(),
                    "cross_id": cross,
                    "contrast_scored": scored,
                    "het_share": share,
                    "hybrid": share >= 0.8,
                }
            )
        )
    pd.concat(rows).to_csv(out, index=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2] if len(sys.argv) > 2 else "/dev/null"))
