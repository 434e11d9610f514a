"""How often three seasons show a trend, a line or a person where nothing differs, and where one is planted.

    python benchmarks/years_alarms.py [--runs 60] [--seed 1]

Flowers come from crossing_simulator.py. Eight mothers, three fathers, three persons, hours and temperatures
are dealt out by lot; in the planted seasons one mother's flowers are wrong to 60 % and all others' to 10,
20 and 30 %.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pandas as pd
from crossing_simulator import Flowers, Kind, Nursery, pollinate, records

from crossproof.rates.tables.tally import RateOptions
from crossproof.rates.tables.years import Course, SeasonRecord, Years, years_tables

MOTHERS = 8
NOTHING = (Course.ALIKE, Course.UNKNOWN)


def season(place: int, rng: np.random.Generator, planted: bool) -> SeasonRecord:
    """One season of 160 tags, 20 to a mother (the "person" of the simulator is the mother here)."""
    wrong = np.full(MOTHERS, 0.1 * (place + 1) if planted else 0.2)
    if planted:
        wrong[2] = 0.6
    flowers: Flowers = pollinate(Nursery(Kind.LATE, wrong=tuple(wrong), tags=(20, 20)), rng)
    crosses, verdicts = records(flowers, np.full(len(flowers.seeds), 2), rng)
    tags = len(crosses)
    crosses["mother"] = crosses["operator"].str.replace("P", "Line ", regex=False)
    crosses["father"] = np.array(["X", "Y", "Z"])[rng.integers(0, 3, tags)]
    crosses["operator"] = np.array(["one", "two", "three"])[rng.integers(0, 3, tags)]
    crosses["hour"], crosses["temperature_c"] = rng.uniform(7, 11, tags), rng.uniform(18, 29, tags)
    return SeasonRecord(str(2028 + place), crosses, verdicts)


def three(rng: np.random.Generator, planted: bool) -> Years:
    """Tables of three seasons."""
    return years_tables([season(k, rng, planted) for k in range(3)], RateOptions())


def _shares(runs: list[Years], of: str, column: str) -> pd.Series:
    """Share of runs in which at least one entry says something, by measure."""
    frames = [getattr(y, of).assign(said=lambda f: ~f[column].isin(NOTHING)) for y in runs]
    return pd.DataFrame([f.groupby("measure")["said"].any() for f in frames]).mean()


def main() -> None:
    """Print the shares."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    start = time.perf_counter()
    rng = np.random.default_rng(args.seed)
    quiet = [three(rng, False) for _ in range(args.runs)]
    for of, column in (("trends", "course"), ("levels", "course"), ("levels", "change")):
        shares = _shares(quiet, of, column)
        said = ", ".join(f"{m} {s:.1%}" for m, s in shares.items())
        print(f"nothing planted, {of}.{column} says something: {said}", flush=True)
    many = [three(rng, True) for _ in range(args.runs)]
    worse = [
        y.levels[(y.levels["course"] == Course.LOWER) & (y.levels["measure"] == "true_success")] for y in many
    ]
    found = np.mean([("Line 02" in set(w["level"])) for w in worse])
    others = np.mean([len(set(w["level"]) - {"Line 02"}) for w in worse])
    trend = np.mean(
        [(y.trends.set_index("measure").loc["true_success", "course"] == Course.FELL) for y in many]
    )
    print(f"planted: bad line found {found:.1%}, others called lower {others:.2f}, trend found {trend:.1%}")
    print(f"{args.runs} runs each, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
