"""Wells that may lie otherwise: too little speaks for it to say so, too much to cull plants by them.

Wells moved within a family fit their tag wherever they stand; only at its border a well or two speak.
The posterior share of a well w over all layouts T of parts of its plate that were not taken,

    P(w moved) = sum over T that move w of odds(T) / (1 + sum over T of odds(T))

and the plants of wells with a share of LEAST_SHARE or more are held.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.plates.arrays import Plate
from crossproof.inference.plates.proposals import Proposal
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.model.arrays import Floats
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import count_of, percent

LEAST_SHARE = 0.01
"""Share from which a well is held: one look at the bench against a true hybrid thrown away. A choice, not
a measurement; docs/plate_accuracy.md has what it costs on faultless plates."""


def moved_shares(plate: Plate, doubts: tuple[Proposal, ...]) -> Floats:
    """P(a well was moved), (well,)."""
    share = np.zeros(len(plate))
    total = 1.0
    for proposal in doubts:
        assert proposal.layout is not None
        odds = 10.0**proposal.log10_odds
        share[proposal.layout.source[plate.position] != plate.position] += odds
        total += odds
    return share / total


def weighed(x: Examined) -> tuple[Proposal, ...]:
    """The doubts against all that the plants may be under their own tags, the likeliest first.

    The search compares crosses as mixtures; a plant that fits the tag beside its own may be an outcross by
    a line of the panel (see `tag_scores`).
    """
    n, identity = x.scores.season.n_lines, x.search.identity
    moves = [np.flatnonzero((p.identity != identity) & (p.gain > 0)) for p in x.search.doubts]
    moves = [
        w[(identity[w] >= n) & (p.identity[w] >= n)] for w, p in zip(moves, x.search.doubts, strict=True)
    ]
    wells = np.unique(np.concatenate(moves)).astype(np.int64)
    if not len(wells):
        return x.search.doubts
    tags = tag_scores(x.scores, x.search.matrix, identity, wells)
    out = []
    for w, p in zip(moves, x.search.doubts, strict=True):
        row = np.searchsorted(wells, w)
        new, own = (np.searchsorted(tags.crosses, i[w] - n) for i in (p.identity, identity))
        full = (tags.full[row, new] - tags.full[row, own]) / np.log(10)
        less = float(np.minimum(full - p.gain[w], 0.0).sum())
        out.append(replace(p, log10_odds=p.log10_odds + less))
    return tuple(sorted(out, key=lambda p: -p.log10_odds))


def doubt_findings(x: Examined) -> list[Finding]:
    """One finding for the plate if some of its wells may have been moved; none otherwise."""
    plate = x.plate
    if not x.search.doubts:
        return []
    doubts = weighed(x)
    share = moved_shares(plate, doubts)
    wells = np.flatnonzero((share >= LEAST_SHARE) & (plate.identity >= x.scores.season.n_lines))
    if not len(wells):
        return []
    best = doubts[0]
    speaks = [plate.well_name(int(w)) for w in np.flatnonzero(best.gain > 0.5)]
    most = float(share.max())
    return [
        Finding(
            FindingKind.IN_DOUBT,
            Scope.PLATE,
            plate.name,
            plate.name,
            f"Plate {plate.name} may be {best.words}: {', '.join(speaks[:6])} would fit better so. That is "
            f"little, and chance may be behind it ({percent(most)} likely to be so), but plants of one cross "
            "that changed places show it nowhere else. Held: "
            f"{count_of(len(wells), 'plant')} of the wells it would move.",
            "Look at the robot log and the list that the plate was filled from. If all is in place, dismiss "
            "this finding; else correct the sheet, or genotype these wells again.",
            wells=tuple(plate.place(int(w)) for w in wells),
            samples=tuple(plate.samples[w] for w in wells),
            log10_odds=float(np.log10(most / (1 - most))) if most < 1 else float("inf"),
            hold=Hold.SAMPLES,
        )
    ]
