"""Families that are asked together: what of them stays from round to round, and their evidence.

Arrays hold the plants of all families side by side, one family after another, in order of their names.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.family.gathering import in_order, plant_codes, plant_likelihood
from crossproof.inference.family.origins import list_origins
from crossproof.inference.lines.panel import Panel
from crossproof.inference.run_wide.family_stack import Earlier
from crossproof.inference.season_results import FamilyInput
from crossproof.model.arrays import Bools, Floats, Ints, UInt8s
from crossproof.model.settings import Settings

Places = tuple[tuple[int, Ints], ...]
"""Number of a panel block with a family's chosen places in it."""


@dataclass
class KeptFamily:
    """A family that is asked with others, plants in order of name; what its last rest left.

    `share` (row,): log prior of its origins without the class prior, `klass`, `relation` (row,); `n_pair` of
    them are pair relations, then come those of `donors` (version,), the pool, the donors' lines, two of
    unknown plants.
    `scored`, `quality` (n,): whether a plant tells of error rates, and its wells' class.
    `places`, `codes` (m, n) per block: of the last round; `earlier`: where it rested then, side by side with
    others, and `seat`, its number among them; None where that is not kept.
    """

    family: FamilyInput
    parents: tuple[int, int]
    donors: Ints
    share: Floats
    klass: Ints
    relation: Ints
    n_pair: int
    scored: Bools
    quality: Ints
    places: Places | None = None
    codes: tuple[UInt8s, ...] = ()
    earlier: Earlier | None = None
    seat: int = 0

    @property
    def messages(self) -> tuple[Floats, ...]:
        """Its own messages (pairs, m, n) per block."""
        n = len(self.family.plants)
        own = slice(self.seat * n, (self.seat + 1) * n)
        return () if self.earlier is None else tuple(m[:, :, own] for m in self.earlier.message)


def kept_family(family: FamilyInput, wells: Wells, panel: Panel, settings: Settings) -> KeptFamily | None:
    """A family made ready to be asked with others; None if it cannot be: a parent segregates or has several
    versions, or some markers are inherited from the mother alone."""
    mothers, fathers = panel.versions(family.mother), panel.versions(family.father)
    segregating = panel.segregates(family.mother) or panel.segregates(family.father)
    maternal = any(b.maternal and (panel.set_aside[b.rows] == "").any() for b in panel.blocks)
    if len(mothers) != 1 or len(fathers) != 1 or segregating or maternal:
        return None
    family, _ = in_order(family, wells)
    is_donor = np.ones(len(panel.version_line), dtype=bool)
    is_donor[mothers], is_donor[fathers] = False, False
    donors = np.flatnonzero(is_donor)
    origins = list_origins(family, panel, settings, donors, (), 0, False)
    wells_of = [np.array(p.wells, dtype=np.int64) for p in family.plants]
    scored = np.array([len(w) > 0 and bool(wells.called_by_calls(w).all()) for w in wells_of])
    return KeptFamily(
        family,
        (int(mothers[0]), int(fathers[0])),
        donors,
        origins.log_prior - np.log(panel.class_prior)[origins.klass],
        origins.klass,
        origins.relation,
        origins.n_pair,
        scored,
        np.array([wells.quality[p.wells[0]] if len(p.wells) == 1 else 0 for p in family.plants]),
    )


def alike(families: Sequence[tuple[KeptFamily, Places]]) -> list[tuple[list[KeptFamily], Places]]:
    """Families of the same markers and as many plants, together."""
    groups: dict[tuple[int, bytes], tuple[list[KeptFamily], Places]] = {}
    for kept, places in families:
        key = len(kept.family.plants), b"".join(bytes([b]) + place.tobytes() for b, place in places)
        groups.setdefault(key, ([], places))[0].append(kept)
    return list(groups.values())


def slices(n: int, step: int) -> list[tuple[slice, int]]:
    """Slices of n things, so many in each, with their sizes."""
    starts = range(0, n, step)
    return [(slice(start, min(start + step, n)), min(step, n - start)) for start in starts]


@dataclass(frozen=True)
class PlantEvidence:
    """Likelihoods (m, N, n_g) and codes (m, N) of the plants of some families, per block."""

    like: tuple[Floats, ...]
    codes: tuple[UInt8s, ...]

    def part(self, own: slice) -> PlantEvidence:
        """That of some of the plants."""
        return PlantEvidence(tuple(x[:, own] for x in self.like), tuple(x[:, own] for x in self.codes))


def evidence_of(
    wells: Wells, settings: Settings, panel: Panel, members: Sequence[KeptFamily], places: Places
) -> PlantEvidence:
    """The evidence of all plants of these families at their markers."""
    plants = tuple(p for kept in members for p in kept.family.plants)
    together = FamilyInput("", "", "", plants)
    like, codes = [], []
    well = np.array([w for p in plants for w in p.wells], dtype=np.int64)
    known = all(kept.codes and same_places(kept.places, places) for kept in members)
    for i, (b, place) in enumerate(places):
        block = panel.blocks[b]
        rows = block.rows[place]
        of_plants, _, owner = plant_likelihood(wells, rows, block.k, together, panel, settings)
        like.append(of_plants)
        codes.append(
            np.concatenate([kept.codes[i] for kept in members], axis=1)
            if known
            else plant_codes(wells.codes(rows, well), owner, len(plants))
        )
    if not known:
        n = len(members[0].family.plants)
        for f, kept in enumerate(members):
            if not same_places(kept.places, places):
                kept.places, kept.earlier = places, None
            kept.codes = tuple(x[:, f * n : (f + 1) * n] for x in codes)
    return PlantEvidence(tuple(like), tuple(codes))


def earlier_of(members: Sequence[KeptFamily]) -> Earlier | None:
    """Where these families rested before; None where it is not known of all of them."""
    first = members[0].earlier
    rests = [kept.earlier for kept in members if kept.earlier is not None]
    if first is None or len(rests) < len(members):
        return None
    seats = [kept.seat for kept in members]
    n = len(members[0].family.plants)
    if all(rest is first for rest in rests) and seats == list(range(first.pair.shape[1] // n)):
        return first
    own = [slice(seat * n, (seat + 1) * n) for seat in seats]
    return Earlier(
        tuple(np.concatenate(parts, axis=2) for parts in zip(*(k.messages for k in members), strict=True)),
        np.concatenate([rest.pair[:, part] for rest, part in zip(rests, own, strict=True)], axis=1),
        np.concatenate([rest.donor[:, part] for rest, part in zip(rests, own, strict=True)], axis=1),
    )


def same_places(before: Places | None, now: Places) -> bool:
    """Whether a family's markers are still those of its messages."""
    return (
        before is not None
        and len(before) == len(now)
        and all(a == c and np.array_equal(b, d) for (a, b), (c, d) in zip(before, now, strict=True))
    )
