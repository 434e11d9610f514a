"""Invented seasons for the tests of the rate tables."""

from __future__ import annotations

import numpy as np
import pandas as pd

VERDICTS = ("hybrid", "self", "outcross", "off_pedigree")


def invented(
    tags: int = 120,
    *,
    people: tuple[float, ...] = (0.1, 0.1, 0.1, 0.35),
    lines: int = 6,
    hour_slope: float = 0.0,
    seed: int = 0,
    pods: bool = True,
    share_tested: float = 1.0,
    plants_per_pod: int = 4,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Records and verdicts: `people` are the selfing rates at 9 o'clock; fates correlate by pod."""
    rng = np.random.default_rng(seed)
    who = np.arange(tags) % len(people)
    hour = np.round(rng.uniform(6, 13, tags), 2)
    week = 20 + np.arange(tags) * 8 // tags
    flowers = rng.integers(2, 6, tags)
    set_pods = rng.binomial(flowers, 0.7)
    crosses = pd.DataFrame(
        {
            "cross_id": [f"C{k:04d}" for k in range(tags)],
            "mother": [f"M{k:02d}" for k in rng.integers(0, lines, tags)],
            "father": [f"F{k:02d}" for k in rng.integers(0, lines, tags)],
            "date": [f"2031-{5 + (w - 18) // 5:02d}-{1 + (k % 28):02d}" for k, w in enumerate(week)],
            "time": [f"{int(h):02d}:{int(h % 1 * 60):02d}" for h in hour],
            "hour": hour,
            "week": [f"2031-W{w}" for w in week],
            "operator": [f"P{k}" for k in who],
            "flowers": flowers,
            "pods": pd.array(set_pods, dtype="Int64"),
            "seeds": pd.array(set_pods * (plants_per_pod + 1), dtype="Int64"),
            "temperature_c": np.round(rng.normal(24, 3, tags), 1),
            "anthers_removed": rng.integers(8, 11, tags).astype(float),
            "target_hybrids": pd.array([4] * tags, dtype="Int64"),
            "notes": "",
            "bench": [f"B{k % 5}" for k in range(tags)],
            "_file": "crosses.csv",
            "_row": np.arange(tags) + 2,
        }
    )
    rows = []
    for tag in range(tags):
        if rng.random() > share_tested:
            continue
        odds = np.log(people[who[tag]] / (1 - people[who[tag]])) + hour_slope * (hour[tag] - 9)
        mean = 1 / (1 + np.exp(-odds))
        for pod in range(set_pods[tag]):
            chance = rng.beta(3 * mean, 3 * (1 - mean))
            for plant in range(plants_per_pod):
                kind = 1 if rng.random() < chance else 0
                if rng.random() < 0.04:
                    kind = 2 + int(rng.integers(0, 2))
                p = np.full(4, 0.002)
                p[kind] = 0.994
                verdict = VERDICTS[kind]
                if rng.random() < 0.05:
                    verdict, p = "undetermined", np.array([0.55, 0.35, 0.05, 0.05])
                label = str(pod + 1) if pods else ""
                rows.append((f"C{tag:04d}-{pod}{plant}", f"C{tag:04d}", label, verdict, "", *p))
    names = ["plant", "cross_id", "pod", "verdict", "decision", *(f"p_{v}" for v in VERDICTS)]
    return crosses, pd.DataFrame(rows, columns=names)


def small() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Three tags, counted by hand in the tests.

    A: 4 flowers, 2 pods, 10 seeds; pod 1 has two hybrids and a self, pod 2 a self; one more undetermined.
    B: 3 flowers, no pod. C: 2 flowers, 1 pod, 6 seeds, nothing tested.
    """
    crosses = pd.DataFrame(
        {
            "cross_id": ["A", "B", "C"],
            "mother": ["M1", "M1", "M2"],
            "father": ["F1", "F2", "F1"],
            "operator": ["Ines", "Ines", "Otto"],
            "flowers": [4, 3, 2],
            "pods": pd.array([2, 0, 1], dtype="Int64"),
            "seeds": pd.array([10, 0, 6], dtype="Int64"),
            "target_hybrids": pd.array([4, 4, 4], dtype="Int64"),
        }
    )
    verdicts = pd.DataFrame(
        [
            ("a1", "A", "1", "hybrid", 0.98, 0.02, 0.0, 0.0),
            ("a2", "A", "1", "hybrid", 0.96, 0.04, 0.0, 0.0),
            ("a3", "A", "1", "self", 0.0, 1.0, 0.0, 0.0),
            ("a4", "A", "2", "self", 0.02, 0.98, 0.0, 0.0),
            ("a5", "A", "2", "undetermined", 0.7, 0.3, 0.0, 0.0),
            ("x1", "Z", "1", "hybrid", 1.0, 0.0, 0.0, 0.0),
        ],
        columns=["plant", "cross_id", "pod", "verdict", *(f"p_{v}" for v in VERDICTS)],
    )
    return crosses, verdicts
