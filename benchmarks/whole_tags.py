"""Tags that are wrong as a whole, and backcrosses on purpose: what a breeder would do on the tool's word.

    python benchmarks/whole_tags.py                        every season, 10 seeds each; printed
    python benchmarks/whole_tags.py untyped_once_8 --seeds 2

Each season is written to files and judged by `crossproof.verify`, plate and tag checks included, because what
counts here is the decision: a plant that is held is not yet kept or culled. `benchmarks/accuracy.py` puts the
table into docs/accuracy.md.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import crossproof
from crossproof.score import percent
from crossproof.simulate import preset, simulate_season, write_season

SEEDS = 10
LIKELY, SURE = 0.95, 0.99


@dataclass(frozen=True)
class Counts:
    """What was done with the plants of one kind of season; of the faulty tags alone where named so.

    `false_likely`, `false_sure`: no hybrids, p_hybrid above 0.95 and 0.99, not held. `kept_wrong`: no
    hybrids, to keep. `culled_wrong`: hybrids, to cull. `wrong`: determined, not held, of another class.
    """

    plants: int
    determined: int
    wrong: int
    false_likely: int
    false_sure: int
    kept_wrong: int
    hybrids: int
    culled_wrong: int
    held: int
    faulty: int
    faulty_right: int
    faulty_waiting: int


def count(plants: pd.DataFrame) -> Counts:
    """Counts of judged plants with their truth."""
    held = plants["decision"] == "hold"
    hybrid = plants["truth"] == "hybrid"
    determined = plants["verdict"] != "undetermined"
    wrong = determined & ~held & (plants["verdict"] != plants["truth"])
    free = ~hybrid & ~held
    faulty = plants["faulty"]
    right = determined & ~held & (plants["verdict"] == plants["truth"])
    return Counts(
        len(plants),
        int(determined.sum()),
        int(wrong.sum()),
        int((free & (plants["p_hybrid"] > LIKELY)).sum()),
        int((free & (plants["p_hybrid"] > SURE)).sum()),
        int((~hybrid & (plants["decision"] == "keep")).sum()),
        int(hybrid.sum()),
        int((hybrid & (plants["decision"] == "cull")).sum()),
        int(held.sum()),
        int(faulty.sum()),
        int((faulty & right).sum()),
        int((faulty & (held | ~determined)).sum()),
    )


@dataclass(frozen=True)
class Row:
    """A season of the table, what is wanted of it in words, and whether the counts reach it."""

    name: str
    words: str
    wanted: str
    reached: Callable[[Counts], bool]


def _none_likely(c: Counts) -> bool:
    return c.false_likely == 0


def _none_and_most_found(c: Counts) -> bool:
    return c.false_likely == 0 and c.faulty_right >= 0.9 * c.faulty


def _none_and_settled(c: Counts) -> bool:
    return c.false_likely == 0 and c.faulty_right + c.faulty_waiting >= 0.99 * c.faulty


def _backcrosses(c: Counts) -> bool:
    return c.wrong <= 0.003 * c.determined and c.determined >= 0.97 * c.plants


def _one_percent(c: Counts) -> bool:
    return c.wrong <= 0.01 * c.determined


NONE_LIKELY = "no p_hybrid above 0.95 that is not held"
ONCE = "a tag by an untyped line, every line typed once, {} plants a tag"
TWICE = "the same, lines typed twice, {} plants a tag"
FOUND = "outcross in >= 90 % of its plants, no false hybrid"
SEVERAL = "{} tags of one father, each by another untyped line, lines typed twice"
RELATIVE = "a tag by an untyped relative of the father that differs at {} % of markers"
BACKCROSS = "backcrosses on purpose, F1 parents declared, {} markers"
BACKCROSS_WANTED = "<= 0.3 % wrong, >= 97 % determined"
LOW_DEPTH = "20,000 markers at depth {}: whole tags of F2 and of both backcrosses"

ROWS = (
    *(Row(f"untyped_once_{n}", ONCE.format(n), NONE_LIKELY, _none_likely) for n in (4, 8, 16)),
    *(Row(f"untyped_twice_{n}", TWICE.format(n), FOUND, _none_and_most_found) for n in (16, 24)),
    *(
        Row(f"untyped_{n}_tags", SEVERAL.format(word), "all outcross or held", _none_and_settled)
        for n, word in ((2, "two"), (3, "three"), (4, "four"))
    ),
    *(Row(f"relative_{n}", RELATIVE.format(n), NONE_LIKELY, _none_likely) for n in (10, 15, 20)),
    Row("relative_pod", "half of the pods of two tags by such a relative (15 %)", NONE_LIKELY, _none_likely),
    *(
        Row(f"backcross_{n}", BACKCROSS.format(f"{n:,}"), BACKCROSS_WANTED, _backcrosses)
        for n in (200, 600, 2000)
    ),
    Row("later_12", "12 markers: whole tags of F2 and of backcross seed", "<= 1 % wrong", _one_percent),
    Row(
        "one_plant",
        "one plant a cross, 60 lines typed once, 10 % of tubes wrong",
        "<= 1 % wrong",
        _one_percent,
    ),
    *(Row(f"reads_{d}", LOW_DEPTH.format(d), NONE_LIKELY, _none_likely) for d in ("0.5", "5")),
)


def one_season(name: str, seed: int) -> pd.DataFrame:
    """Decisions and truth of a simulated season, one row per plant, with the seconds it took to judge."""
    warnings.simplefilter("ignore")
    sim = simulate_season(preset(name), np.random.default_rng([seed, 2026]))
    with tempfile.TemporaryDirectory() as folder:
        write_season(sim, Path(folder))
        start = time.process_time()
        verdicts = crossproof.verify(folder)
        seconds = time.process_time() - start
    columns = ["sample_id", "cross_id", "verdict", "decision", "p_hybrid"]
    said = verdicts[columns].astype({"verdict": str, "decision": str})
    plants = said.merge(sim.truth, on="sample_id", validate="one_to_one")
    faulty = plants["cross_id"].astype(str).isin(sim.faulty_tags)
    return plants.assign(season=name, seed=seed, faulty=faulty, seconds=seconds)


def run(names: list[str], seeds: int, jobs: int) -> pd.DataFrame:
    """All seasons, in the order of the table."""
    todo = [(name, seed) for name in names for seed in range(1, seeds + 1)]
    frames = []
    with ProcessPoolExecutor(jobs) as pool:
        for (name, seed), frame in zip(todo, pool.map(one_season, *zip(*todo, strict=True)), strict=True):
            print(name, seed, count(frame), f"{frame['seconds'].iloc[0]:.1f} s", flush=True)
            frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def table(plants: pd.DataFrame) -> str:
    """The table as Markdown."""
    lines = [
        "| season | seeds | plants | determined | wrong and not held | false hybrids above 0.95, not held "
        "| above 0.99 | true hybrids culled "
        "| plants of the faulty tags: named, waiting, kept or culled wrongly "
        "| wanted | reached |",
        "|---" * 11 + "|",
    ]
    for row in ROWS:
        mine = plants[plants["season"] == row.name]
        if not len(mine):
            continue
        c = count(mine)
        rest = c.faulty - c.faulty_right - c.faulty_waiting
        faulty = f"{c.faulty_right}, {c.faulty_waiting}, {rest} of {c.faulty}" if c.faulty else "-"
        lines.append(
            f"| {row.words} (`{row.name}`) | {mine['seed'].nunique()} | {c.plants} | "
            f"{percent(c.determined / c.plants)} | {c.wrong} = {percent(c.wrong / max(1, c.determined))} | "
            f"{c.false_likely} | {c.false_sure} | {c.culled_wrong} of {c.hybrids} | {faulty} | "
            f"{row.wanted} | {'yes' if row.reached(c) else '**no**'} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run and print."""
    known = [row.name for row in ROWS]
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("seasons", nargs="*", help=f"of {', '.join(known)}; all when none is named")
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--plants", type=Path, help="write every plant's decision and truth to this CSV")
    args = parser.parse_args()
    unknown = [name for name in args.seasons if name not in known]
    if unknown:
        parser.error(f"no season {unknown[0]!r}; choose of {', '.join(known)}")
    plants = run(args.seasons or known, args.seeds, args.jobs)
    if args.plants:
        plants.to_csv(args.plants, index=False, lineterminator="\n")
    print(table(plants))


if __name__ == "__main__":
    sys.exit(main())
