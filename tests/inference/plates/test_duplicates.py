"""Which plants are so rare among their kind that two alike would tell."""

from __future__ import annotations

import numpy as np
import pytest
from test_clear_plates import examined

from crossproof.inference.plates.duplicates import OUTCROSS, _surprise
from crossproof.inference.plates.family_tables import FamilyTables
from crossproof.inference.plates.layout_search import search_layout
from crossproof.inference.plates.tag_explanations import Examined


def test_all_families_at_once_are_as_surprising_as_each_by_itself():
    scores, _, _, plants = examined(8, classes=(0.4, 0.2, 0.1, 0.3))
    season, identity = scores.season, scores.plate.identity
    x = Examined(scores, search_layout(scores, 1.0, sources=()))
    found = _surprise(x, season, plants)
    state, own = scores.lines_under(identity), scores.own_relations(identity)
    expected = np.empty(len(plants))
    for i in np.unique(identity[plants]):
        mine = np.flatnonzero(identity[plants] == i)
        family = FamilyTables(scores, int(i) - season.n_lines, plants[mine], state, own)
        [kind], [post] = [np.maximum(t, 1e-3) for t in family.kinds()], family.posterior
        kind = kind / kind.sum(axis=2, keepdims=True)
        expected[mine] = -np.log((kind * post).sum(axis=2) / post.max(axis=2)).sum(axis=0)
        expected[mine[family.relation == OUTCROSS]] = -np.inf
    assert found == pytest.approx(expected, rel=1e-9)
    assert np.ptp(found[np.isfinite(found)]) > 5.0
    assert len(_surprise(x, season, plants[:0])) == 0
