"""Which recorded factors cannot be told apart: worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.rates.estimators.confounding import Factor, shared_sentences, shared_variation

ONES = np.ones(4)
X = Factor("x", values=np.array([1.0, 2.0, 3.0, 4.0]))
PAIRS = Factor("pairs", group=np.array([0, 0, 1, 1]), levels=("a", "b"))
CROSSED = Factor("crossed", group=np.array([0, 1, 0, 1]), levels=("c", "d"))
SAME = Factor("same", group=np.array([0, 0, 0, 0]), levels=("a",))
FLAT = Factor("flat", values=np.full(4, 7.0))


def number(*values: float) -> Factor:
    return Factor("y", values=np.array(values))


@pytest.mark.parametrize(
    ("a", "b", "share"),
    [
        (X, number(2, 4, 6, 8), 1.0),
        (X, number(8, 6, 4, 2), 1.0),
        (X, number(1, -1, -1, 1), 0.0),
        # Deviations (-1.5 -.5 .5 1.5) and (-2 0 0 2): products 6, squares 5 and 8: 36 / 40.
        (X, number(-2, 0, 0, 2), 0.9),
        # Group means 2 and 6 about 4: between 16; all: 9 + 1 + 1 + 9 = 20.
        (PAIRS, number(1, 3, 5, 7), 0.8),
        (number(1, 3, 5, 7), PAIRS, 0.8),
        (PAIRS, PAIRS, 1.0),
        (PAIRS, CROSSED, 0.0),
        (X, FLAT, np.nan),
        (PAIRS, FLAT, np.nan),
        (SAME, X, np.nan),
        (SAME, PAIRS, np.nan),
        (PAIRS, SAME, np.nan),
    ],
)
def test_share_by_hand(a: Factor, b: Factor, share: float) -> None:
    assert shared_variation(a, b, ONES) == pytest.approx(share, abs=1e-12, nan_ok=True)


def test_levels_that_half_tell_each_other() -> None:
    """Six tags, two levels and three: H(a) = log 2, H(b) = log 3.

    Cells a0b0 2, a0b1 1, a1b1 1, a1b2 2 of 6. H(ab) = 2 (1/3) log 3 + 2 (1/6) log 6 = log 3 + (1/3) log 2.
    Shared: log 2 + log 3 - H(ab) = (2/3) log 2; over the smaller entropy, log 2: two thirds.
    """
    a = Factor("a", group=np.array([0, 0, 0, 1, 1, 1]), levels=("p", "q"))
    b = Factor("b", group=np.array([0, 0, 1, 1, 2, 2]), levels=("r", "s", "t"))
    assert shared_variation(a, b, np.ones(6)) == pytest.approx(2 / 3)
    assert shared_variation(b, a, np.ones(6)) == pytest.approx(2 / 3)


def test_weights_count_as_so_many_tags_and_missing_entries_do_not_count() -> None:
    weighted = shared_variation(X, number(1, 5, 2, 2), np.array([1.0, 2.0, 1.0, 0.0]))
    repeated = shared_variation(
        Factor("x", values=np.array([1.0, 2.0, 2.0, 3.0])), number(1, 5, 5, 2), np.ones(4)
    )
    assert weighted == pytest.approx(repeated)
    gaps = Factor("gaps", values=np.array([1.0, 2.0, np.nan, 4.0]))
    assert shared_variation(gaps, X, ONES) == pytest.approx(1.0)
    assert PAIRS.known.all()
    assert Factor("g", group=np.array([0, -1]), levels=("a",)).known.tolist() == [True, False]
    # Two tags always lie on a line: that says nothing.
    two = Factor("two", values=np.array([1.0, np.nan, np.nan, 4.0]))
    assert np.isnan(shared_variation(two, X, ONES))


def test_only_inseparable_pairs_are_named() -> None:
    factors = [Factor("hour", values=X.values), number(1, 3, 5, 7), PAIRS, CROSSED]
    said = shared_sentences(factors, ONES)
    assert [s.split(" go together")[0] for s in said] == ["hour and y", "hour and pairs", "y and pairs"]
    assert "100 %" in said[0]
    assert "80 %" in said[1]
