"""Choice of markers for a cross where there are more than it needs."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from crossproof.inference.evidence.marker_choice import choose_markers, evenly


def test_everything_where_it_fits():
    usable = np.array([True, False, True, True])
    assert choose_markers(np.array([1.0, 1, 0, 1]), usable, None).tolist() == [0, 2, 3]
    assert choose_markers(np.array([1.0, 1, 0, 1]), usable, 3).tolist() == [0, 2, 3]


def test_half_the_places_go_to_shared_markers():
    contrast = np.tile([1.0, 0, 0, 0], 100)
    chosen = choose_markers(contrast, np.ones(400, dtype=bool), 80)
    assert len(chosen) == 80
    assert int(contrast[chosen].sum()) == 40


def test_few_contrast_markers_are_all_taken():
    contrast = np.zeros(400)
    contrast[[3, 250, 399]] = 1
    chosen = choose_markers(contrast, np.ones(400, dtype=bool), 50)
    assert {3, 250, 399} <= set(chosen.tolist())
    assert len(chosen) == 50


@given(st.integers(1, 300), st.integers(1, 300), st.floats(0, 1))
def test_evenly_spread_and_distinct(n, wanted, phase):
    chosen = evenly(np.arange(n), wanted, phase)
    assert len(set(chosen.tolist())) == min(n, wanted)
    if 1 < wanted < n:
        steps = np.diff(chosen)
        assert steps.max() - steps.min() <= 1
