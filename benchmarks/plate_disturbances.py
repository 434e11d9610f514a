"""Faults of places: plates, halves, quadrants, strips and sheets that lie otherwise than they say."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from disturbed_seasons import (
    Disturb,
    Disturbed,
    by_place,
    grid,
    moved,
    names_layout,
    on_plate,
    plates,
    reading_order,
    wells_of,
)

from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold
from crossproof.simulate import SimulatedSeason


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


def held_as(f: Finding, plate: str, words: str) -> bool:
    """Whether a finding holds the plate and names it so, or as one that cannot be told from it."""
    said = (f.evidence, *f.same_as)
    return on_plate(f, plate) and f.hold is Hold.PLATE and any(words in text for text in said)


def halves(columns: bool) -> Disturb:
    def disturb(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
        plate = plates(season)[0]
        R, C = grid(season)

        def where(r: int, c: int) -> tuple[int, int]:
            return (r, (c + C // 2) % C) if columns else ((r + R // 2) % R, c)

        return Disturbed(
            by_place(season, plate, where),
            f"{plate}: halves exchanged",
            lambda f: held_as(f, plate, "halves"),
        )

    return disturb


def half_turned(season: SimulatedSeason, rng: np.random.Generator) -> Disturbed:
    """Columns 1 to 6, or 7 to 12, rotated by 180 degrees within themselves, or mirrored."""
    plate = plates(season)[0]
    R, C = grid(season)
    left, mirrored = bool(rng.random() < 0.5), bool(rng.random() < 0.5)
    first = 0 if left else C // 2

    def where(r: int, c: int) -> tuple[int, int]:
        if (c < C // 2) != left:
            return r, c
        return r if mirrored else R - 1 - r, first + C // 2 - 1 - (c - first)

    half = f"{'left' if left else 'right'} half {'mirrored left to right' if mirrored else 'rotated'}"
    return Disturbed(
        by_place(season, plate, where),
        f"{plate}: {half}",
        lambda f: held_as(f, plate, half),
    )


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
