"""Invented seasons one after the other: a line that always fails, a trend of the whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.rates.tables.years import SeasonRecord


def year(
    place: int,
    *,
    selfing: float = 0.2,
    bad: str = "",
    bad_selfing: float = 0.7,
    seed: int = 1,
    tags: int = 150,
) -> SeasonRecord:
    """One season; tags selfed with a beta distributed chance, every seed of a pod alike, two plants typed."""
    rng = np.random.default_rng([seed, place])
    mother = np.array([f"Line {m}" for m in "ABCDEFGH"])[rng.integers(0, 8, tags)]
    mean = np.where(mother == bad, bad_selfing, selfing)
    chance = rng.beta(6 * mean, 6 * (1 - mean))
    flowers = rng.integers(2, 5, tags)
    pods = rng.binomial(flowers, 0.6)
    crosses = pd.DataFrame(
        {
            "cross_id": [f"C{t:03d}" for t in range(tags)], "mother": mother, "father": np.array(["Line X",
            "Line Y", "Line Z"])[rng.integers(0, 3, tags)], "date": f"{2028 + place}-06-01", "operator":
            np.array(["Ada", "Bo", "Cy"])[rng.integers(0, 3, tags)], "flowers": flowers, "pods": pods,
            "seeds": 4 * pods, "hour": rng.uniform(7, 11, tags).round(2), "temperature_c": rng.uniform(18,
            29, tags).round(1), "target_hybrids": 4,
        }
    )  # fmt: skip
    tag = np.repeat(np.arange(tags), pods)
    selfed = rng.random(len(tag)) < chance[tag]
    tag, selfed, pod = np.repeat(tag, 2), np.repeat(selfed, 2), np.repeat(np.arange(len(tag)), 2)
    verdicts = pd.DataFrame(
        {
            "plant": np.arange(len(tag)).astype(str), "cross_id": crosses["cross_id"].to_numpy()[tag],
            "pod": pod.astype(str), "verdict": np.where(selfed, "self", "hybrid"), "decision": "keep",
            "p_hybrid": np.where(selfed, 0.0, 1.0), "p_self": np.where(selfed, 1.0, 0.0), "p_outcross": 0.0,
            "p_off_pedigree": 0.0,
        }
    )  # fmt: skip
    return SeasonRecord(str(2028 + place), crosses, verdicts)


def folder_of(season: SeasonRecord, root: Path) -> Path:
    """The season as a folder with the results of a finished run."""
    results = root / f"nursery_{season.name}" / "results"
    results.mkdir(parents=True)
    season.crosses.to_csv(results / "crosses.csv", index=False)
    season.verdicts.to_csv(results / "verdicts.csv", index=False)
    return results.parent
