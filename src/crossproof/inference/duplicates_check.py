"""The same plant genotyped under two names.

F1 plants of two inbred parents are alike and rightly so: their likeness says nothing. Only where plants of a
cross differ among themselves can two that agree be one plant. So two wells are compared under T, what a
further plant of the same kind would be (its relation to the parents, and what its sibs show):

    llr = sum_j log [ sum_g T(g) L1(g) L2(g) / (sum_g T(g) L1(g) sum_g T(g) L2(g)) ]

Markers close together are inherited together: the sum counts as if at most EFFECTIVE markers segregated.
Outcrosses are left out: two plants of one inbred pollen donor are alike as well.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.family_tables import FamilyTables
from crossproof.inference.findings import Finding, FindingKind, Hold, Scope
from crossproof.inference.plate_arrays import Floats, SeasonTables
from crossproof.inference.tag_checks import Examined
from crossproof.model.corrections import Correction, CorrectionKind

PRIOR_DUPLICATE = 1e-6
"""Expected number of such pairs per plant."""
EFFECTIVE = 40
OUTCROSS = 2
"""Place of the outcross among the relations of `PlateScores.relation_scores`."""
MAX_WELLS = 3000


def _candidates(x: Examined, season: SeasonTables) -> list[tuple[int, list[Floats], float]]:
    """Wells that could show a duplicate: (well, T per block (marker, genotype), surprise of its data in
    nats)."""
    plate, scores, identity = x.plate, x.scores, x.search.identity
    n = season.n_lines
    state = scores.lines_under(identity)
    out = []
    for i in np.unique(identity[identity >= n]):
        wells = np.flatnonzero((identity == i) & ~x.search.misfit & (plate.n_called >= 0.5 * plate.n_markers))
        if len(wells) == 0:
            continue
        family = FamilyTables(scores, int(i) - n, wells, state)
        for place in np.flatnonzero(family.relation != OUTCROSS):
            kind, surprise = [], 0.0
            for table, post in zip(family.tables(int(place)), family.posterior, strict=True):
                t = np.maximum(table[family.relation[place]], 1e-3)
                kind.append(t / t.sum(axis=1, keepdims=True))
                surprise -= float(np.log((t * post[:, place]).sum(axis=1) / post[:, place].max(axis=1)).sum())
            out.append((int(wells[place]), kind, surprise))
    return out


def _llr(kind: Sequence[Floats], left: Sequence[Floats], right: Sequence[Floats]) -> tuple[float, float]:
    """llr in nats, and the number of markers that contribute to it."""
    total = segregating = 0.0
    for t, a, b in zip(kind, left, right, strict=True):
        each = np.log((t * a * b).sum(1) * t.sum(1) / ((t * a).sum(1) * (t * b).sum(1)))
        total += float(each.sum())
        segregating += float((t.max(axis=1) < 0.9).sum())
    return total, segregating


def _differ(left: Sequence[Floats], right: Sequence[Floats]) -> tuple[int, int]:
    shared = differing = 0
    for a, b in zip(left, right, strict=True):
        both = (a.max(axis=1) >= 0.9 * a.sum(axis=1)) & (b.max(axis=1) >= 0.9 * b.sum(axis=1))
        shared += int(both.sum())
        differing += int((both & (a.argmax(axis=1) != b.argmax(axis=1))).sum())
    return shared, differing


def duplicate_findings(plates: Sequence[Examined], season: SeasonTables, threshold: float) -> list[Finding]:
    """Pairs of wells with different plant names whose likeness their families do not explain."""
    need = (threshold + 6.0) * np.log(10)
    entries: list[tuple[Examined, int, list[Floats], list[Floats]]] = []
    n_plants = 0
    for x in plates:
        n_plants += int((x.search.identity >= season.n_lines).sum())
        for w, kind, surprise in _candidates(x, season):
            if surprise > need:
                entries.append((x, w, kind, [d[:, w].astype(np.float64) for d in x.scores.likelihood]))
    entries = entries[:MAX_WELLS]
    n_pairs = max(len(entries) * (len(entries) - 1) // 2, 1)
    prior = np.log10(PRIOR_DUPLICATE * max(n_plants, 1) / max(n_pairs, n_plants))
    similar = _similar(entries)
    out = []
    for i, j in similar:
        x, w, kind, data = entries[i]
        y, v, _, other = entries[j]
        if x.plate.plants[w] and x.plate.plants[w] == y.plate.plants[v]:
            continue
        llr, segregating = _llr(kind, data, other)
        odds = float(llr / np.log(10) * min(1.0, EFFECTIVE / max(segregating, 1.0)) + prior)
        shared, differing = _differ(data, other)
        if odds < threshold:
            continue
        a, b = (e.plate.samples[k] for e, k in ((x, w), (y, v)))
        out.append(
            Finding(
                FindingKind.SAME_PLANT,
                Scope.SAMPLE,
                x.plate.name,
                a,
                f"{a} ({x.plate.place(w)}) and {b} ({y.plate.place(v)}) agree at {shared - differing} of "
                f"{shared} "
                "markers although plants of their kind differ from each other.",
                "Look whether one plant was sampled twice; genotype both again or leave one out.",
                wells=(x.plate.place(w), y.plate.place(v)),
                samples=(a, b),
                other=b,
                log10_odds=odds,
                hold=Hold.NOTHING,
                corrections=(Correction(CorrectionKind.IGNORE_SAMPLE, b),),
            )
        )
    return out


def _similar(entries: Sequence[tuple[Examined, int, list[Floats], list[Floats]]]) -> NDArray[np.int64]:
    """Pairs of entries that are alike at 95 % of the markers known in both, (pair, 2)."""
    if len(entries) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    equal = np.zeros((len(entries), len(entries)))
    known = np.zeros_like(equal)
    for b in range(len(entries[0][3])):
        data = np.stack([e[3][b] for e in entries])  # well, marker, genotype
        sure = data.max(axis=2) >= 0.9 * data.sum(axis=2)
        best = np.zeros(data.shape, dtype=np.float32)
        np.put_along_axis(best, data.argmax(axis=2)[..., None], sure[..., None].astype(np.float32), axis=2)
        flat = best.reshape(len(data), data.shape[1] * data.shape[2])  # not -1: there may be no marker
        equal = equal + flat @ flat.T
        known = known + sure.astype(np.float32) @ sure.astype(np.float32).T
    return np.asarray(np.argwhere(np.triu((equal >= 0.95 * known) & (known >= 10), 1)))
