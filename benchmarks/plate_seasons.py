"""Seasons with plate faults that the plate checks were not written from, judged as a user would.

    python benchmarks/plate_seasons.py --list
    python benchmarks/plate_seasons.py --fault "half of the sheet sorted" --seasons 10 -v

A season is drawn by `crossproof simulate`'s own code, one fault is put into its tables (calls moved between
wells, rows of the sheet re-ordered, wells killed, DNA spilled), the folder is written, read and judged by the
same functions as `crossproof run`. Counted: whether a finding holds the plants concerned, whether it is
rightly named, and how many plants are kept or culled on a wrong verdict, before and after the rows that the
findings propose stand in corrections.csv; plants that are wrong without the fault as well are not counted.
A measurement that was broken off goes on where it ended. The faults are listed in `plate_fault_list.py`.
"""

from __future__ import annotations

import argparse
import json
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
    """A season with a fault: as it came, and after the proposals were taken up (None: nothing proposed).

    `anyway`: plants that are acted upon wrongly in the same season without the fault.
    """

    fault: str
    disturbed: Disturbed
    before: Outcome
    after: Outcome | None
    anyway: frozenset[str]
    refused: str = ""

    @property
    def named(self) -> bool:
        """Whether a finding says what really happened."""
        return any(self.disturbed.names(f) for f in self.before.found)

    def record(self, seed: int, seconds: float) -> dict[str, object]:
        """What is kept of a season: counts, those of wrong plants less the ones that are wrong anyway."""

        def count(plants: tuple[str, ...]) -> int:
            return len(set(plants) - self.anyway)

        return {
            "fault": self.fault,
            "seed": seed,
            "held": self.before.holds,
            "named": self.named,
            "wrong": count(self.before.wrong),
            "culled": count(self.before.culled),
            "corrected": self.after is not None,
            "wrong after": 0 if self.after is None else count(self.after.wrong),
            "culled after": 0 if self.after is None else count(self.after.culled),
            "held after": self.after is not None and self.after.holds,
            "refused": self.refused,
            "holding": sorted({f.kind.value for f in self.before.found if f.critical}),
            "seconds": round(seconds, 2),
        }


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
        anyway: frozenset[str] = frozenset()
        if before.wrong or (after is not None and after.wrong):
            write_season(season, Path(name) / "sound")
            named = zip(season.truth["sample_id"], disturbed.season.truth["sample_id"], strict=True)
            now = dict(named)  # some faults name the plants anew
            anyway = frozenset(now[p] for p in judge(Path(name) / "sound", season.truth).wrong)
    return Trial(fault.name, disturbed, before, after, anyway, refused)


def shown(t: Trial, seed: int) -> str:
    """A trial in words, for -v."""
    kinds = "; ".join(
        f"{f.kind.value} {f.subject}"
        + (f"->{f.other}" if f.other else "")
        + (" HOLD" if f.critical else "")
        + f" [{f.log10_odds:.1f}]"
        for f in t.before.found
        if not f.note and f.kind not in (FindingKind.LOW_CALL_SAMPLE, FindingKind.EMPTY_SAMPLES)
    )
    after = (
        "-"
        if t.after is None
        else f"wrong {len(t.after.wrong)} culled {len(t.after.culled)} held {t.after.held}"
    )
    return (
        f"  {seed} {t.disturbed.words}: wrong {len(t.before.wrong)} culled {len(t.before.culled)} (of these "
        f"anyway {len(t.anyway)}) held {t.before.held} retest {t.before.silent}\n     {kinds[:600]}\n"
        f"     after: {after} {t.refused}"
    )


def read(path: Path) -> list[dict[str, object]]:
    """Seasons measured before; a last line that was cut off is left out."""
    out = []
    for line in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
        try:
            out.append(json.loads(line))
        except ValueError:
            continue
    return out


def table(records: list[dict[str, object]]) -> str:
    """Markdown table, a row for each fault."""
    lines = [
        "| fault | seasons | held | rightly named | wrong (true hybrids culled) | seasons with a wrong cull "
        "and no hold | corrected as proposed | wrong then (culled) |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name in dict.fromkeys(str(r["fault"]) for r in records):
        mine = [r for r in records if r["fault"] == name]

        def total(key: str, rows: list[dict[str, object]] = mine) -> int:
            return sum(int(r[key]) for r in rows)  # type: ignore[call-overload]

        silent = sum(bool(r["culled"]) and not r["held"] for r in mine)
        then = f"{total('wrong after')} ({total('culled after')})" if total("corrected") else ""
        lines.append(
            f"| {name} | {len(mine)} | {total('held')} | {total('named')} | {total('wrong')} "
            f"({total('culled')}) | {silent} | {total('corrected') or '-'} | {then} |"
        )
    return "\n".join(lines)


def measure(faults: list[Fault], args: argparse.Namespace) -> None:
    """Season by season, all faults in turn, each written as soon as it is done; those written are passed
    over, so that a measurement that was broken off goes on where it ended."""
    done = {(r["fault"], r["seed"]) for r in read(args.out)}
    for seed in range(args.first_seed, args.first_seed + args.seasons):
        for fault in faults:
            big = "plate_wells" in fault.plan and seed >= args.first_seed + args.big
            if (fault.name, seed) in done or big:
                continue
            start = time.process_time()
            try:
                t = trial(fault, seed)
            except Exception as e:
                print(f"  ERROR {fault.name}, seed {seed}: {type(e).__name__}: {e}", flush=True)
                continue
            with args.out.open("a", encoding="utf-8") as out:
                out.write(json.dumps(t.record(seed, time.process_time() - start)) + "\n")
            if args.verbose:
                print(fault.name, shown(t, seed), flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fault", action="append", help="name or part of one; all by default")
    parser.add_argument("--seasons", type=int, default=10)
    parser.add_argument("--big", type=int, default=10, help="seasons of 384 wells, at most")
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--out", type=Path, default=Path("plate_seasons.jsonl"), help="a line per season")
    parser.add_argument("--table", action="store_true", help="only print the table of --out")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("-v", "--verbose", action="store_true")
    args = parser.parse_args()
    faults = [*FAULTS, *CLEAN]
    if args.list:
        print("\n".join(f.name for f in faults))
        return
    if not args.table:
        measure([f for f in faults if not args.fault or any(a in f.name for a in args.fault)], args)
    print(table(read(args.out)))


if __name__ == "__main__":
    main()
