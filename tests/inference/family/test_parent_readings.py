"""Hypotheses about parents and tags against full enumeration, and what they must not get wrong.

The enumeration knows the hypotheses and their priors, and shares nothing else with the code: for every
hypothesis it sums over all assignments of relations to plants, all genotypes of both parents at every marker,
all pods and shares.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from small_seasons import Recipe, simulate

from crossproof.inference.family.family_model import Family
from crossproof.inference.family.gathering import prepare
from crossproof.inference.family.origins import relabel
from crossproof.inference.family.parent_hypotheses import (
    DEPARTURES,
    HETEROGENEOUS_WEIGHTS,
    OF_GENERATION,
    PART_SHARES,
    RELATIVE_SHARE,
    RELATIVE_WEIGHTS,
    WHOLE_SHARE,
    Fault,
    Reading,
    parent_prior,
)
from crossproof.inference.family.parent_readings import read_parents
from crossproof.inference.family.parent_search import OtherLines
from crossproof.inference.family.posteriors import Priors
from crossproof.inference.family.reading_solver import GENERATIONS
from crossproof.inference.family.verification import judged
from crossproof.inference.lines.line_doubts import UNTYPED_SHARE, belief_about, heterogeneous_share
from crossproof.inference.pedigree import PAIR_RELATIONS, pair_tables, pollen_table
from crossproof.inference.season_model import FamilyInput, Plant, fit_panel
from crossproof.model.settings import Settings

SETTINGS = Settings()
PODS = np.array([0, 0, 1])


def declared_with(seed):
    """A family of three plants declared with the father of another cross, its panel and its evidence."""
    season = simulate(Recipe(crosses=4, lines=4, plants=(3, 3), markers=7, missing=0.0), seed)
    panel = fit_panel(season.wells, season.lines, [], SETTINGS)
    family = season.families[0]
    names = sorted(panel.lines)
    father = next(n for n in names if n not in (family.mother, family.father))
    plants = tuple(Plant(p.plant, p.wells, f"{PODS[i]}") for i, p in enumerate(family.plants))
    family = FamilyInput(family.cross_id, family.mother, father, plants)
    prepared = prepare(family, season.wells, panel, SETTINGS, None)
    blocks = tuple(dataclasses.replace(b, chromosome=None, morgan=None) for b in prepared.blocks)
    return family, panel, dataclasses.replace(prepared, blocks=blocks)


def fits(block):
    """F_ij(r; M, P) as (relation, marker, plant, parental pair): pair relations, then donors."""
    n_g = block.like.shape[2]
    pair = pair_tables(block.k).reshape(len(PAIR_RELATIONS), n_g, n_g, n_g)
    of_pair = np.einsum("mig,rabg->rmiab", block.like, pair)
    child = np.einsum("mda,Mag->dmMg", block.donors, pollen_table(block.k))
    of_donor = np.repeat(np.einsum("mig,dmMg->dmiM", block.like, child)[..., None], n_g, axis=4)
    f = np.concatenate([of_pair, of_donor])
    return f.reshape(*f.shape[:3], -1)


def log_joint(f, mother, father, plants):
    """log P(D of these plants | relations), one axis a plant, the last relation the flat one."""
    n_rel, n_marker = f.shape[0] + 1, f.shape[1]
    total = np.zeros((n_rel,) * len(plants))
    for j in range(n_marker):
        rows = [np.concatenate([f[:, j, i], np.ones((1, f.shape[3]))]) for i in plants]
        product = np.outer(mother[j], father[j]).ravel()[None]
        for row in rows:
            product = (product[..., None, :] * row).reshape(*product.shape[:-1], n_rel, -1)
        total += np.log(product.sum(axis=-1)[0])
    return total


class Enumeration:
    """Every hypothesis about one family with its exact evidence and posteriors."""

    def __init__(self, family, panel, prepared):
        self.family, self.panel, self.prepared = family, panel, prepared
        (self.block,), (self.place,) = prepared.blocks, prepared.places
        self.f = fits(self.block)
        origins = prepared.origins
        self.n_in = origins.n_pair + origins.n_donor
        self.flat = np.logaddexp.reduce(origins.log_prior[self.n_in :, None] + prepared.flat, axis=0)
        self.found = []  # reading, log prior x evidence, class posterior x evidence (n, 4)

    def prior(self, version, h):
        return parent_prior(self.panel.blocks[0], self.place, version, h, SETTINGS.inbreeding)

    def scores(self, plants, generation):
        """log prior (relation, ...) of all assignments, the flat row's likelihood within it."""
        log_prior = self.prepared.origins.log_prior[: self.n_in]
        rest = 0.0
        if generation >= 0:
            rest = np.log1p(-OF_GENERATION)
            log_prior = log_prior + rest
            log_prior[generation] = np.logaddexp(log_prior[generation], np.log(OF_GENERATION))
        out = np.zeros((self.n_in + 1,) * len(plants))
        for axis, i in enumerate(plants):
            shape = [1] * len(plants)
            shape[axis] = -1
            out = out + np.append(log_prior, self.flat[i] + rest).reshape(shape)
        return out

    def set_of(self, plants, mother, father, generation=-1):
        """Log evidence of some plants under one set of parents, and their relation posteriors."""
        if not plants:
            return 0.0, {}
        joint = log_joint(self.f, mother, father, plants) + self.scores(plants, generation)
        total = np.logaddexp.reduce(joint.ravel())
        weights = np.exp(joint - total)
        each = {
            i: weights.sum(axis=tuple(a for a in range(len(plants)) if a != axis))
            for axis, i in enumerate(plants)
        }
        return float(total), each

    def classes(self, each, klass):
        """Class posteriors of plants from relation posteriors, flat relations in proportion."""
        origins, out = self.prepared.origins, {}
        for i, relation in each.items():
            rows = origins.log_prior[self.n_in :] + self.prepared.flat[:, i]
            weights = np.append(relation[:-1], relation[-1] * np.exp(rows - np.logaddexp.reduce(rows)))
            out[i] = np.bincount(klass, weights, 4)
        return out

    def add(self, reading, mother, father, typed=None):
        """`typed`: parents as typed, that share the tag by pods."""
        view = relabel(self.prepared.origins, reading, self.panel)
        klass = view.klass[: len(self.prepared.origins.klass)]
        n = len(self.family.plants)
        if typed is None:
            evidence, each = self.set_of(list(range(n)), mother, father, reading.generation)
            found = self.classes(each, klass)
            self.found.append((reading, reading.log_prior + evidence, np.stack([found[i] for i in range(n)])))
            return
        for share, pods in itertools.product(PART_SHARES, itertools.product((True, False), repeat=2)):
            own = [i for i in range(n) if pods[PODS[i]]]
            others = [i for i in range(n) if not pods[PODS[i]]]
            left, each_left = self.set_of(own, *typed)
            right, each_right = self.set_of(others, mother, father)
            weight = sum(np.log(share) if t else np.log1p(-share) for t in pods) - np.log(len(PART_SHARES))
            found = self.classes(each_left, self.prepared.origins.klass) | self.classes(each_right, klass)
            score = reading.log_prior + weight + left + right
            self.found.append((reading, score, np.stack([found[i] for i in range(n)])))

    def run(self):
        panel, family, rates = self.panel, self.family, self.panel.tag_rates
        (m,), (f,) = panel.versions(family.mother), panel.versions(family.father)
        right = np.log1p(-rates.wrong_plant)
        typed = self.prior(m, panel.h), self.prior(f, panel.h)
        base = Reading(int(m), int(f), float(2 * right))
        self.add(base, *typed)
        relations = [r for r, _ in PAIR_RELATIONS]
        for relation, weight in GENERATIONS:
            rows = [i for i, r in enumerate(relations) if r is relation]
            for row in rows:
                log_prior = 2 * right + np.log(rates.generation * weight / len(rows))
                one = Reading(int(m), int(f), log_prior, Fault.GENERATION, generation=row)
                self.add(one, *typed)
        for side, own, line in ((0, m, family.mother), (1, f, family.father)):
            self.side(side, int(own), line, (int(m), int(f)), right, typed)
        score = np.array([s for _, s, _ in self.found])
        weight = np.exp(score - np.logaddexp.reduce(score))
        return weight, sum(w * c for w, (_, _, c) in zip(weight, self.found, strict=True))

    def side(self, side, own, line, parents, right, typed):
        panel, rates = self.panel, self.panel.tag_rates
        plant = (Fault.MOTHER_PLANT, Fault.FATHER_PLANT)[side]
        belief = belief_about(panel, line, self.family.cross_id, SETTINGS)
        n_lines = len(panel.lines) - 1
        others = [v for v in range(len(panel.version_line)) if v not in parents]
        log_plant = np.log(rates.wrong_plant)

        def pair(prior):
            return (prior, typed[1]) if side == 0 else (typed[0], prior)

        def reading(version, log_prior, fault, departs=None, part=False):
            both = (version, parents[1]) if side == 0 else (parents[0], version)
            both_depart = (departs, None) if side == 0 else (None, departs)
            return Reading(both[0], both[1], float(right + log_prior), fault, departs=both_depart, part=part)

        for part in (False, True):
            log_part = np.log(WHOLE_SHARE) if not part else np.log1p(-WHOLE_SHARE)
            shared = typed if part else None
            one = reading(None, log_plant + np.log(UNTYPED_SHARE) + log_part, plant, part=part)
            self.add(one, *pair(self.prior(None, panel.h)), typed=shared)
            named = np.log((1 - UNTYPED_SHARE - RELATIVE_SHARE) / len(others))
            for v in others:
                one = reading(v, log_plant + named + log_part, plant, part=part)
                self.add(one, *pair(self.prior(v, panel.h)), typed=shared)
            for d, weight in zip(DEPARTURES, RELATIVE_WEIGHTS, strict=True):
                log_cause = log_plant + np.log(RELATIVE_SHARE) + log_part + np.log(weight)
                one = reading(own, log_cause, plant, departs=d, part=part)
                self.add(one, *pair(self.prior(own, d)), typed=shared)
        varied = heterogeneous_share(panel, line, self.family.cross_id)
        for d, weight in zip(DEPARTURES, HETEROGENEOUS_WEIGHTS, strict=True):
            one = reading(own, right + np.log(varied * weight), Fault.HETEROGENEOUS, departs=d)
            self.add(one, *pair(self.prior(own, d)))
        one = reading(None, right + belief.log_odds + belief.log_untyped, Fault.TUBE)
        self.add(one, *pair(self.prior(None, panel.h)))
        for v in others:
            one = reading(v, right + belief.log_odds + belief.log_line("", n_lines), Fault.TUBE)
            self.add(one, *pair(self.prior(v, panel.h)))


@pytest.mark.parametrize("seed", range(6))
def test_posteriors_are_those_of_full_enumeration(seed):
    family, panel, prepared = declared_with(seed)
    origins = prepared.origins
    n_in = origins.n_pair + origins.n_donor
    flat = np.logaddexp.reduce(origins.log_prior[n_in:, None] + prepared.flat, axis=0)
    priors = Priors(origins.log_prior[: origins.n_pair], origins.log_prior[origins.n_pair : n_in], flat)
    n_lines = len(prepared.donors)
    as_lines = origins.log_prior[n_in : n_in + n_lines, None] + prepared.flat[:n_lines]
    readings = read_parents(
        Family(prepared.blocks, priors),
        panel,
        prepared.places,
        SETTINGS,
        family.mother,
        family.father,
        pods=PODS,
        lines=OtherLines(prepared.donors, as_lines),
    )
    ours = judged(prepared, panel, readings).class_posterior
    exact = Enumeration(family, panel, prepared)
    weight, posterior = exact.run()
    # Messages go round loops of plants and markers: 0.021 at most in twelve families.
    assert np.abs(ours - posterior).max() < 0.03
    # A side of which no plant speaks is not looked at, which leaves its small share to the parents as typed.
    as_typed = sum(w for w, (r, _, _) in zip(weight, exact.found, strict=True) if r.fault is Fault.NONE)
    ours_typed = sum(
        w for r, w in zip(readings.readings, readings.weight, strict=True) if r.fault is Fault.NONE
    )
    assert ours_typed == pytest.approx(as_typed, abs=0.15)
