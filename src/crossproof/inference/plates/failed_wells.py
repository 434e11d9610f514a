"""Wells that failed together: a plate without DNA, a plate that hardly calls, an edge that dried out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import Plate
from crossproof.inference.plates.call_rate_model import usual_call_rate
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import percent

DEAD_SHARE = 0.8
"""A plate is without DNA if this share of its samples calls hardly anything."""
DEAD_RATE = 1 / 3
"""A sample calls hardly anything at less than this share of the season's usual call rate."""
LEAST_SAMPLES = 4
EDGE_SHARE, INNER_SHARE = 0.6, 0.2
"""An edge failed if at least this share of its samples calls too little, and at most that of the others."""
LEAST_EDGE = 8


def without_dna(plate: Plate, usual: float) -> Bools:
    """Wells that call hardly anything, (well,). `usual`: call rate of the season's samples."""
    return np.asarray(plate.n_called < DEAD_RATE * usual * plate.n_markers)


def is_dead(plate: Plate, usual: float) -> bool:
    """Whether hardly any sample of a plate calls."""
    dead = without_dna(plate, usual)[plate.identity >= 0]
    return len(dead) >= LEAST_SAMPLES and float(dead.mean()) >= DEAD_SHARE


def dead_plate(plate: Plate, samples: Ints, usual: float) -> list[Finding]:
    """The finding that a plate carries no DNA, none where it does. `samples`: wells with samples."""
    if not is_dead(plate, usual):
        return []
    dead = samples[without_dna(plate, usual)[samples]]
    return [
        Finding(
            FindingKind.DEAD_PLATE,
            Scope.PLATE,
            plate.name,
            plate.name,
            f"{len(dead)} of {len(samples)} samples of plate {plate.name} call hardly anything: there is "
            "hardly any DNA where the sheet lists samples.",
            "The run may have failed, or the plate was not placed as its sheet says, so that its empty "
            "wells were read. "
            "Look at the plate and its robot log, then genotype it again.",
            wells=tuple(plate.place(int(w)) for w in samples),
            samples=tuple(plate.samples[w] for w in samples),
            hold=Hold.PLATE,
        )
    ]


def dead_plates(plates: Sequence[Plate]) -> list[Finding]:
    """The plates without DNA of a season in which nothing else can be said of any plate."""
    usual = usual_call_rate(plates)
    return [f for p in plates for f in dead_plate(p, np.flatnonzero(p.identity >= 0), usual)]


def low_plate(plate: Plate, samples: Ints, low: Ints, rate: Floats, min_call_rate: float) -> list[Finding]:
    """The finding that a plate as a whole calls too little. `low`: samples under `min_call_rate`."""
    if len(samples) < LEAST_SAMPLES or np.median(rate[samples]) >= min_call_rate:
        return []
    return [
        Finding(
            FindingKind.LOW_CALL_PLATE,
            Scope.PLATE,
            plate.name,
            plate.name,
            f"{len(low)} of {len(samples)} samples of plate {plate.name} call at less than "
            f"{percent(min_call_rate)} of the markers (median {percent(np.median(rate[samples]))}).",
            "Repeat the plate; check DNA amounts and the run.",
            wells=tuple(plate.place(int(w)) for w in low),
            samples=tuple(plate.samples[w] for w in low),
        )
    ]


def edge_failed(plate: Plate, samples: Ints, low: Ints) -> list[Finding]:
    """One finding in place of many where the outermost wells of a plate failed and the others did not."""
    if not plate.placed:
        return []
    last_row, last_column = plate.format.rows - 1, plate.format.columns - 1
    edge = np.isin(plate.rows, [0, last_row]) | np.isin(plate.columns, [0, last_column])
    failed, of_edge, inner = low[edge[low]], samples[edge[samples]], samples[~edge[samples]]
    few_inside = (~edge[low]).sum() <= INNER_SHARE * len(inner)
    if len(failed) < max(LEAST_EDGE, EDGE_SHARE * len(of_edge)) or not few_inside or not len(inner):
        return []
    return [
        Finding(
            FindingKind.EDGE_FAILED,
            Scope.PLATE,
            plate.name,
            plate.name,
            f"The edge of plate {plate.name} failed: {len(failed)} of its {len(of_edge)} samples there call "
            f"too little, and {int((~edge[low]).sum())} of the {len(inner)} others.",
            "Extract or genotype these samples again; look for evaporation or a seal that was not tight.",
            wells=tuple(plate.place(int(w)) for w in failed),
            samples=tuple(plate.samples[w] for w in failed),
        )
    ]
