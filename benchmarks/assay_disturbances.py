"""Faults of DNA, assays and tags: dead plates, spills, wrong markers, failed edges, exchanged pods."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from disturbed_seasons import (
    Disturb,
    Disturbed,
    grid,
    names_kind,
    on_plate,
    places,
    plates,
    reading_order,
    wells_of,
)

from crossproof.model.findings import FindingKind
from crossproof.simulate import SimulatedSeason
from crossproof.simulate.noise import calls_from_depths


def dead_plates(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    names = plates(season)[1:3]
    wells = np.concatenate([wells_of(season, p) for p in names])
    calls = season.calls.copy()
    rate = rng.uniform(0.0, 0.15, len(wells))
    gone = rng.random((len(calls), len(wells))) > rate
    calls[:, wells] = np.where(gone[..., None], -1, calls[:, wells])
    dead = names_kind("plate without DNA", "plate with low call rate")
    return Disturbed(
        replace(season, calls=calls), f"plates {names} dead", lambda f: dead(f) and f.subject in names
    )


def tags_reversed(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """Mother and father exchanged on a tag: the record says the cross the other way round."""
    bears = season.samples.loc[season.samples["role"] == "progeny", "cross_id"].value_counts()
    selfs = season.truth.assign(cross=season.truth["sample_id"].str.split("-").str[0])
    n_self = selfs[selfs["truth"] == "self"].groupby("cross").size()
    cross = str(rng.choice([c for c in bears.index if n_self.get(c, 0) >= 2] or list(bears.index)))
    crosses = season.crosses.copy()
    i = int(np.flatnonzero(crosses["cross_id"] == cross)[0])
    m, p = crosses.at[i, "mother"], crosses.at[i, "father"]
    crosses.at[i, "mother"], crosses.at[i, "father"] = p, m
    return Disturbed(
        replace(season, crosses=crosses),
        f"{cross} recorded the other way ({n_self.get(cross, 0)} selfs)",
        (lambda f: f.kind is FindingKind.RECIPROCAL and f.subject == cross),
    )


def pods_exchanged(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """The plants of one pod changed their tag with those of a pod of another cross."""
    samples = season.samples.copy()
    progeny = samples[samples["role"] == "progeny"]
    size = progeny.groupby(["cross_id", "pod"]).size()
    big = [k for k, n in size.items() if n >= 3]
    parents = {r.cross_id: {r.mother, r.father} for r in season.crosses.itertuples()}
    for _ in range(500):
        a, b = (big[int(i)] for i in rng.choice(len(big), 2, replace=False))
        if not parents[a[0]] & parents[b[0]]:
            break
    for mine, other in ((a, b), (b, a)):
        rows = progeny.index[(progeny["cross_id"] == mine[0]) & (progeny["pod"] == mine[1])]
        samples.loc[rows, "cross_id"] = other[0]
        samples.loc[rows, "pod"] = other[1]
    pair = {a[0], b[0]}
    return Disturbed(
        replace(season, samples=samples),
        f"pods {a}, {b} exchanged ({size[a]}, {size[b]} plants)",
        lambda f: (
            f.kind.value == "pods exchanged" and {f.subject.split(":")[0], f.other.split(":")[0]} == pair
        ),
    )


def parent_spilled(reads: bool) -> Disturb:
    def disturb(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
        """The DNA of one parent line runs into eight neighbouring wells, 30 to 50 %."""
        plate = plates(season)[0]
        wells = wells_of(season, plate)
        wells = reading_order(season, wells[season.samples["role"].to_numpy()[wells] == "progeny"])
        start = int(rng.integers(len(wells) - 8))
        hit = wells[start : start + 8]
        share = float(rng.uniform(0.3, 0.5))
        line = season.line_alleles[int(rng.integers(len(season.line_alleles)))]
        calls = season.calls.copy()
        depths = None if season.depths is None else season.depths.copy()
        for w in hit:
            here = season.calls[:, w]
            if depths is not None:
                total = depths[:, w].sum(axis=1)
                alt = depths[:, w, 1] / np.maximum(total, 1)
                second = rng.binomial(
                    total.astype(np.int64), (1 - share) * alt + share * np.where(line > 0, 0.99, 0.01)
                )
                depths[:, w, 0], depths[:, w, 1] = total - second, second
            shows = (here[:, 0] == here[:, 1]) & (here[:, 0] >= 0) & (here[:, 0] != line)
            shows &= rng.random(len(here)) < 0.8
            calls[shows, w] = [0, 1]
        if depths is not None:
            calls[:, hit] = calls_from_depths(depths[:, hit], 0.01)
        names = set(season.samples["sample_id"].to_numpy()[hit])
        return Disturbed(
            replace(season, calls=calls, depths=depths),
            f"{plate}: spilled at {share:.0%}",
            lambda f: len(names & set(f.samples)) >= 4 and f.critical,
        )

    return disturb


def tips_carry_over(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """Tips used twice: each plant of a column shows alleles of the one beside it, 30 to 80 %."""
    plate = plates(season)[0]
    wells = wells_of(season, plate)
    rows, columns = places(season, wells)
    k = int(rng.integers(3, grid(season)[1] - 2))
    share = float(rng.uniform(0.3, 0.8))
    at = {(int(r), int(c)): int(w) for r, c, w in zip(rows, columns, wells, strict=True)}
    calls = season.calls.copy()
    names = set()
    for r in range(grid(season)[0]):
        w, v = at.get((r, k)), at.get((r, k - 1))
        if w is None or v is None:
            continue
        here, beside = season.calls[:, w], season.calls[:, v]
        shows = (here[:, 0] == here[:, 1]) & (here[:, 0] >= 0)
        shows &= (beside >= 0).all(axis=1) & (beside != here).any(axis=1)
        shows &= rng.random(len(here)) < share
        calls[shows, w] = [0, 1]
        names.add(str(season.samples.at[w, "sample_id"]))
    return Disturbed(
        replace(season, calls=calls),
        f"{plate}: column {k + 1} carries {share:.0%} of the one before",
        lambda f: f.critical and bool(names & set(f.samples)),
    )


def marker_wrong(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """One marker heterozygous in all wells of a plate, or its alleles exchanged."""
    plate = plates(season)[0]
    wells = wells_of(season, plate)
    j = int(rng.integers(len(season.calls)))
    calls = season.calls.copy()
    seen = calls[j, wells, 0] >= 0
    het = bool(rng.random() < 0.5)
    block = calls[j, wells]
    block[seen] = [0, 1] if het else np.sort(1 - block[seen], axis=1)
    calls[j, wells] = block
    name = str(season.markers.ids[j])
    return Disturbed(
        replace(season, calls=calls),
        f"{plate}: {name} {'all het' if het else 'flipped'}",
        lambda f: f.subject == name and f.kind is not FindingKind.LOW_CALL_MARKER,
    )


def edge_failed(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    wells = wells_of(season, plate)
    rows, columns = places(season, wells)
    R, C = grid(season)
    edge = (rows == 0) | (rows == R - 1) | (columns == 0) | (columns == C - 1)
    calls = season.calls.copy()
    hit = wells[edge]
    gone = rng.random((len(calls), len(hit))) > rng.uniform(0.05, 0.5, len(hit))
    calls[:, hit] = np.where(gone[..., None], -1, calls[:, hit])
    return Disturbed(
        replace(season, calls=calls),
        f"{plate}: the edge failed",
        lambda f: on_plate(f, plate) and "edge" in f.evidence,
    )


def nothing(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    return Disturbed(season, "clean", lambda f: not f.critical)
