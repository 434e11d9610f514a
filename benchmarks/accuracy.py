"""How often the model is right, beside a plain heterozygosity rule, on simulated seasons with known truth.

    python benchmarks/accuracy.py --pipeline           every season, 10 seeds each; writes docs/accuracy.md
    python benchmarks/accuracy.py messy60 --seeds 2    a part of it, printed only
    python benchmarks/accuracy.py messy60 --plants a.csv       parts, run one by one ...
    python benchmarks/accuracy.py --from a.csv b.csv           ... and made into docs/accuracy.md

The inference is called in memory, with what the readers would have handed it and the defaults of config.yaml.
"""

from __future__ import annotations

import argparse
import os
import platform
import shlex
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import altair as alt
import numpy as np
import pandas as pd
import vl_convert
import whole_tags
from judged_seasons import UNDETERMINED, judge_season, plain_rule

from crossproof import METHOD_VERSION, __version__
from crossproof.model.settings import Settings
from crossproof.score import NAMES, POSTERIORS, Score, percent, score_arrays, wilson
from crossproof.simulate import preset, simulate_season, write_season

ROOT = Path(__file__).parents[1]
SEEDS = 10


@dataclass(frozen=True)
class Row:
    """A line of the table: what the season is, and the least determined and the most wrong it may have."""

    name: str
    words: str
    determined: float | None
    wrong: float | None


ROWS = (
    Row("clean60", "60 markers, clean", 0.995, 0.001),
    Row("clean12", "12 markers, clean", 0.92, 0.005),
    Row(
        "messy60",
        "60 markers: 5 % of parent-plant markers off reference, 10 % bad assays, 4 % wrong parent tubes, "
        "8 % missing, 4 % dropout",
        0.98,
        0.005,
    ),
    Row(
        "sisters60",
        "60 markers, fathers with three sister lines in the nursery, outcrosses among sisters",
        0.99,
        0.005,
    ),
    Row("depth3_20k", "20,000 markers, mean depth 3", 0.995, 0.001),
    Row("depth1_5k", "5,000 markers, mean depth 1", 0.99, 0.005),
    Row("pods60", "60 markers, clean, whole pods by one foreign donor or of one wrong seed", None, None),
    Row(
        "sister_pods120",
        "120 markers, whole pods by one foreign donor, often a sister of the father",
        None,
        None,
    ),
    Row(
        "unshared60",
        "60 markers, noise the model does not know: null alleles, mixed and failed wells, wild depth",
        None,
        None,
    ),
)


def one_season(name: str, seed: int) -> pd.DataFrame:
    """Verdicts of both methods and the truth, one row per plant, of one simulated season."""
    sim = simulate_season(preset(name), np.random.default_rng([seed, 2026]))
    plan = sim.plan
    # the reader's own assumption about reads, not the simulator's: config.yaml's defaults
    settings = Settings(read_error=0.01, overdispersion=0.02)
    start = time.perf_counter()
    verdicts = judge_season(sim, settings)
    seconds = time.perf_counter() - start
    both = verdicts.merge(plain_rule(sim).rename(columns={"verdict": "plain"}), on="sample_id")
    both = both.merge(sim.truth, on="sample_id", validate="one_to_one")
    assert len(both) == len(sim.truth)
    return both.assign(season=name, seed=seed, seconds=seconds, n_markers=plan.n_markers)


def score_of(plants: pd.DataFrame, verdict: str = "verdict") -> Score:
    """Score of plants of one or several seasons."""
    posteriors = plants[list(POSTERIORS)].to_numpy(dtype=float)
    if verdict == "plain":
        posteriors = np.full_like(posteriors, np.nan)
    return score_arrays(
        posteriors,
        plants[verdict].to_numpy(dtype=object),
        plants["truth"].to_numpy(dtype=object),
        names=plants["sample_id"].to_numpy(dtype=object),
    )


def run(names: list[str], seeds: int, jobs: int) -> pd.DataFrame:
    """All seasons, in the order of the table."""
    todo = [(name, seed) for name in names for seed in range(1, seeds + 1)]
    frames = []
    with ProcessPoolExecutor(jobs) as pool:
        for (name, seed), frame in zip(todo, pool.map(one_season, *zip(*todo, strict=True)), strict=True):
            s = score_of(frame)
            print(
                f"{name} seed {seed}: {s.plants} plants, determined {percent(s.determined_share)}, "
                f"wrong {s.wrong} ({percent(s.wrong_share)}), ECE {percent(s.ece)}, "
                f"{frame['seconds'].iloc[0]:.1f} s",
                flush=True,
            )
            frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def through_the_pipeline(name: str, seed: int, in_memory: pd.DataFrame) -> tuple[object, ...]:
    """One season written to files and run by the command line: how many plants get the verdict of the memory.

    Returns name, plants, plants with the same verdict, determined, wrong, seconds.
    """
    sim = simulate_season(preset(name), np.random.default_rng([seed, 2026]))
    with tempfile.TemporaryDirectory() as folder:
        write_season(sim, Path(folder))
        start = time.perf_counter()
        command = [sys.executable, "-m", "crossproof.cli", "run", folder, "--cores", "2"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        seconds = time.perf_counter() - start
        verdicts_file = Path(folder) / "results" / "verdicts.csv"
        if not verdicts_file.exists():
            raise SystemExit(f"{' '.join(command)} gave {done.returncode}:\n{done.stdout}\n{done.stderr}")
        read = pd.read_csv(verdicts_file, dtype=str, keep_default_na=False)
    both = read[["sample_id", "verdict"]].merge(
        in_memory[["sample_id", "verdict", "truth"]], on="sample_id", suffixes=("", "_memory")
    )
    determined = both["verdict"] != UNDETERMINED
    wrong = determined & (both["verdict"] != both["truth"])
    same = both["verdict"] == both["verdict_memory"]
    return name, len(both), int(same.sum()), int(determined.sum()), int(wrong.sum()), seconds


def pipeline_table(rows: list[tuple[object, ...]]) -> str:
    """What the command line said beside the inference in memory, as Markdown."""
    if not rows:
        return "Not run this time (`--pipeline` runs it)."
    lines = ["| season | plants | same verdict | determined | wrong | seconds |", "|---|---|---|---|---|---|"]
    lines += [f"| `{n}` | {p} | {same} | {d} | {w} | {s:.0f} |" for n, p, same, d, w, s in rows]
    return "\n".join(lines)


def table(plants: pd.DataFrame) -> str:
    """The accuracy table as Markdown."""
    lines = [
        "| season | seeds | plants | determined | wanted | wrong among determined (95 % limits) | wanted "
        "| ECE | false hybrids above 0.99 | plain rule: determined | plain rule: wrong | reached |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in ROWS:
        mine = plants[plants["season"] == row.name]
        if not len(mine):
            continue
        s, plain = score_of(mine), score_of(mine, "plain")
        low, high = wilson(s.wrong, s.determined)
        reached = "-"
        wanted_det = wanted_wrong = "-"
        if row.determined is not None and row.wrong is not None:
            good = s.determined_share >= row.determined and s.wrong_share <= row.wrong
            reached = "yes" if good else "**no**"
            wanted_det, wanted_wrong = f">= {100 * row.determined:g} %", f"<= {100 * row.wrong:g} %"
        lines.append(
            f"| {row.words} (`{row.name}`) | {mine['seed'].nunique()} | {s.plants} | "
            f"{percent(s.determined_share)} | {wanted_det} | "
            f"{s.wrong} = {percent(s.wrong_share)} ({percent(low)} to {percent(high)}) | {wanted_wrong} | "
            f"{percent(s.ece)} | {s.sure_hybrids_wrong} of {s.sure_hybrids} "
            f"({percent(s.false_hybrid_share)}) | {percent(plain.determined_share)} | "
            f"{percent(plain.wrong_share)} | {reached} |"
        )
    return "\n".join(lines)


def reliability_table(plants: pd.DataFrame) -> str:
    """Reliability over all seasons pooled, as Markdown."""
    s = score_of(plants)
    lines = [
        "| stated probability of the leading class | plants | mean stated | share right | 95 % limits |",
        "|---|---|---|---|---|",
    ]
    for b in s.bins.itertuples():
        lines.append(
            f"| {b.low:g} to {b.high:g} | {b.plants} | {b.mean_stated:.4f} | {b.share_right:.4f} | "
            f"{b.share_low:.4f} to {b.share_high:.4f} |"
        )
    return "\n".join(lines)


def draw_reliability(plants: pd.DataFrame, target: Path) -> None:
    """The reliability table as an SVG: share right against stated probability, with 95 % limits."""
    bins = score_of(plants).bins
    base = alt.Chart(bins).encode(
        x=alt.X("mean_stated:Q", title="stated probability", scale=alt.Scale(domain=[0, 1]))
    )
    right = alt.Y("share_right:Q", title="share that was right", scale=alt.Scale(domain=[0, 1]))
    ideal = alt.Chart(pd.DataFrame({"p": [0.0, 1.0]})).mark_line(strokeDash=[4, 4], color="#767676")
    chart = alt.layer(
        ideal.encode(x="p:Q", y="p:Q"),
        base.mark_rule(color="#004488").encode(y=alt.Y("share_low:Q"), y2="share_high:Q"),
        base.mark_point(filled=True, size=60, opacity=1, color="#004488").encode(y=right),
    ).properties(width=320, height=320)
    target.write_text(vl_convert.vegalite_to_svg(chart.to_json()), encoding="utf-8")


def by_class(plants: pd.DataFrame) -> str:
    """Truth by verdict over all seasons pooled, as Markdown."""
    c = score_of(plants).confusion
    lines = ["| truth | " + " | ".join(c.columns) + " |", "|---" * (len(c.columns) + 1) + "|"]
    lines += [f"| {name} | " + " | ".join(str(v) for v in c.loc[name]) + " |" for name in NAMES]
    return "\n".join(lines)


def wrong_by_relation(plants: pd.DataFrame) -> str:
    """What the wrong plants are in truth, and what they were called, as Markdown."""
    wrong = plants[(plants["verdict"] != UNDETERMINED) & (plants["verdict"] != plants["truth"])]
    counts = wrong.groupby(["season", "relation", "verdict"]).agg(
        n=("sample_id", "size"), same=("identifiable", lambda x: int((x == "no").sum()))
    )
    lines = ["| season | in truth | called | plants | of these not identifiable |", "|---|---|---|---|---|"]
    for (season, relation, verdict), row in counts.sort_values("n", ascending=False).iterrows():
        lines.append(f"| `{season}` | {relation} | {verdict} | {row['n']} | {row['same']} |")
    return "\n".join(lines)


def document(
    plants: pd.DataFrame,
    tags: pd.DataFrame,
    piped: list[tuple[object, ...]],
    command: str,
    seconds: float,
) -> str:
    """docs/accuracy.md; `tags`: decisions on the seasons of `whole_tags`."""
    s = score_of(plants)
    text = (ROOT / "benchmarks" / "accuracy_text.md").read_text(encoding="utf-8")
    not_identifiable = int((plants["identifiable"] == "no").sum())
    return (
        text.replace("{table}", table(plants))
        .replace("{whole_tags}", whole_tags.table(tags))
        .replace("{method}", str(METHOD_VERSION))
        .replace("{reliability}", reliability_table(plants))
        .replace("{confusion}", by_class(plants))
        .replace("{wrong}", wrong_by_relation(plants))
        .replace("{pipeline}", pipeline_table(piped))
        .replace("{command}", command)
        .replace(
            "{machine}", f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
        )
        .replace("{date}", date.today().isoformat())
        .replace("{seconds}", f"{seconds:.0f}")
        .replace("{plants}", str(s.plants))
        .replace("{ece}", percent(s.ece))
        .replace(
            "{false_hybrids}", f"{s.sure_hybrids_wrong} of {s.sure_hybrids} ({percent(s.false_hybrid_share)})"
        )
        .replace("{not_identifiable}", str(not_identifiable))
        .replace("{version}", __version__)
    )


def main() -> None:
    """Run, print, and write docs/accuracy.md when every season was asked for."""
    known = [row.name for row in ROWS]
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "seasons", nargs="*", default=[], help=f"of {', '.join(known)}; all when none is named"
    )
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--pipeline", nargs="*", metavar="SEASON", help="also run seed 1 by the command line, of these or all"
    )
    parser.add_argument("--plants", type=Path, help="write every plant's verdicts and truth to this CSV")
    parser.add_argument(
        "--from", dest="parts", nargs="+", type=Path, default=[], help="plants of earlier runs"
    )
    parser.add_argument("--tags", type=Path, help="decisions of an earlier run of whole_tags.py (--plants)")
    args = parser.parse_args()
    unknown = [name for name in args.seasons if name not in known]
    if unknown:
        parser.error(f"no season {unknown[0]!r}; choose of {', '.join(known)}")
    if args.parts:
        plants = pd.concat(
            [pd.read_csv(part, keep_default_na=False) for part in args.parts], ignore_index=True
        )
    else:
        plants = run(args.seasons or known, args.seeds, args.jobs)
    piped = []
    if args.pipeline is not None:
        for name in args.pipeline or args.seasons or known:
            mine = plants[(plants["season"] == name) & (plants["seed"] == 1)]
            piped.append(through_the_pipeline(name, 1, mine))
            print(*piped[-1], flush=True)
    seconds = float(plants.drop_duplicates(["season", "seed"])["seconds"].sum())
    if args.plants:
        plants.to_csv(args.plants, index=False, lineterminator="\n")
    print(table(plants), reliability_table(plants), by_class(plants), wrong_by_relation(plants), sep="\n\n")
    print(f"\n{pipeline_table(piped)}\n\n{seconds:.0f} s of inference")
    if not args.seasons:
        tags = (
            pd.read_csv(args.tags, keep_default_na=False)
            if args.tags
            else whole_tags.run([row.name for row in whole_tags.ROWS], args.seeds, args.jobs)
        )
        command = shlex.join(["python", "benchmarks/accuracy.py", *sys.argv[1:]])
        (ROOT / "docs").mkdir(exist_ok=True)
        draw_reliability(plants, ROOT / "docs" / "accuracy_reliability.svg")
        (ROOT / "docs" / "accuracy.md").write_text(
            document(plants, tags, piped, command, seconds), encoding="utf-8"
        )


if __name__ == "__main__":
    sys.exit(main())
