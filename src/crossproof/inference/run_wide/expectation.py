"""Run-wide estimates: call error rates of every marker, departure of parent plants, class prior.

Glossary: `f_j` false heterozygote, `d_j` allelic dropout of marker j (called genotypes only); `h` share of
markers at which a parent plant departs from its line; `class prior` shares of hybrid, self, outcross,
off-pedigree.

Expectation-maximisation: the panel lines and a fixed sample of families are judged under the current
estimates; expected counts of true genotypes and of their miscalls then give the next ones (`maximisation`),

    f_j = (40 f_0 + E[homozygotes seen as heterozygotes]) / (40 + E[homozygotes scored])

and likewise d_j: beta priors worth 40 observations around the starting values. `h` has a beta prior worth 200
markers, the class prior Dirichlet pseudo-counts (6, 3, 0.8, 0.2). Estimates stop moving when no class
posterior of the sample moves by 1e-4.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np

from crossproof.inference.evidence.blocks import N_QUALITY, Wells
from crossproof.inference.family.gathering import Prepared, prepare
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault, Readings
from crossproof.inference.family.verification import Judged, judged, readings_of
from crossproof.inference.lines.doubt import Doubt
from crossproof.inference.lines.panel import Panel
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.pedigree import hybrid_table, self_table
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.season_results import FamilyInput
from crossproof.model.arrays import Bools, Floats, Ints, UInt8s
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.results import Relation
from crossproof.model.settings import Settings

MAX_FAMILIES = 300
"""Families in the sample, at most."""
MAX_CELLS = 600_000
"""Markers x plants in the sample, at most."""
SAMPLE_MARKERS = 300
"""Markers per family of the sample, at most; other ones in every family, so that all are reached."""
GOOD_QUALITY = 1
"""Last class of quality whose wells tell of the markers' own error rates."""
CLEAR_READING = 0.95
"""Weight of readings at or above which a family has a say about a parent's typing."""
CLEAR_COUNTS = 0.9
"""Weight of the likeliest reading at or above which a family's plants are counted for error rates."""
CLEAR_PLANT = 0.99
"""Class posterior at or above which a plant's genotypes tell of error rates."""


@dataclass(frozen=True)
class Told:
    """What one family tells under the current estimates.

    `rows` (r,) markers looked at, `miscalls` (4, r) as in `count_miscalls`; `departed`, `markers`: departures
    of parent plants and markers looked at; `classes` (4,) of its plants with data; `posterior` (n, 4) class
    posteriors, by which convergence is judged; `says` (2,): what it says of the typing of its mother and
    father; `typed`: whether its parents are as typed beyond doubt; `faults` (2, fault): posterior of what was
    otherwise than typed; `doubts`: about the typing of its parents; `by_quality`
    (2, class): miscalls found in wells of each class of quality, and expected at the markers' own rates.
    """

    rows: Ints
    miscalls: Floats
    departed: float
    markers: float
    classes: Floats
    posterior: Floats
    says: tuple[int, int]
    typed: bool
    faults: Floats
    doubts: tuple[Doubt, ...]
    by_quality: Floats


@dataclass(frozen=True)
class Expected:
    """Expected counts under the current estimates.

    `miscalls` (4, marker): true genotypes scored and their miscalls, as in `count_miscalls`; `departed`,
    `markers`: departures of parent plants and markers looked at; `classes` (4,);
    `faults` (fault,) of `parents` parents looked at; `by_quality` as in `Told`.
    """

    miscalls: Floats
    departed: float
    markers: float
    classes: Floats
    faults: Floats
    parents: float
    by_quality: Floats


def added_up(lines: Floats, told: Iterable[Told] = ()) -> Expected:
    """Counts of the lines' wells (4, marker) and of all families together."""
    miscalls, classes, departed, markers = lines.copy(), np.zeros(4), 0.0, 0.0
    faults, parents, by_quality = np.zeros(len(FAULTS)), 0.0, np.zeros((2, N_QUALITY))
    for one in told:
        miscalls[:, one.rows] += one.miscalls
        classes += one.classes
        departed += one.departed
        markers += one.markers
        faults += one.faults.sum(axis=0)
        parents += 2
        by_quality += one.by_quality
    return Expected(miscalls, departed, markers, classes, faults, parents, by_quality)


def sample_families(
    families: Sequence[FamilyInput], n_markers: int, most: int = MAX_FAMILIES
) -> list[FamilyInput]:
    """A sample of the families that does not depend on their order: by the hash of the cross's name."""
    usable = sorted(
        (f for f in families if f.mother and f.father and f.plants),
        key=lambda f: (crc32(f.cross_id.encode()), f.cross_id),
    )
    chosen: list[FamilyInput] = []
    cells = 0
    for family in usable[:most]:
        cells += len(family.plants) * min(n_markers, SAMPLE_MARKERS)
        if chosen and cells > MAX_CELLS:
            break
        chosen.append(family)
    return sorted(chosen, key=lambda f: f.cross_id)


def count_miscalls(posterior: Floats, codes: UInt8s, k: int, weight: Floats) -> Floats:
    """Expected (4, marker) of hom, hom_as_het, het, het_as_hom among scored calls.

    `posterior` (m, n, n_g) of the true genotype, `codes` (m, n) as called, `weight` (n,).
    """
    return np.asarray((miscalls(posterior, codes, k) * weight).sum(axis=2))


def miscalls(posterior: Floats, codes: UInt8s, k: int) -> Floats:
    """Expected (4, m, n) of hom, hom_as_het, het, het_as_hom in each call, 0 where there is none."""
    pairs = genotype_alleles(k)
    is_hom = pairs[:, 0] == pairs[:, 1]
    scored = codes < len(pairs)
    called_het = ~is_hom[np.minimum(codes, len(pairs) - 1)]
    hom = posterior[:, :, is_hom].sum(axis=2) * scored
    het = posterior[:, :, ~is_hom].sum(axis=2) * scored
    return np.stack([hom, hom * called_het, het, het * ~called_het])


def count_lines(wells: Wells, panel: Panel) -> Floats:
    """Expected (4, marker) of the lines' wells that were typed by calls."""
    counts = np.zeros((4, len(wells.markers)))
    flat = np.array([w for g in panel.version_wells for w in g], dtype=np.int64)
    owner = np.repeat(np.arange(len(panel.version_wells)), [len(g) for g in panel.version_wells])
    weight = wells.called_by_calls(flat).astype(np.float64)
    for block in panel.blocks:
        if len(flat) and not block.maternal:
            codes = wells.codes(block.rows, flat)
            posterior = block.consensus[:, owner].astype(np.float64)
            counts[:, block.rows] += count_miscalls(posterior, codes, block.k, weight)
    return counts


def ask(
    wells: Wells,
    panel: Panel,
    families: Sequence[FamilyInput],
    settings: Settings,
    settled: Collection[str] = (),
    each: Each = one_by_one,
) -> dict[str, Told]:
    """Judge families under the panel's estimates: what each tells, those with both parents typed.

    `settled`: crosses whose parents an earlier round found to be as typed; other readings of them are not
    tried again. `each` calls a function with every family.
    """
    doubting, trusting = (family_settings(settings, settled=x) for x in (False, True))
    typed = [f for f in families if len(panel.versions(f.mother)) and len(panel.versions(f.father))]
    told = each(lambda f: _told(f, wells, panel, trusting if f.cross_id in settled else doubting), typed)
    return {f.cross_id: one for f, one in zip(typed, told, strict=True)}


def family_settings(settings: Settings, *, settled: bool) -> Settings:
    """The settings that the sample's families are judged with; `settled`: parents are as typed for sure."""
    limit = SAMPLE_MARKERS
    if settings.max_markers_per_cross is not None:
        limit = min(limit, settings.max_markers_per_cross)
    doubting = replace(settings, max_markers_per_cross=limit)
    return replace(doubting, wrong_plant=0.0) if settled else doubting


def _told(family: FamilyInput, wells: Wells, panel: Panel, settings: Settings) -> Told:
    prepared = prepare(family, wells, panel, settings, None, phase=crc32(family.cross_id.encode()) / 2**32)
    readings = readings_of(prepared, panel, settings, keep_outside=True)
    result = judged(prepared, panel, readings)
    says = family_says(panel, family, readings, result.class_posterior)
    typed = readings.readings[0].fault is Fault.NONE and bool(readings.weight[0] >= CLEAR_READING)
    faults = readings.fault_shares((panel.versions(family.mother), panel.versions(family.father)))
    doubts = tuple(
        d for d, said in zip(readings.doubts, says, strict=True) if d is not None and said != 1 and not typed
    )
    # Where the tubes are right beyond doubt, the small weight of other readings is left out from here on: the
    # next round does not try them, and would otherwise seem to have moved.
    if typed and any(reading.fault is not Fault.NONE for reading in readings.readings):
        readings = readings.as_typed()
        result = judged(prepared, panel, readings)
    posterior = result.class_posterior
    with_data = np.zeros(len(posterior), dtype=bool)
    for block, _, like, _ in prepared.counted:
        if not block.maternal:
            with_data |= (np.ptp(like, axis=2) > 1e-6).any(axis=0)
    counts = _counted(prepared, wells, panel, result, readings)
    return Told(
        counts.rows,
        counts.miscalls,
        counts.departed,
        counts.markers,
        posterior[with_data].sum(axis=0),
        posterior,
        says,
        typed,
        faults,
        doubts,
        counts.by_quality,
    )


@dataclass(frozen=True)
class _Counts:
    """What a family's plants and parents tell of error rates and departure; fields as in `Told`."""

    rows: Ints
    miscalls: Floats
    departed: float
    markers: float
    by_quality: Floats


def _counted(prepared: Prepared, wells: Wells, panel: Panel, result: Judged, readings: Readings) -> _Counts:
    """Counts under the likeliest reading; of no marker where it is not clear, or not as typed."""
    reading, solution = readings.readings[0], readings.solutions[0]
    rows, counts = [np.empty(0, dtype=np.int64)], [np.empty((4, 0))]
    departed = markers = 0.0
    by_quality = np.zeros((2, N_QUALITY))
    parents = (reading.mother, reading.father)
    clear = readings.weight[0] >= CLEAR_COUNTS and reading.fault is Fault.NONE and None not in parents
    plants = prepared.family.plants
    quality = np.array([wells.quality[p.wells[0]] if len(p.wells) == 1 else 0 for p in plants])
    sure = {
        relation: result.relation_posterior[:, list(Relation).index(relation)] >= CLEAR_PLANT
        for relation in (Relation.HYBRID, Relation.SELF)
    }
    scored = prepared.from_calls & np.array([bool(p.wells) for p in plants])
    for b, (block, place, like, codes) in enumerate(prepared.counted if clear else ()):
        if block.maternal or not len(place):
            continue
        rows.append(block.rows[place])
        seen_here = clear_miscalls(sure, scored, like, codes, solution.outside[b], block.k)
        # The markers' own rates are those of good wells; poor ones tell how much more they err.
        good = quality <= GOOD_QUALITY
        counts.append(seen_here[:, :, good].sum(axis=2))
        by_quality += _by_quality(seen_here, panel, block.rows[place], quality)
        for version, post in zip(parents, (solution.mother[b], solution.father[b]), strict=True):
            assert version is not None
            gone, seen = _departures(block, place, version, post, panel.h)
            departed += gone
            markers += seen
    return _Counts(np.concatenate(rows), np.concatenate(counts, axis=1), departed, markers, by_quality)


def clear_miscalls(
    clear: Mapping[Relation, Bools],
    scored: Bools,
    like: Floats,
    codes: UInt8s,
    joint: Floats,
    k: int,
) -> Floats:
    """Expected miscalls (4, m, n) of the clear hybrids and selfs (n,) among the plants `scored` (n,).

    `like` (m, n, n_g), `codes` (m, n); `joint` (pairs, m, n): the parents as the other plants have them.
    """
    total = np.zeros((4, *codes.shape))
    for relation, table in ((Relation.HYBRID, hybrid_table(k)), (Relation.SELF, self_table(k))):
        chosen = np.flatnonzero(clear[relation] & scored)
        if not len(chosen):
            continue
        outside = joint[:, :, chosen].reshape(len(table), -1, len(like), len(chosen))
        if relation is Relation.SELF:
            child = np.einsum("amn,ag->mng", outside.sum(axis=1), table)
        else:
            child = np.einsum("abmn,abg->mng", outside, table)
        child *= like[:, chosen]
        child /= child.sum(axis=2, keepdims=True)
        total[:, :, chosen] += miscalls(child, codes[:, chosen], k)
    return total


def _by_quality(counts: Floats, panel: Panel, rows: Ints, quality: Ints) -> Floats:
    """Miscalls (2, class) found and expected, of counts (4, m, n) in wells of these classes (n,)."""
    of_plants = found_and_expected(counts, panel, rows)
    return np.stack([np.bincount(quality, x, N_QUALITY) for x in of_plants])


def found_and_expected(counts: Floats, panel: Panel, rows: Ints) -> tuple[Floats, Floats]:
    """Miscalls of each plant (n,), of counts (4, m, n): those found, and those expected at the markers' own
    rates."""
    hom, hom_as_het, het, het_as_hom = counts
    found = (hom_as_het + het_as_hom).sum(axis=0)
    return found, panel.f[rows] @ hom + panel.d[rows] @ het


def family_says(panel: Panel, family: FamilyInput, readings: Readings, posterior: Floats) -> tuple[int, int]:
    """What a family says of the typing of its mother and of its father: 1 it fits, -1 it does not, 0 nothing.

    It fits where a clear hybrid (for the mother: or a self) was found under the line as typed. `posterior`
    (n, 4): class posteriors over all readings.
    """
    says = [0, 0]
    for side, line in ((0, family.mother), (1, family.father)):
        own = set(panel.versions(line).tolist())
        versions = [r.mother if side == 0 else r.father for r in readings.readings]
        other = np.array([v not in own for v in versions])
        tube = other & np.array([r.fault is Fault.TUBE for r in readings.readings])
        clear = np.minimum(readings.plain, posterior[:, :2])
        clear = clear[:, 0] if side == 1 else clear.sum(axis=1)
        if clear.max(initial=0.0) >= CLEAR_PLANT and readings.weight[tube].sum() <= 1 - CLEAR_READING:
            says[side] = 1
        elif readings.weight[other].sum() >= CLEAR_READING:
            says[side] = -1
    return says[0], says[1]


def _departures(
    block: PanelBlock, place: Ints, version: int, posterior: Floats, h: float
) -> tuple[float, float]:
    """Expected number of markers at which a parent plant departs from its line, and of markers looked at."""
    share = departed_parts(block, place, version, h)
    return float((posterior * share).sum()), float(len(place))


def departed_parts(block: PanelBlock, place: Ints, version: int | Ints, h: float) -> Floats:
    """Share of the prior (..., n_g) of each genotype of a parent plant that is of plants that departed."""
    departed, stayed = block.parent_parts(place, version, h)
    return np.asarray(departed / (departed + stayed))
