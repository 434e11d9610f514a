"""The invented clean season whose second plate the laboratory sends in every ugly shape."""

from __future__ import annotations

import csv
import io
import shutil
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.simulate.plan import BatchFormat, SeasonPlan
from crossproof.simulate.season import simulate_season
from crossproof.simulate.writers import write_season

BATCH = "B002"
"""The plate that is received; the other one, B001, is in the season already."""

_PLAN = SeasonPlan(
    n_markers=24,
    n_lines=6,
    hidden_lines=1,
    n_crosses=14,
    plants_per_cross=10,
    missing=0.03,
    panel_on_every_plate=True,
    plates_per_batch=1,
    formats=(BatchFormat.WIDE,),
)

ACCENTED = {"C010-04": "Señal-04", "C012-02": "Ñandú-02"}
"""Plants whose names have accents, which some programs take apart."""

CONFIG = """\
# Settings of this season; remarks like this one must stay.
crosses: crosses.csv
samples: [samples/*.csv]
genotypes:
  - {batch: B001, path: genotypes/B001.csv, layout: wide}  # came first
markers: markers.csv
crop: "bean"  # invented
"""


@dataclass(frozen=True)
class Plate:
    """The clean second plate: names in order, calls[sample][marker] such as A/G ("" for none)."""

    samples: tuple[str, ...]
    wells: tuple[str, ...]
    plate: str
    markers: tuple[str, ...]
    chrom: tuple[str, ...]
    pos: tuple[int, ...]
    alleles: tuple[tuple[str, str], ...]
    calls: tuple[tuple[str, ...], ...]
    lines: tuple[str, ...]
    """Line of a parent sample, "" for others."""

    def rows(self) -> list[list[str]]:
        """The table as the season itself would write it: a row per sample."""
        return [
            ["sample_id", *self.markers],
            *([s, *c] for s, c in zip(self.samples, self.calls, strict=True)),
        ]


def write_clean(folder: Path, *, received: bool) -> None:
    """Write the season; with `received`, its second plate is there, clean, and named in config.yaml."""
    shutil.copytree(_made(), folder)
    config = CONFIG
    if received:
        entry = f"  - {{batch: {BATCH}, path: genotypes/{BATCH}.csv, layout: wide}}\n"
        config = config.replace("# came first\n", "# came first\n" + entry)
    else:
        (folder / "genotypes" / f"{BATCH}.csv").unlink()
    (folder / "config.yaml").write_text(config, encoding="utf-8")


@cache
def plate() -> Plate:
    """The clean second plate."""
    made = _made()
    rows = list(csv.reader(io.StringIO((made / "genotypes" / f"{BATCH}.csv").read_text())))
    sheet = pd.read_csv(made / "samples" / f"{BATCH}.csv", dtype=str, keep_default_na=False).set_index(
        "sample_id"
    )
    markers = pd.read_csv(made / "markers.csv", dtype=str).set_index("marker")
    names = [r[0] for r in rows[1:]]
    return Plate(
        tuple(names),
        tuple(sheet.loc[names, "well"]),
        str(sheet.loc[names[0], "plate"]),
        tuple(rows[0][1:]),
        tuple(markers.loc[rows[0][1:], "chrom"]),
        tuple(int(p) for p in markers.loc[rows[0][1:], "pos"]),
        tuple(tuple(a.split("/")) for a in markers.loc[rows[0][1:], "alleles"]),
        tuple(tuple(r[1:]) for r in rows[1:]),
        tuple(sheet.loc[names, "line"]),
    )


@cache
def _made() -> Path:
    import atexit
    import tempfile

    folder = Path(tempfile.mkdtemp(prefix="clean-season-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    write_season(simulate_season(_PLAN, np.random.default_rng(3)), folder / "season")
    (folder / "season" / "truth.csv").unlink()
    for kind in ("samples", "genotypes"):
        path = folder / "season" / kind / f"{BATCH}.csv"
        text = path.read_text(encoding="utf-8")
        for plain, accented in ACCENTED.items():
            text = text.replace(f"\n{plain},", f"\n{accented},")
        path.write_text(text, encoding="utf-8")
    return folder / "season"
