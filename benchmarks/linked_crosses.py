"""How often plants of linked crosses are judged wrong: own meiosis, not that of `crossproof simulate`.

    python benchmarks/linked_crosses.py backcross --markers 200 --seeds 3
    python benchmarks/linked_crosses.py planted --markers 600 --interference

backcross: mothers are F1 plants of two lines, crossed back to one of these or to a third line; lines of the
F1 are given, or not (`--not-given`), or one or both of them were never typed (`--untyped`). planted: crosses
of fixed lines with F2, F3 and backcross plants among the rest. Crossovers fall without interference
(Haldane), or at least 20 cM apart on one strand (`--interference`), which the model does not know. Lines,
plants and error rates are drawn here; figures are invented.
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import replace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from crossproof.inference.plates.checks import CheckSettings, examine_plates
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
from crossproof.model.findings import FindingKind
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers
from crossproof.season.plate_findings import build_plates, named_markers, season_tables

CLASSES = ("hybrid", "self", "outcross", "off_pedigree")
MORGAN = 1.0


def gamete(plant, chrom, morgan, interference, rng):
    """One gamete (marker,) of a plant (2, marker): crossovers along every chromosome of one Morgan."""
    out = np.empty(plant.shape[1], dtype=np.int8)
    for c in np.unique(chrom):
        at = np.flatnonzero(chrom == c)
        if interference:
            places, x = [], rng.exponential(MORGAN) if rng.random() < 0.5 else rng.uniform(0, MORGAN)
            while x < MORGAN:
                places.append(x)
                x += 0.2 + rng.exponential(0.8)
        else:
            places = rng.uniform(0, MORGAN, rng.poisson(MORGAN))
        crossed = (morgan[at][:, None] > np.asarray(places)[None]).sum(axis=1)
        out[at] = plant[(rng.integers(2) + crossed) % 2, at]
    return out


def season(
    kind, markers, interference, given, rng, lines=24, crosses=24, plants=10, chromosomes=11, depth=None
):
    """Wells, lines, families, records and the truth (class, name of the kind) by plant."""
    chrom = np.sort(np.arange(markers) % chromosomes)
    morgan = rng.uniform(0, MORGAN, markers)
    order = np.lexsort((morgan, chrom))
    chrom, morgan = chrom[order], morgan[order]
    freq = rng.uniform(0.2, 0.8, markers)
    fixed = (rng.random((lines, markers)) < freq).astype(np.int8)

    def mate(a, b):
        return np.stack([gamete(x, chrom, morgan, interference, rng) for x in (a, b)])

    def line(i):
        return np.stack([fixed[i], fixed[i]])

    samples, inputs, families, records, truth = [], [], [], [], {}
    for i in range(lines):
        inputs.append(LineInput(f"L{i:02d}", (len(samples), len(samples) + 1)))
        samples += [line(i)] * 2
    for c in range(crosses):
        a, b, other = rng.choice(lines, 3, replace=False)
        if kind == "backcross":
            mother, name = mate(line(a), line(b)), f"F{c:02d}"
            father = a if c % 3 else other
            of = (f"L{a:02d}", f"L{b:02d}") if given else ("", "")
            inputs.append(LineInput(name, (len(samples),), 0.0, *of))
            samples.append(mother)
        else:
            mother, name, father = line(a), f"L{a:02d}", b
        dad = line(father)
        records.append(CrossRecord(f"C{c:02d}", name, f"L{father:02d}"))
        members = []
        for p in range(plants):
            if kind == "backcross":
                what = rng.choice(
                    ["hybrid", "self", "outcross", "father", "F2", "back"],
                    p=[0.62, 0.26, 0.08, 0.02, 0.01, 0.01],
                )
            else:
                what = rng.choice(
                    ["hybrid", "self", "outcross", "F2", "F3", "back"], p=[0.5, 0.2, 0.05, 0.1, 0.05, 0.1]
                )
            if what == "hybrid":
                child, klass = mate(mother, dad), 0
            elif what == "self":
                child, klass = mate(mother, mother), 1
            elif what == "outcross":
                donor = rng.choice([x for x in range(lines) if x not in (a, b, father)])
                child, klass = mate(mother, line(donor)), 2
            elif what == "father":
                child, klass = mate(dad, dad), 3
            else:
                f1, klass = mate(mother, dad), 3
                child = mate(f1, mother if rng.random() < 0.5 else dad) if what == "back" else mate(f1, f1)
                if what == "F3":
                    child = mate(child, child)
            plant = f"C{c:02d}-{p}"
            truth[plant] = (klass, str(what))
            members.append(Plant(plant, (len(samples),)))
            samples.append(child)
        families.append(FamilyInput(f"C{c:02d}", name, f"L{father:02d}", tuple(members)))
    calls = np.sort(np.stack(samples, axis=2), axis=0).transpose(1, 2, 0)  # marker, sample, 2
    het = calls[..., 0] != calls[..., 1]
    u = rng.random(het.shape)
    seen = calls.copy()
    seen[het & (u < 0.01)] = rng.integers(2, size=(int((het & (u < 0.01)).sum()), 1))
    seen[~het & (u < 0.003)] = (0, 1)
    seen[rng.random(het.shape) < 0.05] = (-1, -1)
    about = Markers(
        np.array([f"M{j}" for j in range(markers)], dtype=object),
        np.array([f"{c:02d}" for c in chrom], dtype=object),
        1 + (morgan * 4e7).astype(np.int64),
        (("A", "G"),) * markers,
        np.zeros(markers, dtype=bool),
    )
    n = len(samples)
    reads, evidence_kind = None, Evidence.CALLS
    if depth is not None:
        total = rng.poisson(rng.gamma(3.0, depth / 3, het.shape))
        of_second = rng.binomial(total, np.clip(calls.sum(axis=2) / 2, 0.01, 0.99))
        reads = np.stack([total - of_second, of_second], axis=2).astype(np.uint16)
        evidence_kind = Evidence.DEPTHS
        seen = np.where(reads[..., [1]] > 0, [0, 1], [0, 0]).astype(np.int8)
        seen[(reads[..., 0] == 0)] = (1, 1)
        seen[total == 0] = (-1, -1)
    batch = CallBatch(
        "B",
        about,
        tuple(map(str, range(n))),
        (CallBlock(2, np.arange(markers), seen, None, reads),),
        evidence_kind,
        (),
    )
    evidence = batch_evidence(
        batch,
        wells=np.arange(n),
        joined_row=np.arange(markers),
        recode=np.tile(np.arange(8), (markers, 1)),
        n_alleles=np.full(markers, 2),
    )
    return Wells(about, n, (evidence,)), inputs, families, records, truth


def judge(wells, lines, families, records):
    """Class posteriors by plant, and the seconds that families took."""
    settings = Settings()
    panel = fit_panel(wells, lines, families, settings)
    others = prepare_crosses(records, panel)
    start = time.process_time()
    results = [verify_family(f, wells, panel, settings, others) for f in families]
    return panel, results, time.process_time() - start


def mixture_alarms(wells, panel, families, records, lines) -> list[str]:
    """Samples that the plate checks call mixed; families lie one after the other on plates of 96."""
    rows = [
        (f"s{w}", "B", "", "", "parent", line.line, "", f"s{w}", line.inbreeding)
        for line in lines
        for w in line.wells
    ]
    rows += [
        (p.plant, "B", "", "", "progeny", "", f.cross_id, p.plant, np.nan) for f in families for p in f.plants
    ]
    columns = ["sample_id", "batch", "plate", "well", "role", "line", "cross_id", "plant", "inbreeding"]
    samples = pd.DataFrame(rows, columns=columns)
    samples.index = [w for x in lines for w in x.wells] + [p.wells[0] for f in families for p in f.plants]
    samples["plate"] = [f"P{i // 96 + 1:02d}" for i in range(len(samples))]
    samples["well"] = [f"{'ABCDEFGH'[i % 96 // 12]}{i % 12 + 1}" for i in range(len(samples))]
    crosses = pd.DataFrame([(r.cross_id, r.mother, r.father) for r in records])
    crosses.columns = ["cross_id", "mother", "father"]
    settings = Settings()
    tables, chosen = season_tables(crosses, samples, panel)
    tables = named_markers(tables, chosen, wells, settings)
    plates = build_plates(samples, tables, chosen, wells, panel.rates(settings))
    found = examine_plates(plates, tables, CheckSettings(remarks=False))
    return [f.subject for f in found if f.kind is FindingKind.MIXED_DNA]


def main() -> None:
    """Judge seasons and print who was judged wrong."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=["backcross", "planted"])
    parser.add_argument("--markers", type=int, default=200)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--interference", action="store_true")
    parser.add_argument("--not-given", action="store_true", help="the F1's lines are not given")
    parser.add_argument("--untyped", action="store_true", help="lines that are no father are not typed")
    parser.add_argument("--depth", type=float, help="reads of this mean depth in place of calls")
    parser.add_argument(
        "--mixtures", action="store_true", help="also the wells that are called mixed; none is"
    )
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    alarms = total = wrong = determined = false_hybrid = 0
    expected = seconds = 0.0
    for seed in range(options.first_seed, options.first_seed + options.seeds):
        rng = np.random.default_rng(seed)
        wells, lines, families, records, truth = season(
            options.kind,
            options.markers,
            options.interference,
            not options.not_given,
            rng,
            depth=options.depth,
        )
        if options.untyped:
            fathers = {f.father for f in families}
            kept = [x for x in lines if x.line[0] == "F" or x.line in fathers]
            lines = [replace(x, line_mother="", line_father="") for x in kept]
        panel, results, used = judge(wells, lines, families, records)
        seconds += used
        if options.mixtures:
            mixed = mixture_alarms(wells, panel, families, records, lines)
            alarms += len(mixed)
            print(seed, "mixed:", [(m, truth.get(m, ("", "parent"))[1]) for m in mixed])
        for result in results:
            for i, plant in enumerate(result.plants):
                klass, what = truth[str(plant)]
                p = result.class_posterior[i]
                total += 1
                if p.max() < 0.95:
                    continue
                determined += 1
                expected += 1 - p.max()
                if p.argmax() != klass:
                    wrong += 1
                    false_hybrid += p.argmax() == 0
                    if options.show:
                        print(
                            seed,
                            plant,
                            what,
                            "called",
                            CLASSES[p.argmax()],
                            round(p.max(), 4),
                            result.sources[i],
                        )
    print(
        f"{options.kind} {options.markers} markers{' interference' if options.interference else ''}"
        f"{' not given' if options.not_given else ''}: {total} plants, {determined / total:.1%} determined, "
        f"{wrong} wrong ({wrong / max(determined, 1):.2%}), {expected:.2f} expected, "
        f"{false_hybrid} false hybrids, {alarms} called mixed, {seconds:.1f} s"
    )


if __name__ == "__main__":
    main()
