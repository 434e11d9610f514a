"""Small random seasons, judged in memory: every kind of fault, and none, one, two or several of everything.

Every name and number is invented; the season is drawn by `crossproof.simulate` and its folder then spoilt as
people spoil theirs: a parent that nobody typed, a file that cannot be read, columns that nobody filled in.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.errors import InputError
from crossproof.io.records.season_records import read_season
from crossproof.report.content.inputs import ReportInputs
from crossproof.simulate import (
    BatchFormat,
    FaultKind,
    Operator,
    PlateFault,
    SeasonPlan,
    simulate_season,
    write_season,
)
from crossproof.steps.report_in_memory import report_in_memory

SIZES = (1, 1, 2, 5)
RECORDED = ("date", "time", "temperature_c", "operator", "flowers", "pods", "seeds", "anthers_removed")


def simulated(seed: int, folder: Path) -> ReportInputs | None:
    """What the report of season `seed` is made from; None where its records are refused as they stand."""
    rng = np.random.default_rng(seed)
    write_season(simulate_season(_plan(rng, seed), rng), folder)
    _spoil(rng, seed, folder)
    try:
        return report_in_memory(read_season(folder))
    except InputError:
        return None


def _plan(rng: np.random.Generator, seed: int) -> SeasonPlan:
    crosses, plants = SIZES[seed % 4], SIZES[seed // 4 % 4]
    names = ("Ada", "Ben", "Cleo")[: int(rng.integers(1, 4))]
    common = {
        "n_crosses": crosses,
        "plants_per_cross": plants,
        "n_lines": int(rng.integers(4, 7)),
        "line_replicates": int(rng.integers(1, 4)),
        "n_markers": int(rng.choice([3, 8, 24])),
        "maternal_markers": int(rng.integers(0, 2)),
        "operators": tuple(Operator(n) for n in names),
        "bench_places": int(rng.choice([0, 3])),
        "base_self": float(rng.choice([0.1, 0.5])),
        "outcross": float(rng.choice([0.0, 0.3])),
        "off_pedigree": float(rng.choice([0.0, 0.3])),
        "parent_departure": float(rng.choice([0.0, 0.15])),
        "wrong_tubes": float(rng.choice([0.0, 0.3])),
        "missing": float(rng.choice([0.02, 0.3])),
        "failed_wells": float(rng.choice([0.0, 0.2])),
        "mixed_wells": float(rng.choice([0.0, 0.2])),
        "replicate_plants": float(rng.choice([0.0, 0.3])),
        "bad_assays": float(rng.choice([0.0, 0.2])),
        "sister_differences": 3,
        "formats": (BatchFormat(rng.choice([BatchFormat.WIDE, BatchFormat.VCF_GT])),),
    }
    return SeasonPlan(**common, faults=_faults(rng, crosses))  # type: ignore[arg-type]


def _faults(rng: np.random.Generator, crosses: int) -> tuple[PlateFault, ...]:
    kind = rng.choice(np.array([None, *FaultKind], dtype=object))
    if kind is FaultKind.SWAP_TAGS:
        return (PlateFault(kind, "C001", "C002"),) if crosses > 1 else ()
    if kind is FaultKind.LINE_IS:
        return (PlateFault(kind, "LN01", "LN02"),)
    if kind in (FaultKind.SWAP_WELLS, FaultKind.SAME_PLANT):
        return (PlateFault(kind, "P001"),) if crosses > 2 else ()
    if kind in (FaultKind.ROTATE, FaultKind.MIRROR, FaultKind.MIRROR_ROWS, FaultKind.CONTAMINATE_BLANKS):
        return (PlateFault(kind, "P001"),)
    return ()


def _spoil(rng: np.random.Generator, seed: int, folder: Path) -> None:
    crosses = pd.read_csv(folder / "crosses.csv", dtype=str, keep_default_na=False)
    for column in RECORDED:
        if rng.random() < 0.25 and column in crosses:
            crosses = crosses.drop(columns=column)
    if rng.random() < 0.3:
        crosses["target_hybrids"] = rng.integers(0, 6, len(crosses)).astype(str)
    crosses.to_csv(folder / "crosses.csv", index=False)
    sheets = sorted((folder / "samples").glob("*.csv"))
    spoilt = rng.choice(["", "untyped", "no plants", "no places", "file"])
    untyped = str(rng.choice(crosses[rng.choice(["mother", "father"])]))
    for sheet in sheets:
        samples = pd.read_csv(sheet, dtype=str, keep_default_na=False)
        if spoilt == "untyped":
            samples = samples[samples["line"] != untyped]
        if spoilt == "no plants" and seed % 3 == 0:
            samples = samples[samples["role"] != "progeny"]
        if spoilt == "no places":
            samples = samples.drop(columns=[c for c in ("plate", "well", "pod") if c in samples])
        samples.to_csv(sheet, index=False)
    files = sorted((folder / "genotypes").glob("*"))
    if spoilt == "file" and len(files) > 1:
        files[0].write_text("nothing that can be read\n", encoding="utf-8")
