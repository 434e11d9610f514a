"""Calls that stand in the file twice: a row, a column, a part of a plate or a whole one written over another.

Plants that are alike have the same calls, but not the same missing calls: which assays fail is new in every
well. For two wells of different plants with the same call at every marker, missing ones included,

    nats = min over other wells o of the plate of - sum_(missing, and called in o) log p_m

says how rare it is that the second well fails just where the first did, beyond what any well fails at that is
not among them. p_m is the share of missing calls of marker m in the other wells of the plate or of the well's
tag, whichever is larger (an allele that an assay does not see is missing in sibs as well), its odds raised
until as many fail in all as in the well (in a poor well the weak assays go first). Pairs of the same two
plates that lie the same way from each other are one event and add up:

    log odds = sum nats + log(PRIOR_COPIED_CALLS / (2 n))

n being, where they are neighbours in a row or column, or in the same place of two plates, all ways to be so,
else all pairs of wells of the season.

Which of the two is right the calls do not say, so both wait. Wells without missing calls say nothing; they
wait with the others of their row, column or plate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import expit, logit

from crossproof.inference.plates.arrays import Plate
from crossproof.model.arrays import Floats
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.sentinels import NO_CALL_CODE
from crossproof.text import count_of

PRIOR_COPIED_CALLS = 1e-2
"""Share of seasons in whose files calls stand twice. No source."""
LEAST_CALLED = 0.3
"""Share of markers that a well must call."""
MOST_ALIKE = 4
"""Wells with the same calls from which on a rule is behind them and no copy."""
WORTH = 4.0
"""Wells that the plate's share of missing calls is worth beside those of a tag."""
RAREST, SUREST = 0.02, 0.98
"""Bounds of p_m."""
SLACK = 1e-6
"""log10 odds by which a bound may be rounded."""


@dataclass(frozen=True)
class _Pair:
    """Two wells with the same calls; `way`: their plates and how the second lies from the first."""

    plates: tuple[Plate, Plate]
    wells: tuple[int, int]

    @cached_property
    def nats(self) -> float:
        """How rare it is that just these calls are missing in both."""
        return min(_nats(p, w) for p, w in zip(self.plates, self.wells, strict=True))

    @property
    def missing(self) -> int:
        """Missing calls, the same in both wells."""
        return sum(int((b.codes[:, self.wells[0]] == NO_CALL_CODE).sum()) for b in self.plates[0].blocks)

    @property
    def way(self) -> tuple[str, str, int, int]:
        (a, b), (v, w) = self.plates, self.wells
        return a.name, b.name, int(b.rows[w] - a.rows[v]), int(b.columns[w] - a.columns[v])

    @property
    def samples(self) -> tuple[str, ...]:
        return tuple(p.samples[w] for p, w in zip(self.plates, self.wells, strict=True))

    @property
    def places(self) -> tuple[str, ...]:
        return tuple(p.place(w) for p, w in zip(self.plates, self.wells, strict=True))


def copied_calls(plates: Sequence[Plate], threshold: float, known: Sequence[Finding] = ()) -> list[Finding]:
    """A finding for each way in which calls stand twice; none of samples of which a `known` one says so."""
    told = frozenset(s for f in known if f.kind is FindingKind.COPIED for s in f.samples)
    alike: dict[bytes, list[tuple[int, int]]] = {}
    for i, w in _perhaps_alike(plates):
        calls = np.concatenate([b.codes[:, w] for b in plates[i].blocks])
        if (calls == NO_CALL_CODE).any():
            alike.setdefault(calls.tobytes(), []).append((i, w))
    ways: dict[tuple[str, str, int, int], list[_Pair]] = {}
    for wells in alike.values():
        for pair in _pairs(wells, plates) if 1 < len(wells) <= MOST_ALIKE else ():
            if not told.intersection(pair.samples):
                ways.setdefault(pair.way, []).append(pair)
    wells_of_season = sum(map(len, plates))
    odds = {}
    for way, pairs in ways.items():
        prior = _prior(way, len(plates), wells_of_season)
        most = sum(p.missing for p in pairs) * -np.log(RAREST) + prior
        if most / np.log(10) >= threshold - SLACK:  # hardly any way has so many missing calls
            odds[way] = (sum(p.nats for p in pairs) + prior) / np.log(10)
    return [
        _finding(pairs, _as_well(pairs), float(odds[way]))
        for way, pairs in ways.items()
        if odds.get(way, -np.inf) >= threshold
    ]


def _perhaps_alike(plates: Sequence[Plate]) -> list[tuple[int, int]]:
    """Plate and well of those that call enough and share a sum of their calls with another well."""
    if not plates:
        return []
    draw = np.random.default_rng(1)
    weights = [draw.integers(0, 2**63, (len(b.codes), 1), dtype=np.uint64) for b in plates[0].blocks]
    sums, wells = [], list[tuple[int, int]]()
    for i, plate in enumerate(plates):
        speaks = np.flatnonzero(plate.n_called >= LEAST_CALLED * plate.n_markers)
        of_blocks = [(b.codes[:, speaks] * w).sum(axis=0) for b, w in zip(plate.blocks, weights, strict=True)]
        sums.append(np.sum(of_blocks, axis=0, dtype=np.uint64))
        wells += [(i, w) for w in speaks.tolist()]
    _, of, count = np.unique(np.concatenate(sums), return_inverse=True, return_counts=True)
    return [wells[k] for k in np.flatnonzero(count[of] > 1)]


def _prior(way: tuple[str, str, int, int], plates: int, wells: int) -> float:
    """Log of the prior of one way in a season of so many plates and wells."""
    one, other, down, right = way
    ways = wells * (wells - 1) / 2
    if abs(down) + abs(right) == (one == other):  # neighbours, or the same place of two plates
        ways = 2 * plates + plates * (plates - 1) / 2
    return float(np.log(PRIOR_COPIED_CALLS / (2 * max(ways, 1))))


def _pairs(wells: Sequence[tuple[int, int]], plates: Sequence[Plate]) -> list[_Pair]:
    """Pairs of these wells that the sheets say are different plants, or tubes of different lines."""
    found = []
    for n, (i, v) in enumerate(wells):
        for j, w in wells[n + 1 :]:
            a, b = plates[i], plates[j]
            if not _one_plant(a, v, b, w):
                found.append(_Pair((a, b), (v, w)))
    return found


def _nats(plate: Plate, well: int) -> float:
    """How rare just these missing calls of a well are, set against those of the wells that miss others; no
    more than -log RAREST for each."""
    missing = np.concatenate([b.codes == NO_CALL_CODE for b in plate.blocks]).T  # well, marker
    others = (missing != missing[well]).any(axis=1) & (plate.n_called >= LEAST_CALLED * plate.n_markers)
    of_plate = (missing[others].sum(axis=0) + 0.5) / (others.sum() + 1)
    sibs = others & (plate.identity == plate.identity[well])
    of_tag = (missing[sibs].sum(axis=0) + WORTH * of_plate) / (sibs.sum() + WORTH)
    share = _raised(np.clip(np.maximum(of_plate, of_tag), RAREST, SUREST), int(missing[well].sum()))
    here = missing[well]
    beyond = (~missing[others][:, here]) @ -np.log(share[here])
    return float(beyond.min(initial=-np.log(share[here]).sum()))


def _raised(share: Floats, count: int) -> Floats:
    """Shares whose odds are raised by one factor until they sum to `count`, if they do not reach it."""
    low, high = 0.0, 10.0
    if share.sum() >= count:
        return share
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if expit(logit(share) + middle).sum() < count else (low, middle)
    return np.asarray(np.clip(expit(logit(share) + low), RAREST, SUREST))


def _as_well(pairs: Sequence[_Pair]) -> list[_Pair]:
    """Pairs of the same row, column or plate whose calls are the same as well: for want of a missing one they
    do not speak, but were written over with the others."""
    a, b = pairs[0].plates
    wells = np.array([pair.wells[0] for pair in pairs])
    here = np.ones(len(a), dtype=bool)
    for of_wells in (a.rows, a.columns):
        if a is b and len(np.unique(of_wells[wells])) == 1:
            here = of_wells == of_wells[wells[0]]
    down, right = pairs[0].way[2:]
    rows, columns = a.rows + down, a.columns + right
    here &= (rows >= 0) & (rows < b.format.rows) & (columns >= 0) & (columns < b.format.columns)
    there = np.full(len(a), -1)
    there[here] = b.well_of_position[rows[here] * b.format.columns + columns[here]]
    spoken = {pair.wells for pair in pairs}
    return [
        _Pair((a, b), (v, w))
        for v, w in enumerate(there.tolist())
        if w >= 0 and (v, w) not in spoken and _same_calls(a, v, b, w) and not _one_plant(a, v, b, w)
    ]


def _one_plant(a: Plate, v: int, b: Plate, w: int) -> bool:
    """Whether two wells are of one plant, or tubes of one line, by the sheets."""
    return bool(a.identity[v] == b.identity[w]) and a.plants[v] == b.plants[w]


def _same_calls(a: Plate, v: int, b: Plate, w: int) -> bool:
    return all(np.array_equal(x.codes[:, v], y.codes[:, w]) for x, y in zip(a.blocks, b.blocks, strict=True))


def _finding(pairs: Sequence[_Pair], as_well: Sequence[_Pair], odds: float) -> Finding:
    first, waiting = pairs[0], [*pairs, *as_well]
    more = f", and so do {count_of(len(pairs) - 1, 'more pair')} that lie alike" if len(pairs) > 1 else ""
    return Finding(
        FindingKind.CALLS_COPIED,
        Scope.PLATE,
        first.plates[0].name,
        first.plates[0].name,
        f"{first.samples[0]} ({first.places[0]}) and {first.samples[1]} ({first.places[1]}) have the same "
        f"calls at every marker, and no call at the same ones{more}. Alike plants fail at different markers: "
        "calls of the one stand in place of the other's.",
        "Compare with the laboratory's own file which of the two is right; write the other's well into "
        "corrections.csv (exclude well), or genotype both again.",
        wells=tuple(place for pair in waiting for place in pair.places),
        samples=tuple(sample for pair in waiting for sample in pair.samples),
        other=first.plates[1].name,
        log10_odds=odds,
        hold=Hold.SAMPLES,
    )
