"""An invented bean nursery of any size as ReportInputs; every name and number is invented."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, VerdictChange
from crossproof.model.plant_calls import PlantCalls
from crossproof.model.plates import Well
from crossproof.model.results import Verdict
from crossproof.rates.tables import season as tables
from crossproof.report.content.inputs import ReportInputs

WORDS_FIRST = (
    "Hazel",
    "Otter",
    "Comet",
    "Maple",
    "Raven",
    "Amber",
    "Delta",
    "Fjord",
    "Lupin",
    "Quill",
    "Tansy",
    "Umber",
)
PEOPLE = ("Ines", "Bako", "Ruth", "Teo", "Mira", "Joss")


def invented_season(n_plants: int, *, seed: int = 7, n_markers: int | None = None) -> ReportInputs:
    """ReportInputs of a season with about n_plants progeny plants, 96 wells a plate."""
    rng = np.random.default_rng(seed)
    m = n_markers or (60 if n_plants < 1000 else 500)
    n_lines = 12 if n_plants < 1000 else 60
    lines = [f"{WORDS_FIRST[i % 12]}-{i // 12 + 1:02d}" for i in range(n_lines)]
    per_cross = 5 if n_plants < 1000 else 10
    n_crosses = max(1, n_plants // per_cross)

    calls_line = (rng.random((m, n_lines)) < 0.45).astype(np.int8) * 2
    multi = rng.choice(m, 2, replace=False)
    calls_line[multi] = rng.choice(np.array([0, 2, 5], dtype=np.int8), (2, n_lines))
    crosses = _crosses(rng, lines, n_crosses, n_plants < 1000)
    plants, codes = _plants(rng, crosses, calls_line, lines, n_plants, per_cross)
    records = crosses.drop(columns="_skill")
    options = tables.RateOptions()
    chrom = np.sort(rng.integers(1, 12, m))
    pos = np.concatenate(
        [np.sort(rng.integers(1, 60_000_000, int((chrom == c).sum()))) for c in range(1, 12)]
    )
    alleles: list[tuple[str, ...]] = [("A", "G") if i % 2 else ("C", "T") for i in range(m)]
    for i in multi:
        alleles[i] = ("152", "158", "164")
    store = PlantCalls(
        np.array([f"PvS{c:02d}_{p // 1000}" for c, p in zip(chrom, pos, strict=True)], dtype=object),
        np.array([f"Pv{c:02d}" for c in chrom], dtype=object),
        pos.astype(np.int64),
        tuple(alleles),
        tuple(plants["plant"]),
        codes,
        tuple(lines),
        calls_line,
    )
    samples, plates = _plates(rng, plants, lines)
    plants = plants.drop(columns=["truth"])
    return ReportInputs(
        verdicts=plants,
        crosses=tables.crosses_table(records, plants, options),
        operators=tables.operators_table(records, plants, options),
        factors=tables.factors_table(records, plants, options),
        rates_by=tables.rates_by_table(records, plants, options),
        learning=tables.learning_table(records, plants, options),
        control_chart=tables.control_chart_table(records, plants, options),
        plates=plates,
        samples=samples,
        markers=_markers(rng, store),
        lines=_lines(lines, rng),
        problems=pd.DataFrame(
            [
                {
                    "severity": "warning",
                    "file": "crosses.csv",
                    "row": 14,
                    "column": "temperature_c",
                    "value": "78",
                    "problem": "A temperature of 78 is outside what a crossing house sees.",
                    "remedy": "If it is Fahrenheit, write it in Celsius (25.6).",
                },
                {
                    "severity": "note",
                    "file": "samples/P02.csv",
                    "row": 31,
                    "column": "pod",
                    "value": "",
                    "problem": "No pod is recorded.",
                    "remedy": "Write the pod number where it is known.",
                },
            ]
        ),
        changes=pd.DataFrame(
            [
                {
                    "plant": plants["plant"].iloc[3],
                    "verdict_before": "undetermined",
                    "verdict_now": plants["verdict"].iloc[3],
                    "cause": "a second well of this plant was genotyped",
                }
            ]
        ),
        config={
            "crop": "common bean (invented)",
            "season": "2031 long rains",
            "min_posterior": 0.95,
            "target_hybrids": 4,
            "min_call_rate": 0.5,
            "min_markers_scored": 3,
            "false_heterozygote": 0.005,
            "dropout": 0.02,
            "swap": 0.002,
            "floor": 0.005,
            "parent_departure": 0.02,
            "class_prior": [6, 3, 0.8, 0.2],
            "panel_donor_share": 0.7,
            "max_markers": 20000,
            "max_markers_per_cross": 2000,
            "min_group_plants": 20,
            "min_group_tags": 5,
            "success_probability": 0.95,
        },
        run={
            "crossproof": "0.1.0",
            "python": "3.11.9",
            "numpy": "2.4.6",
            "finished": "2031-06-30T16:20:00Z",
            "run_digest": "5d41402abc4b2a76b9719d911017c592ae5f1c0b8a1f6c1d2e3f405162738495",
            "inputs": [
                {
                    "file": "crosses.csv",
                    "sha256": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08",
                    "bytes": 18211,
                },
                {
                    "file": "genotypes/P01.vcf.gz",
                    "sha256": "60303ae22b998861bce3b28f33eec1be758a213c86c93c076dbe9f558c11c752",
                    "bytes": 402113,
                },
            ],
        },
        findings=(
            Finding(
                FindingKind.ROTATED,
                Scope.PLATE,
                "P02",
                "P02",
                "The plate fits its sample sheet far better when it is turned by 180 degrees.",
                "Compare the plate with its notch. If it was loaded turned, add the row below to "
                "corrections.csv and run again.",
                wells=tuple(f"P02:{w}" for w in ("A1", "A2", "A3", "H10", "H11", "H12")),
                log10_odds=41.2,
                hold=Hold.PLATE,
                corrections=(Correction(CorrectionKind.ROTATE, "P02", note="turned, as its notch shows"),),
                changes=(VerdictChange(str(plants["plant"].iloc[-1]), Verdict.SELF, Verdict.HYBRID),),
            ),
            Finding(
                FindingKind.BLANK_CALLS,
                Scope.SAMPLE,
                "P01",
                "B0",
                "The blank in H12 has calls at 22 of 60 markers.",
                "Ask the laboratory whether the plate was splashed; check the neighbours G12 and H11.",
                wells=("P01:H12",),
            ),
        ),
        calls=store,
    )


def _crosses(rng, lines, n, small):
    rows = []
    for c in range(n):
        a, b = rng.choice(len(lines), 2, replace=False)
        operator = int(rng.integers(0, 4 if small else 6))
        hour = float(rng.choice([6, 7, 8, 9, 10, 11, 15, 16]))
        flowers = int(rng.integers(4, 13))
        pods = int(rng.binomial(flowers, 0.55))
        rows.append(
            {
                "cross_id": f"C{c + 1:04d}",
                "mother": lines[a],
                "father": lines[b],
                "date": f"2031-{4 + c % 3:02d}-{1 + c % 28:02d}",
                "time": f"{int(hour):02d}:15",
                "hour": hour,
                "week": f"2031-W{14 + (c * 12) // n:02d}",
                "operator": PEOPLE[operator],
                "flowers": flowers,
                "pods": pods,
                "seeds": int(rng.poisson(3.4 * pods)),
                "temperature_c": round(float(rng.normal(24, 3)), 1),
                "target_hybrids": 4,
                "anthers_removed": float(rng.choice([8, 9, 10, 10, 10])),
                "notes": "",
                "_skill": 0.9 - 0.09 * operator - 0.02 * (hour > 10),
            }
        )
    return pd.DataFrame(rows)


def _plants(rng, crosses, line_codes, lines, n, per_cross):
    place = {x: i for i, x in enumerate(lines)}
    rows, columns = [], []
    m = line_codes.shape[0]
    for i in range(n):
        cross = crosses.iloc[min(i // per_cross, len(crosses) - 1)]
        a, b = place[cross.mother], place[cross.father]
        truth = rng.choice(4, p=_p(cross._skill))
        mother, father = line_codes[:, a], line_codes[:, b]
        donor = line_codes[:, int(rng.integers(0, len(lines)))]
        g = {0: _child(mother, father), 1: mother.copy(), 2: _child(mother, donor), 3: father.copy()}[
            int(truth)
        ]
        rate = float(np.clip(rng.beta(30, 2), 0.05, 1)) if rng.random() > 0.04 else 0.2
        slips = rng.random(m) < 0.01
        g = np.where(slips, rng.integers(0, 3, m), g)
        g = np.where(rng.random(m) < rate, g, -1).astype(np.int8)
        contrast = (mother != father) & (mother != 1) & (father != 1)
        scored = contrast & (g >= 0)
        het = scored & ((g == 1) | (g == 3) | (g == 4))
        columns.append(g)
        undetermined = rate < 0.5
        sure = 0.8 if undetermined else 1 - 10 ** -float(rng.uniform(1.4, 6))
        p = np.full(4, (1 - sure) / 3)
        p[truth] = sure
        names = ("hybrid", "self", "outcross", "off_pedigree")
        share = het.sum() / scored.sum() if scored.any() else float("nan")
        verdict = "undetermined" if undetermined else names[truth]
        held = i // 90 == 1 and n > 90
        rows.append(
            {
                "plant": f"{cross.cross_id}-{i % per_cross + 1:02d}",
                "sample_id": f"S{i:06d}",
                "cross_id": cross.cross_id,
                "mother": cross.mother,
                "father": cross.father,
                "operator": cross.operator,
                "date": cross.date,
                "plate": f"P{i // 90 + 1:02d}",
                "well": Well((i % 90) % 8, (i % 90) // 8).name,
                "pod": str(1 + i % 3),
                "verdict": verdict,
                "decision": "hold"
                if held
                else {"hybrid": "keep", "undetermined": "retest"}.get(verdict, "cull"),
                "reason": "plate held" if held else ("low call rate" if undetermined else ""),
                "p_hybrid": p[0],
                "p_self": p[1],
                "p_outcross": p[2],
                "p_off_pedigree": p[3],
                "lod": float(rng.normal(18, 4)) * (1 if truth == 0 else -1),
                "contrast_markers": int(contrast.sum()),
                "contrast_scored": int(scored.sum()),
                "contrast_het": int(het.sum()),
                "het_share": share,
                "het_low": max(0.0, share - 0.1),
                "het_high": min(1.0, share + 0.1),
                "foreign_calls": int(rng.integers(4, 12)) if truth == 2 else int(rng.integers(0, 2)),
                "call_rate": rate,
                "likely_source": "pollen of " + lines[int(rng.integers(0, len(lines)))] if truth == 2 else "",
                "source_probability": 0.81 if truth == 2 else float("nan"),
                "flags": "",
                "leading_class": names[truth],
                "settle": "Genotype the plant again." if undetermined else "",
                "truth": int(truth),
            }
        )
    return pd.DataFrame(rows), np.stack(columns, axis=1)


def _p(skill):
    return np.array([skill, (1 - skill) * 0.75, (1 - skill) * 0.17, (1 - skill) * 0.08])


def _child(a, b):
    first = {0: 0, 2: 1, 5: 2}
    x, y = np.vectorize(first.get)(a), np.vectorize(first.get)(b)
    low, high = np.minimum(x, y), np.maximum(x, y)
    return (high * (high + 1) // 2 + low).astype(np.int8)


def _plates(rng, plants, lines):
    samples = plants[["sample_id", "plate", "well", "cross_id", "plant", "call_rate"]].assign(
        role="progeny", line="", findings=""
    )
    extra = []
    for n, plate in enumerate(plants.plate.unique()):
        for k, well in enumerate(("C12", "D12", "E12", "F12", "G12")):
            extra.append(
                {
                    "sample_id": f"L{n}{k}",
                    "plate": plate,
                    "well": well,
                    "role": "parent",
                    "line": lines[(n + k) % len(lines)],
                    "cross_id": "",
                    "plant": "",
                    "call_rate": 0.98,
                    "findings": "",
                }
            )
        extra.append(
            {
                "sample_id": f"B{n}",
                "plate": plate,
                "well": "H12",
                "role": "blank",
                "line": "",
                "cross_id": "",
                "plant": "",
                "call_rate": 0.36 if n == 0 else 0.01,
                "findings": "blank carries calls" if n == 0 else "",
            }
        )
    samples = pd.concat([samples, pd.DataFrame(extra)], ignore_index=True)
    plates = (
        samples.groupby("plate", sort=False)
        .agg(wells=("well", "size"), call_rate=("call_rate", "mean"))
        .reset_index()
    )
    plates["batch"] = plates.plate.str.replace("P", "B")
    plates["plants"], plates["parents"], plates["blanks"] = plates.wells - 6, 5, 1
    plates["findings"] = [
        "blank carries calls" if p == "P01" else "rotated" if p == "P02" else "" for p in plates.plate
    ]
    plates["state"] = ["held" if p == "P02" else "good" for p in plates.plate]
    return samples, plates


def _markers(rng, store):
    m = len(store.marker_ids)
    state = np.where(rng.random(m) < 0.06, "set aside", "used")
    return pd.DataFrame(
        {
            "marker": store.marker_ids,
            "chrom": store.chrom,
            "pos": store.pos,
            "alleles": ["/".join(a) for a in store.alleles],
            "call_rate": np.clip(rng.beta(40, 2, m), 0, 1),
            "false_heterozygote": np.where(state == "used", rng.beta(2, 300, m), 0.3),
            "dropout": rng.beta(2, 80, m),
            "used": np.where(state == "used", "yes", "no"),
            "reason": np.where(
                state == "used", "", "looks heterozygous in inbred lines; the locus may be duplicated"
            ),
        }
    )


def _lines(lines, rng):
    return pd.DataFrame(
        {
            "line": lines,
            "wells": 2,
            "call_rate": 0.97,
            "versions": [2 if i == 3 else 1 for i in range(len(lines))],
            "odd_tubes": ["L0003" if i == 3 else "" for i in range(len(lines))],
            "largest_departure": [0.02 if i % 4 == 0 else 0.0 for i in range(len(lines))],
            "findings": ["tube L0003 is likely " + lines[5] if i == 3 else "" for i in range(len(lines))],
        }
    )
