"""Families that may have a well with two plants: the sums of a plate against those of single wells, and no
finding lost."""

from __future__ import annotations

import numpy as np
import pytest
from test_clear_plates import examined

from crossproof.inference.plates import mixed_families, mixtures
from crossproof.inference.plates.family_tables import FamilyTables
from crossproof.inference.plates.log_sums import log_sum
from crossproof.inference.plates.two_allele_calls import calls_of, own_about


def test_sums_of_a_plate_are_those_of_single_wells():
    """`mixtures` makes them well by well: of its plant alone, and of it with each neighbour or any plant."""
    scores, matrix, called, plants = examined(11, 0.5, classes=(0.4, 0.2, 0.3, 0.1))
    identity = scores.plate.identity
    calls, state = calls_of(scores, matrix, identity), scores.lines_under(identity)
    assert own_about(scores, matrix, identity) == pytest.approx(scores.own_plain(identity), abs=1e-9)
    asked = plants[::3]
    family = mixed_families._families(scores, identity, plants, asked, calls)
    most = mixed_families._most_mixed(scores, calls, family, asked)
    for place, w in enumerate(asked.tolist()):
        wells = np.flatnonzero((identity == identity[w]) & called)
        sibs = FamilyTables(scores, int(identity[w]) - scores.season.n_lines, wells, state)
        first = sibs.tables(int(np.searchsorted(wells, w)))
        alone = sum(
            np.log((t * x[:, w]).sum(axis=2)).sum(axis=1)
            for t, x in zip(first, scores.likelihood, strict=True)
        )
        assert family.by_relation[place] == pytest.approx(alone + sibs.prior, abs=1e-9)
        near = mixtures.neighbours(scores, w)
        sources = mixtures._contaminants(scores, near)
        mixed = mixtures._mixed_calls(scores, w, first, sibs.prior, sources).max() - np.log(len(near) + 1)
        assert most[place] == pytest.approx(mixed, abs=1e-9)
        kinds, odd = mixtures._surprising(scores, np.array([w]), [t[:, :, None] for t in first], sibs.prior)
        assert log_sum(family.by_relation[place : place + 1], axis=1) == pytest.approx(kinds, abs=1e-9)
        one_of_it = mixed_families._Family(
            *(x[:, [place]] for x in (family.first, family.second, family.het)), family.by_relation[[place]]
        )
        assert mixed_families._surprising(scores, one_of_it, asked[[place]], mixtures.OUTCROSS) == odd


@pytest.mark.parametrize("seed", [12, 13, 14])
def test_no_finding_is_lost_with_the_families_that_are_passed_over(monkeypatch, seed):
    """Half of the columns show nearly all of the column before; at -25 every odd plant is told of."""
    scores, matrix, _, _ = examined(seed, 0.9, classes=(0.5, 0.3, 0.15, 0.05))
    identity = scores.plate.identity
    found = {t: mixtures.mixture_findings(scores, matrix, identity, t) for t in (-25.0, -6.0, 0.0, 2.0)}
    monkeypatch.setattr(mixtures, "families_to_compare", lambda *_: None)
    for threshold, its in found.items():
        assert its == mixtures.mixture_findings(scores, matrix, identity, threshold)
    assert len(found[-25.0]) > len(found[0.0]) > 0
