"""Families of which only the hypothesis as typed has to be looked at, asked many at a time.

These are most of a season: the plants ask for no other, or an earlier round found the parents to be as typed
beyond doubt. Between two rounds of the run-wide estimates only numbers of theirs change. What does not is
kept: the origins that plants can have, and the messages of the family model, which go on from where they
rested (see `family_stack`).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np

from crossproof.inference.evidence.blocks import N_QUALITY, Wells
from crossproof.inference.family.donors import log_mixture
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.family_model import CHUNK_NUMBERS, Family
from crossproof.inference.family.gathering import choose_rows
from crossproof.inference.family.origins import RELATION_NUMBER
from crossproof.inference.family.parent_hypotheses import FAULTS, Fault
from crossproof.inference.family.parent_readings import only_as_typed
from crossproof.inference.family.posteriors import Priors
from crossproof.inference.family.solution import Solution
from crossproof.inference.family.verification import pod_numbers
from crossproof.inference.lines.panel import Panel
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.run_wide.expectation import (
    CLEAR_PLANT,
    GOOD_QUALITY,
    Told,
    clear_miscalls,
    departed_parts,
    family_settings,
    found_and_expected,
)
from crossproof.inference.run_wide.family_stack import Earlier, FamilyStack, Rested, StackPriors
from crossproof.inference.run_wide.kept_families import (
    KeptFamily,
    Places,
    PlantEvidence,
    alike,
    earlier_of,
    evidence_of,
    kept_family,
    slices,
)
from crossproof.inference.season_results import FamilyInput
from crossproof.model.arrays import Floats, Ints
from crossproof.model.genotypes import n_genotypes
from crossproof.model.results import Relation, Verdict
from crossproof.model.settings import CLASS_INDEX, Settings

AT_ONCE = 100_000
"""Cells (marker, plant) whose evidence is gathered at once, about."""


KEPT_NUMBERS = 10_000_000
"""Numbers of messages that are kept from round to round."""


class SettledFamilies:
    """Asks families together for the run's estimates, round after round."""

    def __init__(self, wells: Wells, settings: Settings) -> None:
        self.wells, self.settings = wells, family_settings(settings, settled=True)
        self._kept: dict[str, KeptFamily] = {}
        self._alone: set[str] = set()

    def ask(self, panel: Panel, families: Sequence[FamilyInput], settled: Collection[str]) -> dict[str, Told]:
        """What families tell under the panel's estimates, as `expectation.ask` would have it.

        Only those that can be asked together and come to rest and, of those that are not `settled` yet, of
        which no other hypothesis than the one as typed has to be looked at: any other has to be asked by
        itself.
        """
        told: dict[str, Told] = {}
        room = KEPT_NUMBERS
        places = [(kept, self._places(kept.family, panel)) for kept in self._askable(families, panel)]
        places = [(kept, chosen) for kept, chosen in places if chosen]
        for members, chosen in alike(places):
            n = len(members[0].family.plants)
            cells = n * sum(len(place) for _, place in chosen)
            numbers = n * sum(len(p) * n_genotypes(panel.blocks[b].k) ** 3 for b, p in chosen)
            for at_once, size in slices(len(members), max(1, AT_ONCE // max(cells, 1))):
                evidence = evidence_of(self.wells, self.settings, panel, members[at_once], chosen)
                for own, _ in slices(size, max(1, CHUNK_NUMBERS // max(numbers, 1))):
                    some = members[at_once][own]
                    part = evidence.part(slice(own.start * n, own.stop * n))
                    asked = _Asked(self.wells, self.settings, panel, some, chosen, part)
                    told |= asked.told(settled, room)
                    room -= asked.numbers
                    self._alone |= asked.restless
        return told

    def _askable(self, families: Sequence[FamilyInput], panel: Panel) -> list[KeptFamily]:
        for family in families:
            name = family.cross_id
            if name not in self._kept and name not in self._alone:
                kept = kept_family(family, self.wells, panel, self.settings)
                if kept is None:
                    self._alone.add(name)
                else:
                    self._kept[name] = kept
        return [self._kept[f.cross_id] for f in families if f.cross_id not in self._alone]

    def _places(self, family: FamilyInput, panel: Panel) -> Places:
        phase = crc32(family.cross_id.encode()) / 2**32
        chosen = choose_rows(family, panel, self.settings, phase)
        return tuple((b, place) for b, place in enumerate(chosen) if len(place))


@dataclass(frozen=True)
class _Counts:
    """Counts of each family: `rows` (r,) markers looked at, `miscalls` (4, r, F), `departed` (F,),
    `by_quality` (2, F, class); see `Told`."""

    rows: Ints
    miscalls: Floats
    departed: Floats
    by_quality: Floats


class _Asked:
    """Some settled families at the same markers under a panel's estimates."""

    def __init__(
        self,
        wells: Wells,
        settings: Settings,
        panel: Panel,
        members: Sequence[KeptFamily],
        places: Places,
        evidence: PlantEvidence,
    ) -> None:
        self.wells, self.settings, self.panel = wells, settings, panel
        self.members, self.places = members, places
        self.n = len(members[0].family.plants)
        self.n_plants = self.n * len(members)
        self.blocks = [panel.blocks[b] for b, _ in places]
        self.like, self.codes = evidence.like, evidence.codes
        self.restless: set[str] = set()
        self.numbers = 0

    def told(self, settled: Collection[str], room: int) -> dict[str, Told]:
        """What each family tells, of those that come to rest and are as typed (see `SettledFamilies.ask`).

        `room`: numbers that may be kept for the next round.
        """
        chromosome, morgan = self.wells.genetic_map(self.settings)
        family_blocks = []
        for block, (_, place), like in zip(self.blocks, self.places, self.like, strict=True):
            gametes = block.gametes[place].astype(np.float64)
            rows = block.rows[place]
            donors = np.concatenate([gametes, block.q[place][:, None]], axis=1)
            family_blocks.append(FamilyBlock(block.k, False, like, donors, chromosome[rows], morgan[rows]))
        stack = FamilyStack(family_blocks, len(self.members), self._priors())
        mothers, fathers = (self._parents(side) for side in (0, 1))
        rested = stack.rest(mothers, fathers, earlier_of(self.members))
        numbers = sum(m.size for m in rested.message)
        here = Earlier(rested.message, rested.pair, rested.donor) if numbers <= room else None
        for f, kept in enumerate(self.members):
            kept.earlier, kept.seat = here, f
        self.numbers = 0 if here is None else numbers
        names = [kept.family.cross_id for kept in self.members]
        self.restless = {name for name, done in zip(names, rested.converged, strict=True) if not done}
        told = self._all_told(rested)
        doubted = [
            f
            for f, name in enumerate(names)
            if name in told
            and name not in settled
            and not self._only_as_typed(f, family_blocks, stack.priors, rested)
        ]
        return {name: one for name, one in told.items() if names.index(name) not in doubted}

    def _only_as_typed(
        self, f: int, blocks: Sequence[FamilyBlock], priors: StackPriors, rested: Rested
    ) -> bool:
        """Whether nothing asks for another hypothesis about one of the families."""
        own, kept, panel = self._own(f), self.members[f], self.panel
        number = {b: i for i, (b, _) in enumerate(self.places)}
        none = np.empty(0, dtype=np.int64)
        of_family, places, mother, father = [], [], [], []
        for b, block in enumerate(panel.blocks):
            i = number.get(b)
            places.append(none if i is None else self.places[i][1])
            if i is None:
                n_g = block.consensus.shape[2]
                empty = np.empty((0, n_g))
                like, donors = np.empty((0, self.n, n_g)), np.empty((0, len(priors.donor), block.k))
                of_family.append(FamilyBlock(block.k, block.maternal, like, donors))
                mother.append(empty)
                father.append(empty)
            else:
                of_family.append(replace(blocks[i], like=blocks[i].like[:, own]))
                mother.append(rested.mother[i][:, f])
                father.append(rested.father[i][:, f])
        first = own.start
        family = Family(
            tuple(of_family),
            Priors(priors.pair[:, first], priors.donor[:, first], priors.flat[own]),
            compiled=panel.compiled,
        )
        solution = Solution(
            rested.log_pair[:, own],
            rested.log_donor[:, own],
            none,
            tuple(mother),
            tuple(father),
            float(rested.evidence[f]),
            0.0,
            0,
            True,
            (),
        )
        pods = pod_numbers(kept.family)
        return only_as_typed(family, panel, tuple(places), self.settings, kept.parents, pods, solution)

    def _own(self, f: int) -> slice:
        return slice(f * self.n, (f + 1) * self.n)

    def _parents(self, side: int) -> list[Floats]:
        """Priors (m, F, n_g) of the mother or father plants, per block."""
        versions = np.array([kept.parents[side] for kept in self.members])
        parts = [b.parent_parts(p[:, None], versions, self.panel.h) for b, (_, p) in self._with_places()]
        return [departed + stayed for departed, stayed in parts]

    def _with_places(self) -> Iterator[tuple[PanelBlock, tuple[int, Ints]]]:
        return zip(self.blocks, self.places, strict=True)

    def _priors(self) -> StackPriors:
        """Priors of all plants' relations; donors are all versions, and the pool."""
        n_versions = len(self.panel.version_line)
        fit = np.zeros((self.n_plants, n_versions + 2))
        for block, (_, place), like in zip(self.blocks, self.places, self.like, strict=True):
            consensus = block.consensus[place].astype(np.float64)
            pool = np.stack([block.pool(f)[place] for f in (self.settings.inbreeding, 0.0)], axis=1)
            fit += log_mixture(like, np.concatenate([consensus, pool], axis=1))
        log_class = np.log(self.panel.class_prior)
        n_pair, n_families = self.members[0].n_pair, len(self.members)
        pair = np.empty((n_pair, n_families))
        donor = np.full((n_versions + 1, n_families), -np.inf)
        other = np.full((n_versions + 2, n_families), -np.inf)
        for f, kept in enumerate(self.members):
            own = kept.share + log_class[kept.klass]
            d = len(kept.donors)
            pair[:, f] = own[:n_pair]
            donor[kept.donors, f], donor[-1, f] = own[n_pair : n_pair + d], own[n_pair + d]
            other[kept.donors, f], other[-2:, f] = own[n_pair + d + 1 : -2], own[-2:]
        each = (np.repeat(x, self.n, axis=1) for x in (pair, donor, other))
        pair, donor, other = each
        return StackPriors(pair, donor, np.logaddexp.reduce(other + fit.T, axis=0))

    def _all_told(self, rested: Rested) -> dict[str, Told]:
        """What each of the families at rest tells, taken as typed."""
        n = self.n
        classes = self._classes(rested)
        counts = self._counts(rested)
        with_data = np.zeros(self.n_plants, dtype=bool)
        for like in self.like:
            with_data |= (np.ptp(like, axis=2) > 1e-6).any(axis=0)
        faults = np.zeros((2, len(FAULTS)))
        faults[:, FAULTS.index(Fault.NONE)] = 1.0
        plain = rested.pair[:2].reshape(2, -1, n)
        fits = [x.max(axis=1, initial=0.0) >= CLEAR_PLANT for x in (plain.sum(axis=0), plain[0])]
        told = {}
        for f in np.flatnonzero(rested.converged).tolist():
            own = self._own(f)
            posterior = classes[:, own].T
            told[self.members[f].family.cross_id] = Told(
                counts.rows,
                counts.miscalls[:, :, f],
                float(counts.departed[f]),
                2.0 * len(counts.rows),
                posterior[with_data[own]].sum(axis=0),
                posterior,
                (int(fits[0][f]), int(fits[1][f])),
                True,
                faults,
                (),
                counts.by_quality[:, f],
            )
        return told

    def _classes(self, rested: Rested) -> Floats:
        """Class posteriors (4, N)."""
        first = self.members[0]
        classes = np.zeros((4, self.n_plants))
        np.add.at(classes, first.klass[: first.n_pair], rested.pair)
        classes[CLASS_INDEX[Verdict.OUTCROSS]] += rested.donor.sum(axis=0)
        classes[CLASS_INDEX[Verdict.OFF_PEDIGREE]] += rested.flat
        return classes

    def _counts(self, rested: Rested) -> _Counts:
        """Counts of miscalls and of departures from the lines."""
        members, n, panel = self.members, self.n, self.panel
        of_pair = members[0].relation[: members[0].n_pair]
        clear = {
            relation: rested.pair[of_pair == RELATION_NUMBER[relation]].sum(axis=0) >= CLEAR_PLANT
            for relation in (Relation.HYBRID, Relation.SELF)
        }
        scored = np.concatenate([kept.scored for kept in members])
        quality = np.concatenate([kept.quality for kept in members])
        good = quality <= GOOD_QUALITY
        cell = np.repeat(np.arange(len(members)), n) * N_QUALITY + quality
        by_quality = np.zeros((2, len(members) * N_QUALITY))
        rows, counts, departed = [np.empty(0, dtype=np.int64)], [], np.zeros(len(members))
        for i, (block, (_, place)) in enumerate(self._with_places()):
            row = block.rows[place]
            seen = clear_miscalls(clear, scored, self.like[i], self.codes[i], rested.outside[i], block.k)
            rows.append(row)
            counts.append((seen * good).reshape(4, len(row), len(members), n).sum(axis=3))
            for x, weights in enumerate(found_and_expected(seen, panel, row)):
                by_quality[x] += np.bincount(cell, weights, by_quality.shape[1])
            for side, post in enumerate((rested.mother[i], rested.father[i])):
                versions = np.array([kept.parents[side] for kept in members])
                share = departed_parts(block, place[:, None], versions, panel.h)
                departed += (post * share).sum(axis=(0, 2))
        empty = np.zeros((4, 0, len(members)))
        return _Counts(
            np.concatenate(rows),
            np.concatenate([empty, *counts], axis=1),
            departed,
            by_quality.reshape(2, len(members), N_QUALITY),
        )
