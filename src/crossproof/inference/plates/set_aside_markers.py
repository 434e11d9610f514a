"""Markers set aside for the season because of one plate on which they read heterozygous in every well.

A marker that reads heterozygous in tubes of fixed lines is set aside, and the plate checks, which use no such
marker, would not say that one plate alone is to blame. For each of them, with h heterozygous calls of n on a
plate, and a share r of heterozygous calls on all other plates (at least LEAST_SHARE),

    lod = log10 [ 0.95^h 0.05^(n - h) ] - log10 [ r^h (1 - r)^(n - h) ] + log10 prior

A marker that reads so on several plates is a bad assay, and none of this check.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.wrong_markers import (
    HETEROZYGOUS,
    LEAST_PLANTS,
    PRIOR_WRONG,
    WORDS,
)
from crossproof.model.arrays import Ints
from crossproof.model.findings import Finding, FindingKind, Scope

LEAST_SHARE, MOST_SHARE = 0.5, 0.7
"""The share on other plates is taken for LEAST_SHARE at least: plants of one plate may be mostly hybrids. A
marker above MOST_SHARE there errs on all plates. No source."""


def set_aside_for_one_plate(
    markers: Sequence[str], plates: Sequence[str], heterozygous: Ints, called: Ints, threshold: float
) -> list[Finding]:
    """Markers that read heterozygous throughout one plate and not on the others, the others pooled.

    `heterozygous`, `called` (plate, marker): calls of samples, blanks left out.
    """
    out: list[Finding] = []
    for p, plate in enumerate(plates):
        h, n = heterozygous[p], called[p]
        h_else, n_else = heterozygous.sum(axis=0) - h, called.sum(axis=0) - n
        share = h_else / np.maximum(n_else, 1)
        r = np.clip(share, LEAST_SHARE, MOST_SHARE)
        odds = h * np.log10(0.95 / r) + (n - h) * np.log10(0.05 / (1 - r)) + np.log10(PRIOR_WRONG)
        enough = (n >= LEAST_PLANTS) & (n_else >= LEAST_PLANTS) & (share <= MOST_SHARE)
        for j in np.flatnonzero(enough & (odds >= threshold)).tolist():
            there, here = f"{h_else[j]} of {n_else[j]}", f"{h[j]} of {n[j]}"
            out.append(
                Finding(
                    FindingKind.MARKER_WRONG,
                    Scope.MARKER,
                    plate,
                    markers[j],
                    f"Marker {markers[j]} is heterozygous in {here} samples of plate {plate}, and in {there} "
                    f"on the others: {WORDS[HETEROZYGOUS]}. It is set aside for the whole season.",
                    "Look at the clusters of this marker on this plate; export it again, or empty its calls "
                    "in the file of this plate: then it counts on the others.",
                    log10_odds=float(odds[j]),
                )
            )
    return out
