"""One family from its wells to its evidence: brings panel, family model and other origins together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.blocks import Wells
from crossproof.inference.donors import OtherCrosses, log_mixture, screen_crosses
from crossproof.inference.family import Family, FamilyBlock, Priors
from crossproof.inference.family_counts import count_calls, parent_genotypes
from crossproof.inference.marker_choice import choose_markers
from crossproof.inference.panel import Panel, PanelBlock
from crossproof.inference.parent_readings import Fault, Reading, Readings, read_parents
from crossproof.inference.pedigree import PAIR_RELATIONS, child_of_gametes
from crossproof.inference.season_results import N_SOURCES, RELATIONS, FamilyInput, FamilyResult
from crossproof.inference.settings import CLASS_INDEX, RELATION_WEIGHTS, Settings
from crossproof.model.results import Relation, Verdict
from crossproof.model.sentinels import NO_CALL_CODE

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

N_CLASSES = 4


@dataclass(frozen=True)
class Origins:
    """Every relation a plant of this family can have, one row each, with prior, class, relation and words.

    Rows: pair relations, pollen donors (the pool last), other lines, other crosses, unknown plant.
    """

    log_prior: Floats
    klass: Rows
    relation: Rows
    words: tuple[str, ...]
    n_pair: int
    n_donor: int


@dataclass(frozen=True)
class Prepared:
    """A family's evidence at its chosen markers."""

    family: FamilyInput
    order: Rows  # places of the plants sorted by name
    panel_blocks: tuple[PanelBlock, ...]
    places: tuple[Rows, ...]  # chosen places in each panel block
    blocks: tuple[FamilyBlock, ...]
    donor_versions: Rows
    origins: Origins
    flat: Floats  # row, n: log likelihoods of the relations without this mother and father
    counted: tuple[tuple[PanelBlock, Rows, Floats, NDArray[np.uint8]], ...]
    wells: Rows


def plant_likelihood(
    wells: Wells, rows: Rows, k: int, family: FamilyInput, panel: Panel, settings: Settings
) -> tuple[Floats, Floats, Rows]:
    """Likelihoods (m, n, n_g) of the plants and (m, w, n_g) of their wells, and each well's plant (w,).

    Wells of one plant are multiplied and floored again, so that replicates do not lift the floor.
    """
    well = np.array([w for p in family.plants for w in p.wells], dtype=np.int64)
    owner = np.repeat(np.arange(len(family.plants)), [len(p.wells) for p in family.plants])
    like = wells.likelihood(rows, well, k, panel.rates(settings))
    n = len(family.plants)
    if len(well) == n and np.array_equal(owner, np.arange(n)):
        return like, like, owner
    total = np.zeros((len(rows), n, like.shape[2]))
    for w, plant in enumerate(owner):
        total[:, plant] += np.log(like[:, w])
    total -= total.max(axis=2, keepdims=True)
    joint = np.exp(total)
    joint /= joint.sum(axis=2, keepdims=True)
    several = np.bincount(owner, minlength=n) > 1
    eps = settings.floor
    joint[:, several] = (1 - eps) * joint[:, several] + eps / like.shape[2]
    return joint, like, owner


def choose_rows(
    family: FamilyInput, panel: Panel, settings: Settings, phase: float = 0.5
) -> tuple[Rows, ...]:
    """Chosen places per panel block: nuclear markers by `choose_markers`, all maternal ones."""
    usable = [panel.set_aside[b.rows] == "" for b in panel.blocks]
    limit = settings.max_markers_per_cross
    nuclear = [i for i, b in enumerate(panel.blocks) if not b.maternal]
    total = sum(int(usable[i].sum()) for i in nuclear)
    if limit is None or total <= limit:
        return tuple(np.flatnonzero(u) for u in usable)
    mother, father = panel.versions(family.mother), panel.versions(family.father)
    rows = np.concatenate([panel.blocks[i].rows for i in nuclear])
    contrast = np.concatenate(
        [
            1
            - np.einsum(
                "ma,ma->m", panel.blocks[i].gametes[:, mother[0]], panel.blocks[i].gametes[:, father[0]]
            )
            if len(mother) and len(father)
            else np.zeros(len(panel.blocks[i].rows))
            for i in nuclear
        ]
    )
    order = np.argsort(rows, kind="stable")
    flags = np.concatenate([usable[i] for i in nuclear])
    taken = np.zeros(len(panel.set_aside), dtype=bool)
    taken[rows[order][choose_markers(contrast[order], flags[order], limit, phase)]] = True
    return tuple(
        np.flatnonzero(u) if b.maternal else np.flatnonzero(taken[b.rows])
        for u, b in zip(usable, panel.blocks, strict=True)
    )


def list_origins(
    family: FamilyInput,
    panel: Panel,
    settings: Settings,
    donors: Rows,
    crosses: tuple[str, ...],
    n_crosses: int,
    maternal: bool,
) -> Origins:
    """Rows, priors and words of every relation of a family."""
    mother, father = family.mother or "unknown mother", family.father or "unknown father"
    weights = dict(RELATION_WEIGHTS)
    if not crosses:
        weights.pop(Relation.OTHER_CROSS)
    if not maternal:
        weights.pop(Relation.RECIPROCAL)
    if not len(donors):
        weights.pop(Relation.OTHER_LINE)
    total = sum(weights.values())
    weights = {r: w / total for r, w in weights.items()}
    weights |= {Relation.HYBRID: 1.0, Relation.SELF: 1.0}
    words = {
        Relation.HYBRID: f"pollen of {father}",
        Relation.SELF: f"self of {mother}",
        Relation.FATHER_SELFED: f"self of {father}",
        Relation.ADVANCED: f"F2 or later of {mother} x {father}",
        Relation.BACKCROSS_MOTHER: f"{mother} x {father} backcrossed to {mother}",
        Relation.BACKCROSS_FATHER: f"{mother} x {father} backcrossed to {father}",
        Relation.RECIPROCAL: f"reciprocal cross {father} x {mother}",
    }
    rows: list[tuple[Relation, float, str]] = [
        (r, weights.get(r, 0.0) * share, words[r]) for r, share in PAIR_RELATIONS
    ]
    line_share = (
        1 / np.bincount(panel.version_line)[panel.version_line[donors]] if len(donors) else np.empty(0)
    )
    n_lines = max(line_share.sum(), 1e-9)
    pool_share = 1.0 if not len(donors) else 1 - settings.panel_donor_share
    names = [panel.lines[panel.version_line[v]] for v in donors]
    for name, share in zip(names, line_share, strict=True):
        rows.append(
            (Relation.OUTCROSS_LINE, settings.panel_donor_share * share / n_lines, f"pollen of {name}")
        )
    rows.append((Relation.OUTCROSS_UNKNOWN, pool_share, "unknown pollen"))
    for name, share in zip(names, line_share, strict=True):
        rows.append((Relation.OTHER_LINE, weights[Relation.OTHER_LINE] * share / n_lines, f"line {name}"))
    for cross in crosses:
        rows.append((Relation.OTHER_CROSS, weights[Relation.OTHER_CROSS] / n_crosses, f"cross {cross}"))
    # An unknown plant is as likely a fixed line as the offspring of two.
    rows += [(Relation.UNKNOWN, weights[Relation.UNKNOWN] / 2, "unknown plant")] * 2
    klass = np.array([CLASS_INDEX[r.verdict] for r, _, _ in rows], dtype=np.int64)
    prior = np.array([w for _, w, _ in rows]) * panel.class_prior[klass]
    with np.errstate(divide="ignore"):
        log_prior = np.log(prior)
    return Origins(
        log_prior,
        klass,
        np.array([RELATIONS.index(r) for r, _, _ in rows], dtype=np.int64),
        tuple(w for _, _, w in rows),
        len(PAIR_RELATIONS),
        len(donors) + 1,
    )


def prepare(
    family: FamilyInput,
    wells: Wells,
    panel: Panel,
    settings: Settings,
    others: OtherCrosses | None,
    *,
    phase: float = 0.5,
) -> Prepared:
    """Gather a family's evidence at its markers and weigh the origins that do not depend on its parents.

    `phase` (0 to 1) shifts the choice among markers that are more than the family needs.
    """
    order = np.array(sorted(range(len(family.plants)), key=lambda i: family.plants[i].plant), dtype=np.int64)
    family = FamilyInput(
        family.cross_id, family.mother, family.father, tuple(family.plants[i] for i in order)
    )
    batch, _ = wells.place
    family = FamilyInput(
        family.cross_id,
        family.mother,
        family.father,
        tuple(type(p)(p.plant, tuple(sorted(w for w in p.wells if batch[w] >= 0))) for p in family.plants),
    )
    mothers, fathers = panel.versions(family.mother), panel.versions(family.father)
    donors = np.setdiff1d(np.arange(len(panel.version_line)), np.concatenate([mothers, fathers]))
    places = choose_rows(family, panel, settings, phase)
    blocks, counted = [], []
    n = len(family.plants)
    well = np.array([w for p in family.plants for w in p.wells], dtype=np.int64)
    lines = np.zeros((len(donors), n))
    unknown = np.zeros((2, n))
    for panel_block, place in zip(panel.blocks, places, strict=True):
        rows = panel_block.rows[place]
        like, _, owner = plant_likelihood(wells, rows, panel_block.k, family, panel, settings)
        codes = wells.codes(rows, well)
        plant_codes = np.full((len(rows), n), NO_CALL_CODE, dtype=np.uint8)
        for w in range(len(well) - 1, -1, -1):
            seen = codes[:, w] != NO_CALL_CODE
            plant_codes[seen, owner[w]] = codes[seen, w]
        counted.append((panel_block, place, like, plant_codes))
        gametes = panel_block.gametes[place][:, donors].astype(np.float64)
        blocks.append(
            FamilyBlock(
                panel_block.k,
                panel_block.maternal,
                like,
                np.concatenate([gametes, panel_block.q[place][:, None]], axis=1),
            )
        )
        consensus = panel_block.consensus[place][:, donors].astype(np.float64)
        pool = np.stack([panel_block.pool(f)[place] for f in (settings.inbreeding, 0.0)], axis=1)
        fit = log_mixture(like, np.concatenate([consensus, pool], axis=1))
        lines += fit[:, :-2].T
        unknown += fit[:, -2:].T
    chosen, n_others, crosses = _other_crosses(family, wells, panel, settings, others, places, blocks)
    names = tuple(others.ids[x] for x in chosen) if others is not None else ()
    maternal = any(b.maternal and len(p) for b, p in zip(panel.blocks, places, strict=True))
    origins = list_origins(family, panel, settings, donors, names, n_others, maternal)
    flat = np.concatenate([lines, crosses, unknown])
    return Prepared(
        family, order, panel.blocks, places, tuple(blocks), donors, origins, flat, tuple(counted), well
    )


def _other_crosses(
    family: FamilyInput,
    wells: Wells,
    panel: Panel,
    settings: Settings,
    others: OtherCrosses | None,
    places: tuple[Rows, ...],
    blocks: list[FamilyBlock],
) -> tuple[Rows, int, Floats]:
    """Other crosses worth naming, how many there are in all, and their log likelihoods (cross, n)."""
    n = len(family.plants)
    none = np.empty(0, dtype=np.int64), 0, np.zeros((0, n))
    if others is None or not len(others.ids):
        return none
    own = np.concatenate([panel.versions(family.mother), panel.versions(family.father)])
    leave_out = np.isin(others.mother, own) & np.isin(others.father, own)
    if leave_out.all():
        return none
    like = np.empty((0, n, 3))
    if len(others.screen_rows):
        like, _, _ = plant_likelihood(wells, others.screen_rows, 2, family, panel, settings)
    chosen = screen_crosses(others, like, leave_out)
    fit = np.zeros((len(chosen), n))
    for panel_block, place, block in zip(panel.blocks, places, blocks, strict=True):
        if panel_block.maternal:
            continue
        gametes = panel_block.gametes[place]
        f1 = child_of_gametes(gametes[:, others.mother[chosen]], gametes[:, others.father[chosen]])
        fit += log_mixture(block.like, f1).T
    return chosen, int((~leave_out).sum()), fit


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
    return judge_prepared(prepare(family, wells, panel, settings, others), panel, settings)[0]


def judge_prepared(
    prepared: Prepared, panel: Panel, settings: Settings, *, keep_outside: bool = False
) -> tuple[FamilyResult, Readings]:
    """The evidence on every plant, and the readings of the parent tubes it comes from."""
    family, origins = prepared.family, prepared.origins
    n_in = origins.n_pair + origins.n_donor
    flat_score = np.logaddexp.reduce(origins.log_prior[n_in:, None] + prepared.flat, axis=0)
    priors = Priors(origins.log_prior[: origins.n_pair], origins.log_prior[origins.n_pair : n_in], flat_score)
    readings = read_parents(
        Family(prepared.blocks, priors),
        panel,
        prepared.places,
        settings,
        family.mother,
        family.father,
        cross_id=family.cross_id,
        keep_outside=keep_outside,
    )
    return _result(prepared, panel, readings), readings


def _result(
    prepared: Prepared,
    panel: Panel,
    readings: Readings,
) -> FamilyResult:
    """Posteriors of classes, relations and sources, averaged over the readings of the parent tubes."""
    origins, family = prepared.origins, prepared.family
    mother, father = own_versions(panel, family, readings)
    counts = count_calls(prepared.counted, mother, father)
    n = len(family.plants)
    solution = readings.solutions[0]
    views = [_relabel(origins, reading, panel) for reading in readings.readings]
    klass = np.concatenate([v.klass for v in views])
    relation = np.concatenate([v.relation for v in views])
    words = tuple(w for v in views for w in v.words)
    scores = np.concatenate(
        [
            np.log(share) + origins.log_prior[:, None] + np.concatenate([one.pair, one.donor, prepared.flat])
            for share, one in zip(readings.weight, readings.solutions, strict=True)
        ]
    )
    weights = _reading_average(scores, readings.weight)
    if mother is None:
        log_prior = np.concatenate([np.log(share) + origins.log_prior for share in readings.weight])
        weights = np.repeat(np.exp(log_prior)[:, None], n, axis=1)
        weights /= weights.sum(axis=0)
    class_posterior = np.zeros((n, N_CLASSES))
    np.add.at(class_posterior.T, klass, weights)
    relation_posterior = np.zeros((n, len(RELATIONS)))
    np.add.at(relation_posterior.T, relation, weights)
    class_loglik = np.stack(
        [
            np.logaddexp.reduce(scores[klass == c], axis=0)
            - np.logaddexp.reduce(origins.log_prior[origins.klass == c])
            for c in range(N_CLASSES)
        ],
        axis=1,
    )
    lod = (class_loglik[:, 0] - class_loglik[:, 1:].max(axis=1)) / np.log(10)
    sources, source_probability = _best(words, weights)
    crossed = np.isin(
        relation, [RELATIONS.index(r) for r in (Relation.OUTCROSS_LINE, Relation.OUTCROSS_UNKNOWN)]
    )
    of_donors = weights[crossed]
    total = of_donors.sum(axis=0)
    given = np.divide(of_donors, total, out=np.zeros_like(of_donors), where=total > 0)
    names = tuple(
        w.removeprefix("pollen of ") if r == RELATIONS.index(Relation.OUTCROSS_LINE) else "unknown"
        for w, r, hit in zip(words, relation, crossed, strict=True)
        if hit
    )
    donors, donor_probability = _best(names, given)
    departure = [
        _departures(prepared, panel, v, post)
        for v, post in ((mother, solution.mother), (father, solution.father))
    ]
    used = sum(len(p) for b, p in zip(prepared.panel_blocks, prepared.places, strict=True) if not b.maternal)
    back = np.argsort(prepared.order, kind="stable")
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
        class_posterior=class_posterior[back],
        class_loglik=class_loglik[back],
        relation_posterior=relation_posterior[back],
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
        from_calls=np.ones(n, dtype=bool)[back],
        maternal_scored=counts.maternal_scored[back],
        maternal_agree=counts.maternal_agree[back],
        wells=n_wells[back],
        well_discordance=np.zeros(n)[back],
        wells_disagree=np.zeros(n, dtype=bool)[back],
        converged=solution.converged,
        rounds=solution.rounds,
        log_evidence=solution.log_evidence,
        mother_versions=mother_names,
        mother_version_probability=mother_shares,
        father_versions=father_names,
        father_version_probability=father_shares,
        mother_departure=departure[0][4],
        father_departure=departure[1][4],
        departure_parent=np.array(parents, dtype=np.str_),
        departure_row=np.concatenate([departure[0][0], departure[1][0]]),
        departure_line=np.concatenate([departure[0][1], departure[1][1]]),
        departure_plant=np.concatenate([departure[0][2], departure[1][2]]),
        departure_probability=np.concatenate([departure[0][3], departure[1][3]]),
        marker_rows=np.sort(
            np.concatenate([b.rows[p] for b, p in zip(prepared.panel_blocks, prepared.places, strict=True)])
        ),
    )


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


def _version_shares(
    panel: Panel, line: str, readings: Readings, side: int
) -> tuple[NDArray[np.str_], Floats]:
    """Names of what a parent tube may be, likeliest first, with probabilities."""
    own = list(panel.versions(line))
    share: dict[str, float] = {}
    for reading, weight in zip(readings.readings, readings.weight, strict=True):
        version = reading.mother if side == 0 else reading.father
        if version is None:
            name = "a line that was never typed"
        elif version in own:
            name = line if len(own) == 1 else f"{line}, tubes of group {own.index(version) + 1}"
        else:
            name = panel.lines[panel.version_line[version]]
        share[name] = share.get(name, 0.0) + float(weight)
    names = sorted(share, key=lambda x: (-share[x], x))
    return np.array(names, dtype=np.str_), np.array([share[x] for x in names])


@dataclass(frozen=True)
class View:
    """Class, relation and words of every origin row under one reading of the parents."""

    klass: Rows
    relation: Rows
    words: tuple[str, ...]


def _relabel(origins: Origins, reading: Reading, panel: Panel) -> View:
    """What the relations mean where the parent plant itself was another one than the tag says.

    With a wrong father what looks like a hybrid is an outcross; with a wrong mother nothing is of this cross.
    """
    klass, relation, words = origins.klass.copy(), origins.relation.copy(), list(origins.words)
    version = reading.mother if reading.fault is Fault.MOTHER_PLANT else reading.father
    name = "" if version is None else panel.lines[panel.version_line[version]]
    for row in range(origins.n_pair + origins.n_donor if reading.fault is Fault.MOTHER_PLANT else 0):
        klass[row] = CLASS_INDEX[Verdict.OFF_PEDIGREE]
        selfed = origins.relation[row] == RELATIONS.index(Relation.SELF)
        meant = Relation.OTHER_LINE if selfed and name else Relation.UNKNOWN
        relation[row] = RELATIONS.index(meant)
        words[row] = f"line {name}" if meant is Relation.OTHER_LINE else "seed of another mother"
    if reading.fault is Fault.FATHER_PLANT:
        hybrid = np.flatnonzero(origins.relation[: origins.n_pair] == RELATIONS.index(Relation.HYBRID))
        for row in hybrid.tolist():
            klass[row] = CLASS_INDEX[Verdict.OUTCROSS]
            relation[row] = RELATIONS.index(Relation.OUTCROSS_LINE if name else Relation.OUTCROSS_UNKNOWN)
            words[row] = f"pollen of {name}" if name else "unknown pollen"
    return View(klass, relation, tuple(words))


def _reading_average(scores: Floats, share: Floats) -> Floats:
    """Posterior (row, n) of every origin, each reading keeping its weight for every plant."""
    n_rows = len(scores) // len(share)
    parts = []
    for i, weight in enumerate(share):
        own = scores[i * n_rows : (i + 1) * n_rows]
        part = np.exp(own - own.max(axis=0))
        parts.append(weight * part / part.sum(axis=0))
    return np.concatenate(parts)


def _best(words: tuple[str, ...], weights: Floats) -> tuple[NDArray[np.str_], Floats]:
    """The N_SOURCES likeliest words (n, N_SOURCES) with their summed weights; equal words count together."""
    distinct = sorted(set(words))
    number = {word: i for i, word in enumerate(distinct)}
    where = np.array([number[w] for w in words], dtype=np.int64)
    total = np.zeros((len(distinct), weights.shape[1]))
    np.add.at(total, where, weights)
    order = np.argsort(-total, axis=0, kind="stable")[:N_SOURCES]
    text = np.array(distinct, dtype=np.str_)[order]
    value = np.take_along_axis(total, order, axis=0)
    short = N_SOURCES - len(order)
    if short > 0:
        text = np.concatenate([text, np.full((short, weights.shape[1]), "")])
        value = np.concatenate([value, np.zeros((short, weights.shape[1]))])
    return text.T, value.T


def _departures(
    prepared: Prepared, panel: Panel, version: int | None, posterior: tuple[Floats, ...]
) -> tuple[Rows, Rows, Rows, Floats, float]:
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


DEPARTURE_SHOWN = 0.9
"""Probability from which on a departure of a parent plant is listed."""
