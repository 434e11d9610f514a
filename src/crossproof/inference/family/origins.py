"""Every origin that a plant of a family can have: priors, classes and words.

Under a reading of the parents that takes a parent *plant* to be wrong, the same rows mean something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from crossproof.inference.family.parent_hypotheses import OF_GENERATION, Fault, Reading
from crossproof.inference.lines.panel import Panel
from crossproof.inference.pedigree import COPY_RELATIONS, PAIR_RELATIONS
from crossproof.inference.season_results import RELATIONS, FamilyInput
from crossproof.model.arrays import Floats, Ints
from crossproof.model.results import Relation, Verdict
from crossproof.model.settings import CLASS_INDEX, RELATION_WEIGHTS, Settings

RELATION_NUMBER = {relation: number for number, relation in enumerate(RELATIONS)}
PAIR_NUMBERS = np.array([RELATION_NUMBER[relation] for relation, _ in PAIR_RELATIONS], dtype=np.int64)
CLASS_OF_RELATION = np.array([CLASS_INDEX[relation.verdict] for relation in RELATIONS], dtype=np.int64)

OF_COPY = 0.5
"""Share of the pollen of a line, one of the two of an F1 parent, that is of a plant as the F1 was made of and
not as the one typed; no source."""
OTHER_MOTHER = "seed of another mother"
"""Words for what a plant is where the mother plant was not of her line, and which it was is not known."""


@dataclass(frozen=True)
class Origins:
    """Every relation a plant of this family can have, one row each, with prior, class, relation and words.

    Rows: pair relations (then, with F1 parents, pollen of the lines of their copies), pollen donors (the
    pool last), other lines, other crosses, unknown plant.
    """

    log_prior: Floats
    klass: Ints
    relation: Ints
    words: tuple[str, ...]
    n_pair: int
    n_donor: int


def list_origins(
    family: FamilyInput,
    panel: Panel,
    settings: Settings,
    donors: Ints,
    crosses: tuple[str, ...],
    n_crosses: int,
    maternal: bool,
) -> Origins:
    """Rows, priors and words of every relation of a family."""
    mother, father = family.mother or "unknown mother", family.father or "unknown father"
    segregating = panel.segregates(family.mother) or panel.segregates(family.father)
    weights, of_pairs = _weights(bool(crosses), maternal, len(donors) > 0, segregating)
    words = {
        Relation.HYBRID: f"pollen of {father}",
        Relation.SELF: f"self of {mother}",
        Relation.FATHER_SELFED: f"self of {father}",
        Relation.ADVANCED: f"F2 or later of {mother} x {father}",
        Relation.BACKCROSS_MOTHER: f"{mother} x {father} backcrossed to {mother}",
        Relation.BACKCROSS_FATHER: f"{mother} x {father} backcrossed to {father}",
        Relation.RECIPROCAL: f"reciprocal cross {father} x {mother}",
    }
    line_share = panel.share_of_line[donors]
    line_share = line_share / max(np.add.reduce(line_share), 1e-9)
    copies: list[str] = []
    copy_share = np.empty((0, len(donors)))
    if segregating:
        copies, copy_share = _copies_as_donors(family, panel, donors, line_share)
    line_share_left = line_share - copy_share.sum(axis=0)
    pollen_of, plant_of = _words_of_versions(panel.lines, panel.version_line.tobytes())
    versions = donors.tolist()
    pool_share = 1.0 if not len(donors) else 1 - settings.panel_donor_share
    prior = (
        of_pairs,
        settings.panel_donor_share * copy_share.sum(axis=1),
        settings.panel_donor_share * line_share_left,
        (pool_share,),
        weights.get(Relation.OTHER_LINE, 0.0) * line_share,
        np.full(len(crosses), weights.get(Relation.OTHER_CROSS, 0.0) / max(n_crosses, 1)),
        # An unknown plant is as likely a fixed line as the offspring of two.
        (weights[Relation.UNKNOWN] / 2,) * 2,
    )
    relation, klass = _relations_of_rows(len(copies), len(donors), len(crosses))
    with np.errstate(divide="ignore"):
        log_prior = np.log(np.concatenate(prior) * panel.class_prior[klass])
    return Origins(
        log_prior,
        klass,
        relation,
        (
            *(words[r] for r, _ in PAIR_RELATIONS),
            *(f"pollen of {x}" for x in copies),
            *(pollen_of[v] for v in versions),
            "unknown pollen",
            *(plant_of[v] for v in versions),
            *(f"cross {x}" for x in crosses),
            "unknown plant",
            "unknown plant",
        ),
        len(PAIR_RELATIONS) + len(copies),
        len(donors) + 1,
    )


@lru_cache(maxsize=8)
def _words_of_versions(lines: tuple[str, ...], version_line: bytes) -> tuple[list[str], list[str]]:
    """Words for pollen of every version's line, and for a plant of it."""
    names = [lines[number] for number in np.frombuffer(version_line, dtype=np.int64).tolist()]
    return [f"pollen of {x}" for x in names], [f"line {x}" for x in names]


@lru_cache(maxsize=1024)
def _relations_of_rows(copies: int, donors: int, crosses: int) -> tuple[Ints, Ints]:
    """Relation and class of every row of `Origins`, of families with so many rows of each kind."""
    rows = (
        (Relation.OUTCROSS_LINE, copies + donors),
        (Relation.OUTCROSS_UNKNOWN, 1),
        (Relation.OTHER_LINE, donors),
        (Relation.OTHER_CROSS, crosses),
        (Relation.UNKNOWN, 2),
    )
    after = [np.full(count, RELATION_NUMBER[relation], dtype=np.int64) for relation, count in rows]
    relation = np.concatenate([PAIR_NUMBERS, *after])
    klass = CLASS_OF_RELATION[relation]
    for shared in (relation, klass):
        shared.flags.writeable = False
    return relation, klass


@cache
def _weights(
    crosses: bool, maternal: bool, lines: bool, segregating: bool
) -> tuple[dict[Relation, float], Floats]:
    """Weights of the relations that can occur in a family, and of the rows of `PAIR_RELATIONS`.

    Whether there are other crosses, maternal markers, other lines, and a parent that segregates.
    """
    weights = dict(RELATION_WEIGHTS)
    if not crosses:
        weights.pop(Relation.OTHER_CROSS)
    if not maternal:
        weights.pop(Relation.RECIPROCAL)
    if not lines:
        weights.pop(Relation.OTHER_LINE)
    if segregating:
        # Seed of an F1 parent segregates as a later generation does, and takes a season to become one. Its
        # own seed is nearly nested in theirs: where a plant departs from its tube they would take it.
        for later in (Relation.ADVANCED, Relation.BACKCROSS_MOTHER, Relation.BACKCROSS_FATHER):
            weights.pop(later)
    total = sum(weights.values())
    weights = {r: w / total for r, w in weights.items()}
    weights |= {Relation.HYBRID: 1.0, Relation.SELF: 1.0}
    return weights, np.array([weights.get(r, 0.0) * share for r, share in PAIR_RELATIONS])


def _copies_as_donors(
    family: FamilyInput, panel: Panel, donors: Ints, line_share: Floats
) -> tuple[list[str], Floats]:
    """The lines of the copies of F1 parents as pollen donors: names by row of `COPY_RELATIONS`, and the share
    (row, donor) of each donor that goes to a row; no rows where no parent is an F1 of typed donors.

    A plant of such a line differs from the one that was typed, and from the one that the F1 was made of; the
    latter is known from the F1 and all its seed. Without it, pollen of the line would have to pass for the
    F1's, of which no chromosome had crossed over.
    """
    names = [""] * len(COPY_RELATIONS)
    share = np.zeros((len(COPY_RELATIONS), len(donors)))
    of_line = panel.version_line[donors]
    for row, (side, copy) in enumerate(COPY_RELATIONS):
        line = (family.mother, family.father)[side]
        if not panel.segregates(line):
            continue
        version = int(panel.copies[panel.versions(line)[0], copy])
        if version >= 0:
            names[row] = panel.lines[panel.version_line[version]]
            share[row, of_line == panel.version_line[version]] = OF_COPY
    if not share.any():
        return [], share[:0]
    share /= np.maximum(share.sum(axis=0) / OF_COPY, 1)
    return names, share * line_share


@dataclass(frozen=True)
class View:
    """Class, relation and words of every origin row under one reading of the parents."""

    klass: Ints
    relation: Ints
    words: tuple[str, ...]


def relabel(origins: Origins, reading: Reading, panel: Panel) -> View:
    """What the relations mean where the parent plant itself was another one than the tag says.

    With a wrong father what looks like a hybrid is an outcross; with a wrong mother nothing is of this cross.
    Under any other reading than the one as typed, the pair relations and donors follow once more at the end,
    for plants that are as typed after all.
    """
    if reading.fault in (Fault.NONE, Fault.GENERATION):
        return View(origins.klass, origins.relation, origins.words)
    klass, relation, words = origins.klass.copy(), origins.relation.copy(), list(origins.words)
    version = reading.mother if reading.fault is Fault.MOTHER_PLANT else reading.father
    relative = reading.departs[0 if reading.fault is Fault.MOTHER_PLANT else 1] is not None
    name = "" if version is None or relative else panel.lines[panel.version_line[version]]
    for row in range(origins.n_pair + origins.n_donor if reading.fault is Fault.MOTHER_PLANT else 0):
        klass[row] = CLASS_INDEX[Verdict.OFF_PEDIGREE]
        selfed = origins.relation[row] == RELATION_NUMBER[Relation.SELF]
        meant = Relation.OTHER_LINE if selfed and name else Relation.UNKNOWN
        relation[row] = RELATION_NUMBER[meant]
        words[row] = f"line {name}" if meant is Relation.OTHER_LINE else OTHER_MOTHER
    if reading.fault is Fault.FATHER_PLANT:
        hybrid = np.flatnonzero(origins.relation[: origins.n_pair] == RELATION_NUMBER[Relation.HYBRID])
        for row in hybrid.tolist():
            klass[row] = CLASS_INDEX[Verdict.OUTCROSS]
            relation[row] = RELATION_NUMBER[Relation.OUTCROSS_LINE if name else Relation.OUTCROSS_UNKNOWN]
            words[row] = f"pollen of {name}" if name else "unknown pollen"
    inside = slice(0, origins.n_pair + origins.n_donor)
    return View(
        np.concatenate([klass, origins.klass[inside]]),
        np.concatenate([relation, origins.relation[inside]]),
        (*words, *origins.words[inside]),
    )


def row_scores(
    origins: Origins,
    reading: Reading,
    pair: Floats,
    donor: Floats,
    flat: Floats,
    typed: tuple[Floats, Floats],
    typed_share: Floats,
) -> Floats:
    """log prior + log likelihood (row, n) in the order of `relabel`; `typed`: fits as typed.

    `typed_share` (n,): share of plants that are of the parents as typed after all.
    """
    inside = origins.n_pair + origins.n_donor
    scores = origins.log_prior[:, None] + np.concatenate([pair, donor, flat])
    if reading.fault is Fault.NONE:
        return np.asarray(scores)
    if reading.fault is Fault.GENERATION:
        scores += np.log1p(-OF_GENERATION)
        row = reading.generation
        scores[row] = np.logaddexp(scores[row], np.log(OF_GENERATION) + pair[row])
        return np.asarray(scores)
    with np.errstate(divide="ignore"):
        scores[:inside] += np.log1p(-typed_share)
        as_typed = np.log(typed_share) + origins.log_prior[:inside, None] + np.concatenate(typed)
    return np.concatenate([scores, as_typed])
