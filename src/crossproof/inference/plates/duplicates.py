"""The same plant genotyped under two names.

F1 plants of two inbred parents are alike and rightly so: their likeness says nothing. Only where plants of a
cross differ among themselves can two that agree be one plant. So two wells are compared under T, what a
further plant of the same kind would be (its relation to the parents, and what its sibs show):

    llr = sum_j log [ sum_g T(g) L1(g) L2(g) / (sum_g T(g) L1(g) sum_g T(g) L2(g)) ]

Markers close together are inherited together: the sum counts as if at most EFFECTIVE markers segregated.
Outcrosses are left out: two plants of one inbred pollen donor are alike as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.plates.arrays import Plate, SeasonTables
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.family_tables import FamilyTables
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Floats, Floats32, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_DUPLICATE = 1e-6
"""Expected number of such pairs per plant."""
EFFECTIVE = 40
OUTCROSS = 2
"""Place of the outcross among the relations of `PlateScores.relation_scores`."""
MAX_WELLS = 40_000
"""Most candidates compared, every one with every other."""
BLOCK = 2048


@dataclass(frozen=True)
class _Entry:
    """A well that could show a duplicate: T and the likelihood of its data, per block (marker, genotype)."""

    plate: Plate
    well: int
    surprise: float
    kind: list[Floats32]
    data: list[Floats32]

    @property
    def name(self) -> str:
        """Sample."""
        return self.plate.samples[self.well]

    @property
    def place(self) -> str:
        """Plate and well."""
        return self.plate.place(self.well)


_SLACK = 1e-3
"""Nats by which plants must stay below what is asked to be passed over."""
_Candidate = tuple[int, float, list[Floats32], list[Floats32]]
"""An entry without its plate, which is not handed from process to process."""


def _candidates(x: Examined, season: SeasonTables, need: float) -> list[_Candidate]:
    """Wells whose data are so rare among plants of their kind (`need` nats) that two alike would tell."""
    plate, scores, identity = x.plate, x.scores, x.search.identity
    n = season.n_lines
    state, own = scores.lines_under(identity), scores.own_relations(identity)
    out: list[_Candidate] = []
    sound = np.flatnonzero((identity >= n) & ~x.search.misfit & (plate.n_called >= 0.5 * plate.n_markers))
    rare = sound[_surprise(x, season, sound) > need - _SLACK]
    for i in np.unique(identity[rare]):
        wells = sound[identity[sound] == i]
        family = FamilyTables(scores, int(i) - n, wells, state, own)
        kinds = [np.maximum(t, 1e-3) for t in family.kinds()]
        kinds = [t / sum_of_last(t, keepdims=True) for t in kinds]
        surprise = np.zeros(len(wells))
        for t, post in zip(kinds, family.posterior, strict=True):
            surprise -= np.log(sum_of_last(t * post) / most_of_last(post)).sum(axis=0)
        for place in np.flatnonzero((family.relation != OUTCROSS) & (surprise > need)):
            kind = [t[:, place].astype(np.float32) for t in kinds]
            data = [d[:, wells[place]] for d in scores.likelihood]
            out.append((int(wells[place]), float(surprise[place]), kind, data))
    return out


def candidates_from(threshold: float) -> Callable[[Examined], list[_Candidate]]:
    """What `duplicate_findings` asks of each plate."""
    need = (threshold + 6.0) * np.log(10)

    def candidates(x: Examined) -> list[_Candidate]:
        return _candidates(x, x.scores.season, need)

    return candidates


def _surprise(x: Examined, season: SeasonTables, wells: Ints) -> Floats:
    """The same of these plants, reckoned for all families of a plate at once: equal but for rounding,
    (well,)."""
    scores, identity = x.scores, x.search.identity
    state, prior = scores.lines_under(identity), scores.relation_prior()
    crosses, of = np.unique(identity[wells] - season.n_lines, return_inverse=True)
    relation = (scores.own_relations(identity)[wells] + prior).argmax(axis=1)
    alike = ((of[:, None] == of) & (relation[:, None] == relation)).astype(np.float64)
    others = (alike.sum(axis=1) - 1)[:, None, None]
    out = np.zeros(len(wells))
    for b, likelihood in enumerate(scores.likelihood):
        parents = (scores.parent_table(b, p[crosses], state) for p in (season.mother, season.father))
        table = scores.cross_table(b, *parents)[of, relation]  # well, marker, genotype
        post = likelihood[:, wells].transpose(1, 0, 2) * (table + 0.02)
        post /= sum_of_last(post, keepdims=True)
        sums = np.tensordot(alike, post, axes=1)
        kind = np.maximum((2 * table + sums - post) / (2 + others), 1e-3)
        kind /= sum_of_last(kind, keepdims=True)
        out -= np.log(sum_of_last(kind * post) / most_of_last(post)).sum(axis=1)
    return np.where(relation == OUTCROSS, -np.inf, out)


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


def duplicate_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, each: Each = one_by_one
) -> list[Finding]:
    """Pairs of wells with different plant names whose likeness their families do not explain.

    All pairs of candidates of the season are compared, up to MAX_WELLS candidates; beyond, those whose data
    are rarest, and a remark says so.
    """
    found = each(candidates_from(threshold), plates)
    entries = [_Entry(x.plate, *mine) for x, its in zip(plates, found, strict=True) for mine in its]
    n_plants = sum(int((x.search.identity >= season.n_lines).sum()) for x in plates)
    n_pairs = max(len(entries) * (len(entries) - 1) // 2, 1)
    prior = np.log10(PRIOR_DUPLICATE * max(n_plants, 1) / max(n_pairs, n_plants))
    left_out = len(entries) - MAX_WELLS
    if left_out > 0:
        rarest = np.argsort([-e.surprise for e in entries], kind="stable")[:MAX_WELLS]
        entries = [entries[i] for i in np.sort(rarest)]
    similar = _similar(entries)
    out = []
    for i, j in similar:
        x, y = entries[i], entries[j]
        if x.plate.plants[x.well] and x.plate.plants[x.well] == y.plate.plants[y.well]:
            continue
        kind, left, right = ([p.astype(np.float64) for p in e] for e in (x.kind, x.data, y.data))
        llr, segregating = _llr(kind, left, right)
        odds = float(llr / np.log(10) * min(1.0, EFFECTIVE / max(segregating, 1.0)) + prior)
        shared, differing = _differ(left, right)
        if odds < threshold:
            continue
        out.append(
            Finding(
                FindingKind.SAME_PLANT,
                Scope.SAMPLE,
                x.plate.name,
                x.name,
                f"{x.name} ({x.place}) and {y.name} ({y.place}) agree at {shared - differing} of {shared} "
                "markers although plants of their kind differ from each other.",
                "Check whether one plant was sampled twice; genotype both again or leave one out.",
                wells=(x.place, y.place),
                samples=(x.name, y.name),
                other=y.name,
                log10_odds=odds,
                hold=Hold.NOTHING,
                corrections=(Correction(CorrectionKind.IGNORE_SAMPLE, y.name),),
            )
        )
    return out + ([_not_compared(left_out)] if left_out > 0 else [])


def _not_compared(count: int) -> Finding:
    """The remark that some plants were not compared."""
    return Finding(
        FindingKind.CANNOT_SEE,
        Scope.PLATE,
        "",
        "season",
        f"{count} plants were not compared with the others for one plant under two names: more than "
        f"{MAX_WELLS} plants of the season could show it, and those whose genotypes are rarest went first.",
        "Examine part of the season by itself if a plant sampled twice is suspected.",
        note=True,
    )


def _similar(entries: Sequence[_Entry]) -> Ints:
    """Pairs of entries that are alike at 95 % of the markers known in both, 10 at least, (pair, 2).

    Products of indicators, BLOCK rows at a time: time grows with the square of the entries, memory does not.
    """
    if len(entries) < 2:
        return np.zeros((0, 2), dtype=np.int64)
    best, sure = [], []
    for b in range(len(entries[0].data)):
        data = np.stack([e.data[b] for e in entries])  # well, marker, genotype
        known = most_of_last(data) >= 0.9 * sum_of_last(data)
        one = np.zeros(data.shape, dtype=np.float32)
        np.put_along_axis(one, data.argmax(axis=2)[..., None], known[..., None].astype(np.float32), axis=2)
        best.append(one.reshape(len(data), data.shape[1] * data.shape[2]))  # not -1: there may be no marker
        sure.append(known.astype(np.float32))
    # equal - 0.95 known, as one product.
    left = np.concatenate([*best, *(np.float32(-0.95) * s for s in sure)], axis=1)
    right = np.concatenate([*best, *sure], axis=1)
    certain = np.concatenate(sure, axis=1)
    found = []
    for start in range(0, len(entries), BLOCK):
        close = left[start : start + BLOCK] @ right[start:].T > -1e-3
        i, j = np.nonzero(np.triu(close, 1))
        shared = (certain[start + i] * certain[start + j]).sum(axis=1)
        found.append(start + np.column_stack([i, j])[shared >= 10])
    return np.concatenate(found).astype(np.int64)
