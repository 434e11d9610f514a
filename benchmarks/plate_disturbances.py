"""Plate faults put into simulated seasons from outside: calls moved, the sheet re-ordered.

A fault says what really happened (`words`) and which finding would name it. The truth of a plant is that of
the plant on the bench, whatever the plate did to its DNA.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold
from crossproof.model.plates import parse_well
from crossproof.simulate import BatchFormat, SeasonPlan, SimulatedSeason

Names = Callable[[Finding], bool]
Disturb = Callable[[SimulatedSeason, np.random.Generator], "Disturbed"]


@dataclass(frozen=True)
class Disturbed:
    """A season with its fault, what happened in words, and whether a finding names it."""

    season: SimulatedSeason
    words: str
    names: Names


@dataclass(frozen=True)
class Fault:
    """A kind of fault; `plan` changes the season's plan."""

    name: str
    disturb: Disturb
    plan: dict[str, object] = field(default_factory=dict)


def season_plan(fault: Fault, rng: np.random.Generator) -> SeasonPlan:
    """The plan of a season of two or three plates; its parents on each plate or on the first alone."""
    base = SeasonPlan(
        n_lines=10,
        n_crosses=14,
        plants_per_cross=11,
        parent_departure=0.02,
        missing=0.04,
        bad_assays=0.05,
        failed_wells=0.02,
        base_self=0.25,
        blanks_per_plate=2,
        panel_on_every_plate=bool(rng.random() < 0.5),
    )
    return replace(base, **fault.plan)  # type: ignore[arg-type]


# ---- tools -----------------------------------------------------------------------------------------------


def wells_of(season: SimulatedSeason, plate: str) -> np.ndarray:
    return np.flatnonzero((season.samples["plate"] == plate).to_numpy())


def places(season: SimulatedSeason, wells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of wells."""
    at = [parse_well(w) for w in season.samples["well"].to_numpy()[wells]]
    return np.array([w.row for w in at]), np.array([w.column for w in at])


def grid(season: SimulatedSeason) -> tuple[int, int]:
    return {96: (8, 12), 384: (16, 24)}[season.plan.plate_wells]


def moved(season: SimulatedSeason, source: dict[int, int]) -> SimulatedSeason:
    """Well w shows what was in well source[w]; -1: nothing but stray calls."""
    calls = season.calls.copy()
    depths = None if season.depths is None else season.depths.copy()
    rng = np.random.default_rng(1)
    for w, s in source.items():
        if s >= 0:
            calls[:, w] = season.calls[:, s]
            if depths is not None:
                depths[:, w] = season.depths[:, s]
        else:
            calls[:, w] = -1
            stray = np.flatnonzero(rng.random(len(calls)) < 0.01)
            calls[stray, w] = 0
            if depths is not None:
                depths[:, w] = 0
    return replace(season, calls=calls, depths=depths)


def by_place(
    season: SimulatedSeason, plate: str, where: Callable[[int, int], tuple[int, int]]
) -> SimulatedSeason:
    """Every well (r, c) of a plate shows what the sheet lists at where(r, c)."""
    wells = wells_of(season, plate)
    rows, columns = places(season, wells)
    at = {(int(r), int(c)): int(w) for r, c, w in zip(rows, columns, wells, strict=True)}
    return moved(season, {w: at.get(where(r, c), -1) for (r, c), w in at.items()})


def plates(season: SimulatedSeason) -> list[str]:
    """Plates with progeny, the fullest first."""
    progeny = season.samples[season.samples["role"] == "progeny"]
    return list(progeny["plate"].value_counts().index)


def on_plate(f: Finding, plate: str) -> bool:
    return plate in f.plates or f.subject == plate


def names_layout(plate: str, kind: CorrectionKind, detail: str = "") -> Names:
    def names(f: Finding) -> bool:
        return any(
            c.kind is kind and c.target == plate and (not detail or c.detail == detail) for c in f.corrections
        )

    return names


def names_kind(*kinds: str, subject: str = "") -> Names:
    def names(f: Finding) -> bool:
        return f.kind.value in kinds and (
            not subject or subject in (f.subject, f.other) or subject in f.plates
        )

    return names


def reading_order(season: SimulatedSeason, wells: np.ndarray, by_columns: bool = True) -> np.ndarray:
    rows, columns = places(season, wells)
    R, C = grid(season)
    return wells[np.argsort(columns * R + rows if by_columns else rows * C + columns, kind="stable")]


# ---- faults ----------------------------------------------------------------------------------------------


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


def half_filled(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[-1]
    R, C = grid(season)
    out = by_place(season, plate, lambda r, c: (R - 1 - r, C - 1 - c))
    return Disturbed(
        out,
        f"{plate} rotated",
        lambda f: (
            names_layout(plate, CorrectionKind.ROTATE)(f)
            or (on_plate(f, plate) and "rotated by 180 degrees" in f.same_as)
        ),
    )


def rotated(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    R, C = grid(season)
    out = by_place(season, plate, lambda r, c: (R - 1 - r, C - 1 - c))
    return Disturbed(out, f"{plate} rotated", names_layout(plate, CorrectionKind.ROTATE))


def permuted(season: SimulatedSeason, wells: np.ndarray, order: np.ndarray) -> SimulatedSeason:
    """The contents of `wells` lie in the order `order` (places within wells)."""
    return moved(season, {int(w): int(wells[o]) for w, o in zip(wells, order, strict=True)})


def scrambled(share: float) -> Disturb:
    def disturb(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
        plate = plates(season)[0]
        wells = wells_of(season, plate)
        wells = wells[(season.samples["role"].to_numpy()[wells] == "progeny")]
        chosen = rng.choice(wells, max(3, round(share * len(wells))), replace=False)
        out = permuted(season, chosen, rng.permutation(len(chosen)))
        return Disturbed(
            out,
            f"{plate}: {len(chosen)} wells scrambled",
            lambda f: f.hold is Hold.PLATE and on_plate(f, plate),
        )

    return disturb


def shuffled_tags(
    season: SimulatedSeason, rng: np.random.Generator, only: str | None = None
) -> SimulatedSeason:
    """A season whose plants stand on the plate in random order, named by a running number."""
    samples = season.samples.copy()
    calls, truth = season.calls.copy(), season.truth.copy()
    number = 0
    names = {}
    for plate in sorted(samples["plate"].unique()):
        wells = wells_of(season, plate)
        wells = reading_order(season, wells[samples["role"].to_numpy()[wells] == "progeny"])
        order = rng.permutation(len(wells))
        content = [c for c in samples.columns if c not in ("batch", "plate", "well")]
        samples.loc[wells, content] = samples.loc[wells[order], content].to_numpy()
        calls[:, wells] = calls[:, wells[order]]
        for w in wells:
            number += 1
            names[samples.at[w, "sample_id"]] = (w, f"T{number}")
    truth["sample_id"] = [names[s][1] for s in truth["sample_id"]]
    for w, name in names.values():
        samples.at[w, "sample_id"] = samples.at[w, "plant"] = name
    return replace(season, samples=samples, calls=calls, truth=truth)


def half_sorted(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """Plants stand in the order of a walk; the second half of the sheet was sorted by name, its wells not."""
    plate = plates(season)[0]
    wells = wells_of(season, plate)
    wells = reading_order(season, wells[season.samples["role"].to_numpy()[wells] == "progeny"])
    order = rng.permutation(len(wells))
    half = np.arange(len(wells)) >= len(wells) // 2
    listed = order.copy()
    listed[half] = np.sort(order[half])  # names of the simulator run in the order of the wells
    walk = moved(season, {int(w): int(wells[o]) for w, o in zip(wells, order, strict=True)})
    samples = season.samples.copy()
    content = [c for c in samples.columns if c not in ("batch", "plate", "well")]
    samples.loc[wells, content] = samples.loc[wells[listed], content].to_numpy()
    return Disturbed(
        replace(walk, samples=samples),
        f"{plate}: half sorted by name",
        lambda f: f.hold is Hold.PLATE and on_plate(f, plate) and "order" in f.evidence,
    )


def sorted_as_text(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """All names of a plate sorted as text (T10 before T2), while the plants stand by their numbers."""
    season = shuffled_tags(season, rng)
    plate = plates(season)[0]
    wells = wells_of(season, plate)
    wells = reading_order(season, wells[season.samples["role"].to_numpy()[wells] == "progeny"])
    order = np.argsort(season.samples["plant"].to_numpy()[wells].astype(str), kind="stable")
    samples = season.samples.copy()
    content = [c for c in samples.columns if c not in ("batch", "plate", "well")]
    samples.loc[wells, content] = samples.loc[wells[order], content].to_numpy()
    return Disturbed(
        replace(season, samples=samples),
        f"{plate}: sorted as text",
        lambda f: f.hold is Hold.PLATE and on_plate(f, plate) and "order" in f.evidence,
    )


def row_missing(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """From row k of the sheet on everything stands one well later (a well was left empty)."""
    plate = plates(season)[0]
    order = reading_order(season, wells_of(season, plate))
    progeny = np.flatnonzero(season.samples["role"].to_numpy()[order] == "progeny")
    k = int(rng.choice(progeny[len(progeny) // 8 : -len(progeny) // 3]))
    source = {int(order[i]): int(order[i - 1]) for i in range(k + 1, progeny[-1] + 1)}
    source[int(order[k])] = -1
    out = moved(season, source)
    return Disturbed(
        out,
        f"{plate}: shifted from row {k + 1} on",
        lambda f: f.kind is FindingKind.SHIFTED and on_plate(f, plate) and "from" in f.evidence,
    )


def quadrant(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    q = int(rng.integers(4))
    a, b = divmod(q, 2)

    def where(r: int, c: int) -> tuple[int, int]:
        if (r % 2, c % 2) != (a, b):
            return r, c
        return 2 * (7 - r // 2) + a, 2 * (11 - c // 2) + b

    return Disturbed(
        by_place(season, plate, where),
        f"{plate}: quadrant {q + 1} rotated",
        lambda f: (
            on_plate(f, plate)
            and f.hold is Hold.PLATE
            and "quadrant" in f.evidence
            and "rotated" in f.evidence
        ),
    )


def quadrants_exchanged(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    p, q = sorted(int(x) for x in rng.choice(4, 2, replace=False))
    swap = {divmod(p, 2): divmod(q, 2), divmod(q, 2): divmod(p, 2)}

    def where(r: int, c: int) -> tuple[int, int]:
        a, b = swap.get((r % 2, c % 2), (r % 2, c % 2))
        return r - r % 2 + a, c - c % 2 + b

    return Disturbed(
        by_place(season, plate, where),
        f"{plate}: quadrants {p + 1}, {q + 1} exchanged",
        lambda f: on_plate(f, plate) and f.hold is Hold.PLATE and "quadrants" in f.evidence,
    )


def halves(columns: bool) -> Disturb:
    def disturb(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
        plate = plates(season)[0]
        R, C = grid(season)

        def where(r: int, c: int) -> tuple[int, int]:
            return (r, (c + C // 2) % C) if columns else ((r + R // 2) % R, c)

        words = "halves"
        return Disturbed(
            by_place(season, plate, where),
            f"{plate}: halves exchanged",
            lambda f: (
                on_plate(f, plate)
                and f.hold is Hold.PLATE
                and (words in f.evidence or any(words in s for s in f.same_as))
            ),
        )

    return disturb


def column_shifted(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    _, C = grid(season)
    k = int(rng.integers(3, C - 2))

    def where(r: int, c: int) -> tuple[int, int]:
        return (r - 1, c) if c == k else (r, c)

    return Disturbed(
        by_place(season, plate, where),
        f"{plate}: column {k + 1} a well down",
        lambda f: on_plate(f, plate) and f.critical,
    )


def strip_copied(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    plate = plates(season)[0]
    R, C = grid(season)
    column = bool(rng.random() < 0.5)
    k = int(rng.integers(3, (C if column else R) - 2))

    def where(r: int, c: int) -> tuple[int, int]:
        return (r, c - 1) if column and c == k else (r - 1, c) if not column and r == k else (r, c)

    return Disturbed(
        by_place(season, plate, where),
        f"{plate}: strip {k + 1} copied from before",
        lambda f: on_plate(f, plate) and f.critical,
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
            from crossproof.simulate.noise import calls_from_depths

            calls[:, hit] = calls_from_depths(depths[:, hit], 0.01)
        names = set(season.samples["sample_id"].to_numpy()[hit])
        return Disturbed(
            replace(season, calls=calls, depths=depths),
            f"{plate}: spilled at {share:.0%}",
            lambda f: len(names & set(f.samples)) >= 4 and f.critical,
        )

    return disturb


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


BIG: dict[str, object] = {
    "plate_wells": 384,
    "n_crosses": 32,
    "plants_per_cross": 11,
    "n_lines": 14,
    "blanks_per_plate": 4,
}
FAULTS = [
    Fault("two dead plates beside a good one", dead_plates, {"n_crosses": 20, "panel_on_every_plate": True}),
    Fault(
        "half-filled plate turned",
        half_filled,
        {"n_crosses": 10, "plants_per_cross": 12, "panel_on_every_plate": True},
    ),
    Fault(
        "rotated, single parent tubes",
        rotated,
        {"n_crosses": 7, "line_replicates": 1, "panel_on_every_plate": False},
    ),
    Fault("15 % of the progeny scrambled", scrambled(0.15)),
    Fault("30 % of the progeny scrambled", scrambled(0.30)),
    Fault("45 % of the progeny scrambled", scrambled(0.45)),
    Fault("half of the sheet sorted", half_sorted),
    Fault("whole sheet sorted as text", sorted_as_text),
    Fault("shifted from a row on", row_missing),
    Fault("384: quadrant rotated", quadrant, BIG),
    Fault("384: quadrants exchanged", quadrants_exchanged, BIG),
    Fault("halves exchanged, left and right", halves(True)),
    Fault("halves exchanged, top and bottom", halves(False)),
    Fault("one column shifted by a well", column_shifted),
    Fault("row or column copied over its neighbour", strip_copied),
    Fault("mother and father exchanged on a tag", tags_reversed, {"n_crosses": 14, "base_self": 0.4}),
    Fault("pods exchanged", pods_exchanged),
    Fault("parent spilled, calls", parent_spilled(False)),
    Fault(
        "parent spilled, reads", parent_spilled(True), {"formats": (BatchFormat.VCF_DEPTH,), "depth": 25.0}
    ),
    Fault("a marker wrong on one plate", marker_wrong),
    Fault("edge wells failed", edge_failed),
]
CLEAN_KINDS: dict[str, dict[str, object]] = {
    "two plates": {},
    "one plate, single parent tubes": {"n_crosses": 7, "line_replicates": 1, "panel_on_every_plate": False},
    "three plates": {"n_crosses": 20, "panel_on_every_plate": True},
    "384 wells": BIG,
    "parents that depart from their lines": {"parent_departure": 0.05, "missing": 0.08, "dropout": 0.04},
    "bad assays": {"bad_assays": 0.15},
    "much foreign pollen": {"outcross": 0.2},
    "one donor for a pod": {"pod_donors": 1.0},
    "much seed off pedigree": {"off_pedigree": 0.06},
    "sister lines": {"sister_groups": 2, "sisters_per_group": 2},
    "reads": {"formats": (BatchFormat.VCF_DEPTH,), "depth": 12.0},
    "failed wells": {"failed_wells": 0.1},
}
CLEAN = [Fault(f"no fault: {name}", nothing, plan) for name, plan in CLEAN_KINDS.items()]
