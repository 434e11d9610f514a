"""A simulated season judged in memory, by the model and by a plain rule of heterozygosity."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.inference import season_model
from crossproof.model.settings import Settings
from crossproof.score import POSTERIORS
from crossproof.simulate import SimulatedSeason

UNDETERMINED = "undetermined"


def judge_season(sim: SimulatedSeason, settings: Settings) -> pd.DataFrame:
    """Verdicts of a season, one row per plant: sample_id, verdict, posteriors, and what explains them."""
    markers, samples = sim.markers, sim.samples
    place = {name: i for i, name in enumerate(samples["sample_id"])}
    same = np.tile(np.arange(8), (len(markers), 1))
    evidence = []
    for number, batch in enumerate(sim.call_batches()):
        rows = sim.batch_markers[number]
        wells = np.array([place[name] for name in batch.samples])
        evidence.append(
            season_model.batch_evidence(
                batch=batch, wells=wells, joined_row=rows, recode=same[rows], n_alleles=markers.n_alleles
            )
        )
    wells = season_model.Wells(markers, len(samples), tuple(evidence))

    tubes = samples[samples["role"] == "parent"].groupby("line", sort=True).indices
    number_of = np.flatnonzero(samples["role"] == "parent")
    lines = [
        season_model.LineInput(line, tuple(number_of[at].tolist()), settings.inbreeding)
        for line, at in tubes.items()
    ]
    progeny = samples[samples["role"] == "progeny"]
    families, records = [], []
    for cross in sim.crosses.itertuples():
        records.append(season_model.CrossRecord(cross.cross_id, cross.mother, cross.father))
        mine = progeny[progeny["cross_id"] == cross.cross_id]
        if len(mine):
            plants = tuple(
                season_model.Plant(plant, tuple(at.index.tolist())) for plant, at in mine.groupby("plant")
            )
            families.append(season_model.FamilyInput(cross.cross_id, cross.mother, cross.father, plants))
    panel = season_model.fit_panel(wells, lines, families, settings)
    others = season_model.prepare_crosses(records, panel)
    found = []
    for family in families:
        result = season_model.verify_family(family, wells, panel, settings, others)
        for i, plant in enumerate(family.plants):
            said = season_model.judge(result, i, settings)
            found.append(
                (
                    samples["sample_id"][plant.wells[0]],
                    str(said.verdict),
                    *result.class_posterior[i],
                    str(said.reason),
                    int(result.contrast_scored[i]),
                    int(result.contrast_het[i]),
                    str(result.sources[i, 0]),
                    bool(result.converged),
                )
            )
    columns = ["sample_id", "verdict", *POSTERIORS]
    columns += ["reason", "contrast_scored", "contrast_het", "source", "converged"]
    return pd.DataFrame(found, columns=columns)


def plain_rule(sim: SimulatedSeason) -> pd.DataFrame:
    """Hybrid when at least 80 % of the scored contrast markers are heterozygous, self at 20 % or less.

    A parent's genotype is the call most of its tubes agree on; a contrast marker has two different
    homozygous parents. No contrast marker scored: undetermined.
    """
    calls, samples = sim.calls, sim.samples
    code = np.where(calls[:, :, 0] < 0, -1, calls[:, :, 0].astype(int) * 10 + calls[:, :, 1])
    line_code = {}
    for line, rows in samples[samples["role"] == "parent"].groupby("line").groups.items():
        tubes = code[:, np.asarray(rows)]
        values = np.unique(tubes[tubes >= 0])
        votes = np.stack([(tubes == v).sum(axis=1) for v in values], axis=1)
        best = votes.argmax(axis=1)
        line_code[line] = np.where(votes.max(axis=1) > 0, values[best], -1)
    parents = sim.crosses.set_index("cross_id")[["mother", "father"]].to_dict("index")
    found = []
    for well, sample, cross in zip(
        samples.index, samples["sample_id"], samples["cross_id"].to_numpy(), strict=True
    ):
        if samples["role"][well] != "progeny":
            continue
        m, f = line_code[parents[cross]["mother"]], line_code[parents[cross]["father"]]
        homozygous = (m >= 0) & (f >= 0) & (m % 10 == m // 10) & (f % 10 == f // 10)
        mine = code[:, well]
        scored = homozygous & (m != f) & (mine >= 0)
        verdict = UNDETERMINED
        if scored.any():
            share = (mine[scored] % 10 != mine[scored] // 10).mean()
            verdict = "hybrid" if share >= 0.8 else "self" if share <= 0.2 else UNDETERMINED
        found.append((sample, verdict))
    return pd.DataFrame(found, columns=["sample_id", "verdict"])
