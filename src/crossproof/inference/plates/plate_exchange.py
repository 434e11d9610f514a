"""Plates that carry each other's samples.

Only plates that fit their own sheet badly are compared, each with the sheets of the others:

    lod(p carries q's samples) = sum_w clip(E[w, q's identity at w] - E[w, own], -bound, bound) / ln 10 +
    log10 prior

with every line's consensus rebuilt from the tubes that the exchange implies.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import permutations

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables
from crossproof.inference.plates.layout_search import Search
from crossproof.inference.plates.proposals import broad
from crossproof.inference.plates.score_matrix import UNKNOWN
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_EXCHANGE = 1e-3
MISFIT_SHARE = 0.15
"""A plate is compared with other plates' sheets from this share of misfitting wells."""
MAX_BAD = 60
"""Most plates compared with each other; with more, something else is wrong."""


def sheet_of(other: Plate, plate: Plate) -> Ints:
    """Identity that `other`'s sheet gives each well of `plate`, (well,); UNKNOWN where it lists none."""
    if other.format != plate.format or not (plate.placed and other.placed):
        return np.full(len(plate), UNKNOWN, dtype=np.int64)
    well = other.well_of_position[plate.position]
    return np.where(well >= 0, other.identity[well], UNKNOWN)


def _without_tubes(
    evidence: tuple[Floats, ...],
    season: SeasonTables,
    plates: Sequence[Plate],
    sign: float,
    identities: Sequence[Ints],
) -> tuple[Floats, ...]:
    """Line evidence with these plates' tubes (where `identities` have them) taken out (-1) or put in (+1)."""
    out = tuple(e.copy() for e in evidence)
    for plate, identity in zip(plates, identities, strict=True):
        for w in np.flatnonzero((identity >= 0) & (identity < season.n_lines)):
            for total, block in zip(out, plate.blocks, strict=True):
                total[identity[w]] += sign * np.log(block.likelihood[:, w], dtype=np.float64)
    return out


def _one_way(
    p: int,
    q: int,
    plates: Sequence[Plate],
    searches: Sequence[Search],
    season: SeasonTables,
    evidence: tuple[Floats, ...],
    *,
    usual: float,
    background: float,
) -> Floats:
    """Gain (well,) of plate p's wells under plate q's sheet, with q's wells under p's."""
    plate, other = plates[p], plates[q]
    mine, theirs = sheet_of(other, plate), sheet_of(plate, other)
    rest = _without_tubes(evidence, season, [plate, other], -1.0, [plate.identity, other.identity])
    moved = _without_tubes(rest, season, [plate, other], 1.0, [mine, theirs])
    # `PlateScores` takes p's labelled tubes out again, so they are put in beforehand.
    seen_by_p = _without_tubes(moved, season, [plate], 1.0, [plate.identity])
    seen_by_p = _without_tubes(seen_by_p, season, [plate], -1.0, [mine])
    scores = PlateScores(plate, season, seen_by_p, usual=usual, background=background)
    matrix = searches[p].matrix
    gain = scores.exact(mine, matrix.anything) - matrix.own(plate.identity)
    return np.asarray(np.clip(gain, -matrix.bound, matrix.bound))


def exchange_findings(
    plates: Sequence[Plate],
    searches: Sequence[Search],
    season: SeasonTables,
    evidence: tuple[Floats, ...],
    *,
    usual: float,
    background: float,
    threshold: float,
) -> list[Finding]:
    """Pairs of plates that carry each other's samples, and plates that carry another's. `searches` as
    labelled."""
    bad = [
        i for i, s in enumerate(searches) if s.labelled_misfit.mean() > MISFIT_SHARE and len(plates[i]) >= 4
    ]
    bad = bad[:MAX_BAD]
    prior = float(np.log10(PRIOR_EXCHANGE / max(len(plates) - 1, 1)))
    lod: dict[tuple[int, int], float] = {}
    for p, other in permutations(bad, 2):
        gain = _one_way(p, other, plates, searches, season, evidence, usual=usual, background=background)
        if broad(gain, 4):
            lod[p, other] = float(gain.sum() / np.log(10))
    best = {p: max((q for q in bad if (p, q) in lod), key=lambda q: lod[p, q], default=None) for p in bad}
    out: list[Finding] = []
    done: set[int] = set()
    for p, q in best.items():
        if p in done or q is None:
            continue
        mutual = best.get(q) == p
        odds = lod[p, q] + (lod[q, p] if mutual else 0.0) + prior
        if odds >= threshold:
            done |= {p, q} if mutual else set()
            out.append(_exchanged(plates[p], plates[q], mutual, odds))
    return out


def _exchanged(a: Plate, b: Plate, mutual: bool, odds: float) -> Finding:
    """Plate `a` carries the samples of `b`, and `b` those of `a` if `mutual`."""
    involved = [(a, sheet_of(b, a)), *([(b, sheet_of(a, b))] if mutual else [])]
    if mutual:
        text = f"Plate {a.name} fits the sheet of {b.name}, and {b.name} that of {a.name}."
        remedy = (
            "Compare plate labels and file names. If the two were exchanged, add the proposed row to "
            "corrections.csv and run again."
        )
    else:
        text = f"Plate {a.name} fits the sheet of {b.name} and not its own."
        remedy = "Compare plate labels and file names; a file may have been delivered twice."
    return Finding(
        FindingKind.EXCHANGED,
        Scope.PLATE,
        a.name,
        a.name,
        text,
        remedy,
        wells=tuple(x.place(w) for x, _ in involved for w in range(len(x))),
        samples=tuple(s for x, _ in involved for s in x.samples),
        other=b.name,
        log10_odds=odds,
        hold=Hold.PLATE,
        corrections=(Correction(CorrectionKind.EXCHANGE_PLATES, a.name, b.name),) if mutual else (),
        reassigned=tuple(
            (sample, EMPTY if identity == UNKNOWN else int(identity))
            for x, identities in involved
            for sample, identity in zip(x.samples, identities, strict=True)
        ),
    )
