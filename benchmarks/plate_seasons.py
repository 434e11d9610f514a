"""Seasons with plate faults that the plate checks were not written from, judged as a user would.

    python benchmarks/plate_seasons.py --list
    python benchmarks/plate_seasons.py --fault "half of the sheet sorted" --seasons 10

A season is drawn by `crossproof simulate`'s own code, one fault is put into its tables (calls moved between
wells, rows of the sheet re-ordered, wells killed, DNA spilled), the folder is written, read and judged by the
same functions as `crossproof run`. Counted: whether a finding holds the plants concerned, whether it is
rightly named, and how many plants are kept or culled on a wrong verdict, before and after the rows that the
findings propose stand in corrections.csv. The faults are listed in `plate_fault_list.py`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
from disturbed_seasons import Disturbed, Fault
from plate_fault_list import CLEAN, FAULTS, season_plan

from crossproof.io.records.season_records import read_season
from crossproof.model.findings import Finding, FindingKind
from crossproof.model.results import Decision
from crossproof.season.findings import corrections_table
from crossproof.simulate import simulate_season, write_season
from crossproof.steps.in_memory import judged_in_memory

ACTED = {str(Decision.KEEP), str(Decision.CULL)}


@dataclass(frozen=True)
class Outcome:
    """One judging of a season: its findings, plants acted upon wrongly, true hybrids culled, plants held."""

    found: tuple[Finding, ...]
    wrong: tuple[str, ...]
    culled: tuple[str, ...]
    held: int
    silent: int

    @property
    def holds(self) -> bool:
        """Whether the plate checks hold anything; a parent that is not resolved is no matter of plates."""
        return any(f.critical and f.kind is not FindingKind.PARENT_UNRESOLVED for f in self.found)


def judge(folder: Path, truth: pd.DataFrame) -> Outcome:
    """Judge a season's folder and compare with the truth, plant by plant."""
    done = judged_in_memory(read_season(folder))
    real = dict(zip(truth["sample_id"], truth["truth"], strict=True))
    wrong, culled, silent = [], [], 0
    for plant, verdict, decision in zip(
        done.frame["plant"], done.frame["verdict"], done.frame["decision"], strict=True
    ):
        if decision in ACTED and verdict != real[plant]:
            wrong.append(plant)
            if decision == str(Decision.CULL) and real[plant] == "hybrid":
                culled.append(plant)
        silent += decision == str(Decision.RETEST)
    held = int((done.frame["decision"] == str(Decision.HOLD)).sum())
    return Outcome(done.findings.found, tuple(wrong), tuple(culled), held, int(silent))


@dataclass(frozen=True)
class Trial:
    """A season with a fault: as it came, and after the proposals were taken up (None: nothing proposed)."""

    fault: str
    disturbed: Disturbed
    before: Outcome
    after: Outcome | None
    refused: str = ""

    @property
    def named(self) -> bool:
        """Whether a finding says what really happened."""
        return any(self.disturbed.names(f) for f in self.before.found)


def trial(fault: Fault, seed: int) -> Trial:
    """Draw a season, disturb it, judge it, take up what is proposed, judge it again."""
    rng = np.random.default_rng(seed)
    season = simulate_season(season_plan(fault, rng), rng)
    disturbed = fault.disturb(season, rng)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "season"
        write_season(disturbed.season, folder)
        before = judge(folder, disturbed.season.truth)
        proposed = corrections_table(before.found)
        after, refused = None, ""
        if len(proposed):
            proposed.to_csv(folder / "corrections.csv", index=False)
            try:
                after = judge(folder, disturbed.season.truth)
            except Exception as e:  # a set of proposals that cannot be applied is a fault to be counted
                refused = f"{type(e).__name__}: {e}"
    return Trial(fault.name, disturbed, before, after, refused)


def row(fault: Fault, first_seed: int, count: int, verbose: bool) -> dict[str, object]:
    """Counts over `count` seasons."""
    start = time.process_time()
    trials = []
    errors = []
    for i in range(count):
        try:
            trials.append(trial(fault, first_seed + i))
        except Exception as e:
            errors.append(f"seed {first_seed + i}: {type(e).__name__}: {e}")
            if verbose:
                raise
    if verbose:
        for i, t in enumerate(trials):
            kinds = "; ".join(
                f"{f.kind.value} {f.subject}"
                + (f"->{f.other}" if f.other else "")
                + (" HOLD" if f.critical else "")
                + f" [{f.log10_odds:.1f}]"
                for f in t.before.found
                if not f.note and f.kind.value not in ("low call rate", "samples without calls")
            )
            after = (
                "-"
                if t.after is None
                else (
                    f"wrong {len(t.after.wrong)} culled {len(t.after.culled)} held {t.after.held} | "
                    + "; ".join(f"{f.kind.value} {f.subject}" for f in t.after.found if f.critical)
                )
            )
            print(
                f"  {first_seed + i} {t.disturbed.words}: named {t.named} holds {t.before.holds} "
                f"wrong {len(t.before.wrong)} culled {len(t.before.culled)} held {t.before.held} "
                f"retest {t.before.silent}\n     {kinds[:600]}\n     after: {after} {t.refused}"
            )
    safe_after = [t for t in trials if t.after is not None]
    out = {
        "fault": fault.name,
        "seasons": count,
        "held": sum(t.before.holds for t in trials),
        "named": sum(t.named for t in trials),
        "wrong": sum(len(t.before.wrong) for t in trials),
        "culled": sum(len(t.before.culled) for t in trials),
        "corrected": len(safe_after),
        "wrong after": sum(len(t.after.wrong) for t in safe_after if t.after),
        "still held": sum(t.after.holds for t in safe_after if t.after),
        "refused": sum(bool(t.refused) for t in trials),
        "errors": len(errors),
        "seconds": round(time.process_time() - start, 1),
    }
    for e in errors:
        print("  ERROR", e)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fault", action="append", help="name or part of one; all by default")
    parser.add_argument("--seasons", type=int, default=10)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--list", action="store_true")
    parser.add_argument("-v", "--verbose", action="store_true")
    args = parser.parse_args()
    faults = [*FAULTS, *CLEAN]
    if args.list:
        print("\n".join(f.name for f in faults))
        return
    chosen = [f for f in faults if not args.fault or any(a in f.name for a in args.fault)]
    for fault in chosen:
        print(row(fault, args.first_seed, args.seasons, args.verbose), flush=True)


if __name__ == "__main__":
    main()
