"""One family from its wells to its result: brings panel, family model and other origins together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, compress

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.family.counts import count_calls, parent_genotypes
from crossproof.inference.family.donors import OtherCrosses
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.gathering import Prepared, prepare
from crossproof.inference.family.origins import RELATION_NUMBER, relabel, row_scores
from crossproof.inference.family.parent_hypotheses import Fault, Readings
from crossproof.inference.family.parent_readings import read_parents
from crossproof.inference.family.parent_search import OtherLines
from crossproof.inference.family.posteriors import Priors, summed_by
from crossproof.inference.family.replicate_wells import compare_wells
from crossproof.inference.family.solution import Solution
from crossproof.inference.family.stretches import with_stretches
from crossproof.inference.lines.f1_parents import phase_open
from crossproof.inference.lines.panel import Panel
from crossproof.inference.season_results import N_SOURCES, OF_THE_POOL, RELATIONS, FamilyInput, FamilyResult
from crossproof.model.arrays import Floats, Ints, Texts
from crossproof.model.results import Relation
from crossproof.model.settings import Settings

N_CLASSES = 4
DEPARTURE_SHOWN = 0.9
"""Probability at or above which a departure of a parent plant is listed."""


def verify_family(
    family: FamilyInput,
    wells: Wells,
    panel: Panel,
    settings: Settings,
    others: OtherCrosses | None = None,
) -> FamilyResult:
    """Evidence on every plant of one cross.

    `others`: the crosses of the records from `prepare_crosses`, None to leave swapped tags out. The result
    does not depend on the order of the plants.
    """
    prepared = prepare(family, wells, panel, settings, others)
    readings = with_stretches(prepared, panel, readings_of(prepared, panel, settings))
    return _result(prepared, panel, readings)


def readings_of(
    prepared: Prepared, panel: Panel, settings: Settings, *, keep_outside: bool = False
) -> Readings:
    """The readings of a family's parent tubes, with every plant judged under each."""
    family, origins = prepared.family, prepared.origins
    n_in = origins.n_pair + origins.n_donor
    flat_score = np.logaddexp.reduce(origins.log_prior[n_in:, None] + prepared.flat, axis=0)
    priors = Priors(origins.log_prior[: origins.n_pair], origins.log_prior[origins.n_pair : n_in], flat_score)
    n_lines = len(prepared.donors)
    as_lines = origins.log_prior[n_in : n_in + n_lines, None] + prepared.flat[:n_lines]
    return read_parents(
        Family(prepared.blocks, priors, compiled=panel.compiled),
        panel,
        prepared.places,
        settings,
        family.mother,
        family.father,
        pods=pod_numbers(family),
        lines=OtherLines(prepared.donors, as_lines),
        cross_id=family.cross_id,
        keep_outside=keep_outside,
    )


def pod_numbers(family: FamilyInput) -> Ints:
    """Number of every plant's pod (n,); a plant whose pod is not recorded counts as one of its own."""
    numbers: dict[tuple[str, str], int] = {}
    return np.array(
        [
            numbers.setdefault(("pod", p.pod) if p.pod else ("plant", p.plant), len(numbers))
            for p in family.plants
        ],
        dtype=np.int64,
    )


@dataclass(frozen=True)
class Judged:
    """Plants of a family (n, in the order of `Prepared`) over all readings of its parent tubes.

    Per row: `klass`, `relation` (row,), `words`; `weights` (row, n) posteriors; `scores` (row, n) log prior x
    likelihood. Summed: `class_posterior` (n, 4), `relation_posterior` (n, relations).
    """

    klass: Ints
    relation: Ints
    words: tuple[str, ...]
    weights: Floats
    scores: Floats
    class_posterior: Floats
    relation_posterior: Floats


def judged(prepared: Prepared, panel: Panel, readings: Readings, *, parent_known: bool = True) -> Judged:
    """Posteriors of classes and relations, averaged over the readings of the parent tubes."""
    origins = prepared.origins
    n = len(prepared.family.plants)
    views = [relabel(origins, reading, panel) for reading in readings.readings]
    klass = np.concatenate([v.klass for v in views])
    relation = np.concatenate([v.relation for v in views])
    words = tuple(chain.from_iterable(v.words for v in views))
    parts = [
        row_scores(origins, reading, one.pair, one.donor, prepared.flat, (typed.pair, typed.donor), share)
        for reading, one, typed, share in zip(
            readings.readings, readings.solutions, readings.typed, readings.typed_share, strict=True
        )
    ]
    weights = np.concatenate([w * _softmax(part) for w, part in zip(readings.weight, parts, strict=True)])
    scores = np.concatenate([np.log(w) + part for w, part in zip(readings.weight, parts, strict=True)])
    if not parent_known:
        klass, relation, words = origins.klass, origins.relation, origins.words
        weights = np.repeat(_softmax(origins.log_prior[:, None]), n, axis=1)
        scores = scores[: len(klass)]
    class_posterior = np.ascontiguousarray(summed_by(klass, weights, N_CLASSES).T)
    relation_posterior = np.ascontiguousarray(summed_by(relation, weights, len(RELATIONS)).T)
    return Judged(klass, relation, words, weights, scores, class_posterior, relation_posterior)


def _result(prepared: Prepared, panel: Panel, readings: Readings) -> FamilyResult:
    """Everything that is known of a family's plants, in the order they were given in."""
    origins, family = prepared.origins, prepared.family
    mother, father = own_versions(panel, family, readings)
    counts = count_calls(prepared.counted, mother, father)
    n = len(family.plants)
    solution = readings.solutions[0]
    known = mother is not None or father is not None
    found = judged(prepared, panel, readings, parent_known=known)
    klass, relation, words, weights, scores = (
        found.klass,
        found.relation,
        found.words,
        found.weights,
        found.scores,
    )
    class_loglik = (_by_class(klass, scores) - _by_class(origins.klass, origins.log_prior[:, None])).T
    lod = (class_loglik[:, 0] - class_loglik[:, 1:].max(axis=1)) / np.log(10)
    sources, source_probability = _best(words, weights)
    of_line = relation == RELATION_NUMBER[Relation.OUTCROSS_LINE]
    crossed = of_line | (relation == RELATION_NUMBER[Relation.OUTCROSS_UNKNOWN])
    of_donors = weights[crossed]
    total = of_donors.sum(axis=0)
    given = np.divide(of_donors, total, out=np.zeros_like(of_donors), where=total > 0)
    names = tuple(
        word.removeprefix("pollen of ") if line else OF_THE_POOL
        for word, line in zip(compress(words, crossed.tolist()), of_line[crossed].tolist(), strict=True)
    )
    donors, donor_probability = _best(names, given)
    # Where another plant has had a part of the tag, the line's own plant is the one of the rest.
    own_plant = readings.typed[0] if readings.readings[0].part else solution
    departure = [
        _departures(prepared, panel, v, post)
        for v, post in ((mother, own_plant.mother), (father, own_plant.father))
    ]
    used = sum(len(p) for b, p in zip(prepared.panel_blocks, prepared.places, strict=True) if not b.maternal)
    discordant, disagree = np.zeros(n), np.zeros(n, dtype=bool)
    if prepared.replicates is not None and mother is not None:
        discordant, disagree = compare_wells(
            prepared.replicates,
            prepared.blocks,
            solution,
            origins.log_prior,
            origins.klass,
            origins.n_pair,
            n,
            panel.compiled,
        )
    back: Ints | slice = np.argsort(prepared.order, kind="stable")
    if np.array_equal(prepared.order, np.arange(n)):
        back = slice(None)
    n_wells = np.array([len(p.wells) for p in family.plants], dtype=np.int64)
    mother_names, mother_shares = _version_shares(panel, family.mother, readings, 0)
    father_names, father_shares = _version_shares(panel, family.father, readings, 1)
    parents = ["mother"] * len(departure[0][0]) + ["father"] * len(departure[1][0])
    return FamilyResult(
        cross_id=family.cross_id,
        mother=family.mother,
        father=family.father,
        mother_known=mother is not None,
        father_known=father is not None,
        plants=np.array([p.plant for p in family.plants], dtype=np.str_)[back],
        class_posterior=found.class_posterior[back],
        class_loglik=class_loglik[back],
        relation_posterior=found.relation_posterior[back],
        lod=lod[back],
        sources=sources[back],
        source_probability=source_probability[back],
        donors=donors[back],
        donor_probability=donor_probability[back],
        markers_used=used,
        contrast_markers=counts.contrast_markers,
        scored=counts.scored[back],
        contrast_scored=counts.contrast_scored[back],
        contrast_het=counts.contrast_het[back],
        foreign_calls=counts.foreign[back],
        shared_scored=counts.shared_scored[back],
        shared_het=counts.shared_het[back],
        call_rate=(counts.with_data / max(used, 1))[back],
        from_calls=prepared.from_calls[back],
        maternal_scored=counts.maternal_scored[back],
        maternal_agree=counts.maternal_agree[back],
        wells=n_wells[back],
        well_discordance=discordant[back],
        wells_disagree=disagree[back],
        converged=solution.converged,
        rounds=solution.rounds,
        log_evidence=solution.log_evidence,
        mother_versions=mother_names,
        mother_version_probability=mother_shares,
        father_versions=father_names,
        father_version_probability=father_shares,
        mother_departure=departure[0][4],
        father_departure=departure[1][4],
        run_departure=panel.h,
        parent_faults=readings.fault_shares((panel.versions(family.mother), panel.versions(family.father))),
        segregates=np.array([panel.segregates(line) for line in (family.mother, family.father)], dtype=bool),
        phase_open=np.array(
            [_phase_open(panel, line, solution) for line in (family.mother, family.father)], dtype=bool
        ),
        departure_parent=np.array(parents, dtype=np.str_),
        departure_row=np.concatenate([departure[0][0], departure[1][0]]),
        departure_line=np.concatenate([departure[0][1], departure[1][1]]),
        departure_plant=np.concatenate([departure[0][2], departure[1][2]]),
        departure_probability=np.concatenate([departure[0][3], departure[1][3]]),
        marker_rows=np.sort(
            np.concatenate([b.rows[p] for b, p in zip(prepared.panel_blocks, prepared.places, strict=True)])
        ),
    )


def _phase_open(panel: Panel, line: str, solution: Solution) -> bool:
    """Whether a parent segregates and neither its lines nor the plants settle which copy carries what."""
    unsettled = solution.rival or not solution.converged
    return phase_open(panel, line) or (unsettled and panel.segregates(line))


def own_versions(panel: Panel, family: FamilyInput, readings: Readings) -> tuple[int | None, int | None]:
    """The likeliest version of each parent's own line, by which markers are counted; None if never typed."""
    chosen: list[int | None] = []
    for side, line in ((0, family.mother), (1, family.father)):
        own = panel.versions(line)
        read = [r.mother if side == 0 else r.father for r in readings.readings]
        chosen.append(
            next((v for v in read if v is not None and v in own), int(own[0]) if len(own) else None)
        )
    return chosen[0], chosen[1]


def tube_group(line: str, group: int, groups: int) -> str:
    """What one of the groups (from 0) of a line's tubes that agree is called in `FamilyResult`."""
    return line if groups == 1 else f"{line}, tubes of group {group + 1}"


def _version_shares(panel: Panel, line: str, readings: Readings, side: int) -> tuple[Texts, Floats]:
    """Names of what a parent tube may be, likeliest first, with probabilities."""
    own = list(panel.versions(line))
    share: dict[str, float] = {}
    for reading, weight in zip(readings.readings, readings.weight, strict=True):
        version = reading.mother if side == 0 else reading.father
        if version is None:
            name = "a line that was never typed"
        elif version in own:
            name = tube_group(line, own.index(version), len(own))
        else:
            name = panel.lines[panel.version_line[version]]
        if reading.departs[side] is not None and reading.fault is not Fault.HETEROGENEOUS:
            name = f"an untyped relative of {line}"
        share[name] = share.get(name, 0.0) + float(weight)
    names = sorted(share, key=lambda x: (-share[x], x))
    return np.array(names, dtype=np.str_), np.array([share[x] for x in names])


def _softmax(scores: Floats) -> Floats:
    """exp of the scores, scaled to sum 1 over the first axis."""
    weights = np.exp(scores - scores.max(axis=0))
    return np.asarray(weights / weights.sum(axis=0))


def _by_class(klass: Ints, scores: Floats) -> Floats:
    """log of the summed exp of the scores (row, n) of every class (4, n), each of which some row is of."""
    order = np.argsort(klass, kind="stable")
    first = np.searchsorted(klass[order], np.arange(N_CLASSES))
    return np.asarray(np.logaddexp.reduceat(scores[order], first, axis=0))


def _best(words: tuple[str, ...], weights: Floats) -> tuple[Texts, Floats]:
    """The N_SOURCES likeliest words (n, N_SOURCES) with their summed weights; equal words count together, and
    of equally likely ones the first by alphabet comes first."""
    number: dict[str, int] = {}
    rows = np.array([number.setdefault(word, len(number)) for word in words], dtype=np.int64)
    text, value, tied = _likeliest(list(number), rows, weights)
    if tied:
        distinct = sorted(number)
        place = np.argsort(np.array([number[word] for word in distinct], dtype=np.int64))
        text, value, _ = _likeliest(distinct, place[rows], weights)
    return text, value


def _likeliest(distinct: list[str], rows: Ints, weights: Floats) -> tuple[Texts, Floats, bool]:
    """`_best` of the words with the numbers `rows` (row,), and whether the order of `distinct` had a say."""
    n, size = weights.shape[1], len(distinct)
    cell = rows[:, None] + np.arange(0, n * size, max(size, 1))
    total = np.bincount(cell.ravel(), weights.ravel(), n * size).reshape(n, size)
    plants = np.arange(n)
    names = np.array(distinct or [""], dtype=np.str_)
    text = np.zeros((n, N_SOURCES), dtype=names.dtype)
    value = np.zeros((n, N_SOURCES))
    tied, before = False, np.full(n, np.inf)
    for place in range(min(N_SOURCES, size)):
        leading = total.argmax(axis=1)
        value[:, place] = own = total[plants, leading]
        text[:, place] = names[leading]
        total[plants, leading] = -1.0
        tied, before = tied or bool((own == before).any()), own
    return text, value, tied or bool((total.max(axis=1, initial=-1.0) == before).any())


def _departures(
    prepared: Prepared, panel: Panel, version: int | None, posterior: tuple[Floats, ...]
) -> tuple[Ints, Ints, Ints, Floats, float]:
    """Markers at which a parent plant departs from its line: rows, line's and plant's genotype, probability;
    and the expected share of such markers."""
    none = np.empty(0, dtype=np.int64)
    if version is None:
        return none, none, none, np.empty(0), 0.0
    rows, lines, plants, probabilities = [], [], [], []
    expected, known = 0.0, 0
    for block, place, post in zip(prepared.panel_blocks, prepared.places, posterior, strict=True):
        line = parent_genotypes(block, place, version)
        fixed = np.flatnonzero(line >= 0)
        departs = 1 - post[fixed, line[fixed]]
        expected += float(departs.sum())
        known += len(fixed)
        sure = fixed[departs >= DEPARTURE_SHOWN]
        rows.append(block.rows[place[sure]])
        lines.append(line[sure])
        plants.append(post[sure].argmax(axis=1))
        probabilities.append(1 - post[sure, line[sure]])
    return (
        np.concatenate(rows),
        np.concatenate(lines),
        np.concatenate(plants),
        np.concatenate(probabilities),
        expected / max(known, 1),
    )
