"""Two versions of the program give the same tables: `python tests/release/same_tables.py A B`.

A and B are checkouts with a `.venv`, or folders that an earlier comparison kept (`--keep`). Both run the same
four seasons: the demo and three invented ones that A's simulator writes from fixed seeds (a VCF with depths;
marker tables with a wish list; both kinds with plate faults, run once as it is and once more with two answers
in corrections.csv). Every results table must be the same to the byte, but for the columns of prose named
below, whose words may change; a column of prose must still have text in the same rows.
Ends with status 1 where a table differs.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

PROSE = {
    "verdicts": {"flags", "settle"},
    "crosses": {"next_step"},
    "operators": {"allowed_for", "note"},
    "factors": {"note"},
    "learning": {"note"},
    "plates": {"findings"},
    "samples": {"findings"},
    "markers": {"reason"},
    "lines": {"findings"},
    "problems": {"problem", "remedy"},
    "changes": {"cause"},
}
"""Columns that hold sentences, by table."""

SEASONS = {
    "vcf": """SeasonPlan(n_markers=300, n_lines=12, n_crosses=24, plants_per_cross=8, depth=6.0,
        overdispersion=0.1, formats=(BatchFormat.VCF_DEPTH,), plates_per_batch=2, replicate_plants=0.05,
        parent_departure=0.03, outcross=0.1)""",
    "tables": """SeasonPlan(n_markers=48, n_lines=14, n_crosses=24, plants_per_cross=8, sister_groups=3,
        fathers_have_sisters=True, bad_assays=0.1, wrong_tubes=0.05, missing=0.06, fragment_markers=2,
        maternal_markers=1, formats=(BatchFormat.WIDE, BatchFormat.LONG, BatchFormat.WIDE_BY_MARKER),
        batch_marker_share=0.9)""",
    "faults": """SeasonPlan(n_markers=60, n_lines=12, n_crosses=36, plants_per_cross=9, mixed_wells=0.02,
        failed_wells=0.03, panel_on_every_plate=True, blanks_per_plate=2,
        formats=(BatchFormat.VCF_PL, BatchFormat.WIDE), faults=(PlateFault(FaultKind.ROTATE, "P002"),
        PlateFault(FaultKind.SWAP_WELLS, "P001"), PlateFault(FaultKind.SWAP_TAGS, "C003", "C030"),
        PlateFault(FaultKind.LINE_IS, "LN05", "LN09", first="2"),
        PlateFault(FaultKind.CONTAMINATE_BLANKS, "P003"), PlateFault(FaultKind.SAME_PLANT, "P004")))""",
}
"""Plans of the invented seasons, as Python that A's simulator reads."""

ANSWERS = """kind,target,other,detail,note
rotate plate,P002,,,the sheet was read from below
swap tags,C003,C030,,
"""
WRITE = """
import sys
from pathlib import Path
import numpy as np
from crossproof.simulate import *
plan = {plan}
write_season(simulate_season(plan, np.random.default_rng({seed})), Path(sys.argv[1]))
"""
RUN = "from crossproof.cli import main; main()"


def python_of(checkout: Path) -> str:
    return str(checkout.resolve() / ".venv" / "bin" / "python")


def call(python: str, code: str, *arguments: str) -> None:
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        [python, "-c", code, *arguments], capture_output=True, text=True, env=environment, check=False
    )
    if done.returncode not in (0, 1):
        sys.exit(f"{python} {' '.join(arguments)} ended with {done.returncode}\n{done.stdout}{done.stderr}")


def write_seasons(checkout: Path, folder: Path) -> None:
    """The inputs of all seasons, by the simulator of one checkout."""
    shutil.copytree(
        checkout / "demo_genotypes",
        folder / "demo",
        ignore=shutil.ignore_patterns("results", ".crossproof", ".snakemake", "calibration.json"),
    )
    for seed, (name, plan) in enumerate(SEASONS.items(), start=5):
        call(python_of(checkout), WRITE.format(plan=plan, seed=seed), str(folder / name))
    crosses = pd.read_csv(folder / "tables" / "crosses.csv", dtype=str).head(3)
    crosses[["mother", "father"]].to_csv(folder / "tables" / "planned.csv", index=False)


def run_seasons(checkout: Path, inputs: Path, kept: Path) -> None:
    """Run every season with one checkout; its tables go to `kept`, by season."""
    for name in ("demo", *SEASONS):
        with tempfile.TemporaryDirectory(prefix="same_tables_") as scratch:
            season = Path(scratch) / name
            shutil.copytree(inputs / name, season)
            rounds = {name: None} if name != "faults" else {name: None, f"{name}_answered": ANSWERS}
            for called, answers in rounds.items():
                if answers:
                    (season / "corrections.csv").write_text(answers, encoding="utf-8")
                begun = time.perf_counter()
                call(python_of(checkout), RUN, "run", str(season), "--cores", "2", "--allow-findings")
                print(f"{checkout.name}: {called} in {time.perf_counter() - begun:.0f} s", flush=True)
                shutil.copytree(
                    season / "results",
                    kept / called,
                    ignore=shutil.ignore_patterns("*.html", "*.xlsx", "*.json"),
                )


def differences(a: Path, b: Path) -> list[str]:
    """What differs between two versions of one table, one line each."""
    if a.read_bytes() == b.read_bytes():
        return []
    read = (
        pd.read_parquet
        if a.suffix == ".parquet"
        else lambda p: pd.read_csv(p, dtype=str, keep_default_na=False)
    )
    one, two = read(a), read(b)
    if list(one.columns) != list(two.columns):
        return [f"columns {sorted(set(one.columns) ^ set(two.columns)) or 'in another order'}"]
    if len(one) != len(two):
        return [f"{len(one)} rows and {len(two)} rows"]
    found = []
    for column in one.columns:
        x, y = one[column].astype(str), two[column].astype(str)
        if column in PROSE.get(a.stem, ()):
            x, y = x != "", y != ""
        if not (x == y).all():
            row = int((x != y).argmax())
            found.append(f"{column}: {int((x != y).sum())} rows, first {row}: {x[row]!r}, {y[row]!r}")
    return found


def compare(a: Path, b: Path) -> int:
    """Print every difference between two folders of tables; their number."""
    wrong = same = prose = 0
    names = sorted(
        {p.relative_to(x) for x in (a, b) for p in x.rglob("*") if p.suffix in (".csv", ".parquet")}
    )
    for name in names:
        if not ((a / name).is_file() and (b / name).is_file()):
            print(f"{name}: in one of the two only")
            wrong += 1
            continue
        found = differences(a / name, b / name)
        wrong += bool(found)
        for line in found:
            print(f"{name}: {line}")
        alike = (a / name).read_bytes() == (b / name).read_bytes()
        same += alike
        prose += not alike and not found
    print(f"{len(names)} tables: {same} the same to the byte, {prose} but for prose, {wrong} different")
    return wrong if names else 1


def main() -> int:
    """Exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("a", type=Path, help="checkout with a .venv, or a folder kept before")
    parser.add_argument("b", type=Path, help="checkout with a .venv")
    parser.add_argument(
        "--keep", type=Path, help="new folder for the inputs and A's tables, to stand for A later"
    )
    asked = parser.parse_args()
    asked.a, asked.b = asked.a.resolve(), asked.b.resolve()
    with tempfile.TemporaryDirectory(prefix="same_tables_") as scratch:
        work = Path(scratch)
        if (asked.a / "tables").is_dir() and (asked.a / "inputs").is_dir():
            kept = asked.a
        else:
            kept = asked.keep or work / "a"
            write_seasons(asked.a, kept / "inputs")
            run_seasons(asked.a, kept / "inputs", kept / "tables")
        run_seasons(asked.b, kept / "inputs", work / "b")
        return int(compare(kept / "tables", work / "b") > 0)


if __name__ == "__main__":
    sys.exit(main())
