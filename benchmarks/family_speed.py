"""How long the family model takes, and where.

    python benchmarks/family_speed.py             both seasons, on one core and on two
    python benchmarks/family_speed.py dense --profile

dense: 2,000 plants x 2,000 kept markers x 200 crosses x 100 lines (wanted: under 60 s and 2 GiB on 2 cores).
many:  10,000 crosses of 10 plants x 60 markers, 200 lines.
Genotypes and errors are drawn here; figures are invented.
"""

from __future__ import annotations

import argparse
import cProfile
import multiprocessing
import os
import platform
import pstats
import resource
import time
from datetime import date

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from crossproof.inference.season_model import (
    CrossRecord,
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    Wells,
    batch_evidence,
    fit_panel,
    prepare_crosses,
    verify_family,
)
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers

SEASONS = {
    "dense": {"markers": 2000, "lines": 100, "crosses": 200, "plants": 10},
    "many": {"markers": 60, "lines": 200, "crosses": 10_000, "plants": 10},
}
SHARES = np.array([0.6, 0.27, 0.08, 0.05])


def season(markers, lines, crosses, plants, depth=None, seed=1):
    """Wells, lines, families and records of an invented season."""
    rng = np.random.default_rng(seed)
    haplotype = rng.random((lines, markers)) < rng.uniform(0.2, 0.8, markers)
    parents = np.array([rng.choice(lines, 2, replace=False) for _ in range(crosses)])
    mother, father = np.repeat(parents[:, 0], plants), np.repeat(parents[:, 1], plants)
    n = len(mother)
    klass = rng.choice(4, n, p=SHARES)
    stranger = rng.integers(lines, size=n)
    second = np.select([klass == 0, klass == 1, klass == 2], [father, mother, stranger], father)
    first = np.where(klass == 3, father, mother)
    dose = haplotype[first].astype(np.int8) + haplotype[second].astype(np.int8)
    dose = np.concatenate([2 * haplotype.astype(np.int8), dose]).T  # marker, sample
    u = rng.random(dose.shape)
    dose = np.where((dose == 1) & (u < 0.02), 2 * (rng.random(dose.shape) < 0.5), dose)
    dose = np.where((dose != 1) & (u > 0.995), 1, dose)
    calls = np.stack([dose > 1, dose > 0], axis=2).astype(np.int8)
    calls[rng.random(dose.shape) < 0.05] = -1
    total = lines + n
    names = [f"L{i:03d}" for i in range(lines)]
    table = Markers(
        np.array([f"m{j:05d}" for j in range(markers)], dtype=object),
        np.array([""] * markers, dtype=object),
        np.arange(markers, dtype=np.int64),
        (("A", "B"),) * markers,
        np.zeros(markers, dtype=bool),
    )
    batch = CallBatch(
        "B1",
        table,
        tuple(str(i) for i in range(total)),
        (CallBlock(2, np.arange(markers), calls),),
        Evidence.CALLS,
    )
    item = batch_evidence(
        batch,
        wells=np.arange(total),
        joined_row=np.arange(markers),
        recode=np.tile(np.arange(8), (markers, 1)),
        n_alleles=np.full(markers, 2),
    )
    families = [
        FamilyInput(
            f"C{c:05d}",
            names[parents[c, 0]],
            names[parents[c, 1]],
            tuple(Plant(f"C{c:05d}-{p:02d}", (lines + c * plants + p,)) for p in range(plants)),
        )
        for c in range(crosses)
    ]
    records = [CrossRecord(f.cross_id, f.mother, f.father) for f in families]
    return (
        Wells(table, total, (item,)),
        [LineInput(x, (i,)) for i, x in enumerate(names)],
        families,
        records,
        klass,
    )


def judge_all(part):
    """Right verdicts among the families of one part; the season is a global of the process."""
    wells, _, families, _, klass, panel, others, settings = STATE
    right = 0
    for c in range(part, len(families), STEP):
        result = verify_family(families[c], wells, panel, settings, others)
        n = len(result)
        right += int((result.class_posterior.argmax(axis=1) == klass[c * n : (c + 1) * n]).sum())
    return right


STATE: tuple = ()
STEP = 1


def main() -> None:
    """Time both seasons."""
    global STATE, STEP
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("seasons", nargs="*", default=list(SEASONS))
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--crosses", type=int, help="only so many crosses")
    options = parser.parse_args()
    print(f"{date.today()} {platform.machine()} {os.cpu_count()} cores, numpy {np.__version__}")
    for name in options.seasons:
        shape = SEASONS[name] | ({"crosses": options.crosses} if options.crosses else {})
        began = time.perf_counter()
        made = season(**shape)
        settings = Settings()
        built = time.perf_counter()
        panel = fit_panel(made[0], made[1], made[2], settings)
        others = prepare_crosses(made[3], panel)
        fitted = time.perf_counter()
        STATE, STEP = (*made, panel, others, settings), 1
        print(
            f"{name}: {shape}; made {built - began:.1f} s, "
            f"panel {fitted - built:.1f} s ({panel.rounds} rounds)"
        )
        if options.profile:
            profile = cProfile.Profile()
            profile.runcall(judge_all, 0)
            pstats.Stats(profile).sort_stats("tottime").print_stats(18)
            continue
        busy = time.process_time()
        right = judge_all(0)
        one, busy = time.perf_counter(), time.process_time() - busy
        STEP = 2
        with multiprocessing.get_context("fork").Pool(2) as pool:
            pool.map(judge_all, range(2))
        two = time.perf_counter()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        share = right / len(made[4])
        print(
            f"  families {one - fitted:.1f} s on one core ({busy:.1f} s of work), {two - one:.1f} s on two; "
            f"leading class right {share:.2%}; peak {peak:.2f} GiB"
        )


if __name__ == "__main__":
    main()
