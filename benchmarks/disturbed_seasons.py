"""Plate faults put into simulated seasons from outside: what a fault is, and the tools to put it there.

A fault says what really happened (`words`) and which finding would name it. The truth of a plant is that of
the plant on the bench, whatever the plate did to its DNA.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding
from crossproof.model.plates import parse_well
from crossproof.simulate import SimulatedSeason

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
