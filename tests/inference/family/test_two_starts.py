"""Of several solutions of one family, the likelier; where it moves plants, it is not believed alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from crossproof.inference.family import two_starts


@dataclass(frozen=True)
class Found:
    """What the choice looks at of a solution, and the leading class of its two plants."""

    log_evidence: float
    leading: tuple[int, int] = (0, 1)
    converged: bool = True
    rival: bool = False


WITHOUT = Found(-386.1)


@pytest.mark.parametrize(
    ("plain", "stretched", "wanted", "rival"),
    [
        (WITHOUT, Found(-416.9, (1, 1)), -386.1, False),
        (Found(-416.9), WITHOUT, -386.1, False),
        (Found(-416.9, (1, 1)), WITHOUT, -386.1, True),
        (Found(-386.1, converged=False), Found(-390.0), -390.0, False),
    ],
    ids=["fits worse", "fits better", "fits better and moves plants", "alone converged"],
)
def test_stretches_are_taken_where_they_fit_better_and_held_where_they_move_plants(
    monkeypatch: pytest.MonkeyPatch, plain: Found, stretched: Found, wanted: float, rival: bool
) -> None:
    found = {None: plain, "within": stretched}
    monkeypatch.setattr(two_starts, "_likelier", lambda *given: found[given[3]])
    monkeypatch.setattr(two_starts, "near_another", lambda *_: True)
    monkeypatch.setattr(two_starts, "_leading", lambda _, s: np.array(s.leading))
    nothing: Any = None
    within: Any = "within"
    best = two_starts.from_two_starts(nothing, nothing, within, None, run_wide=False)
    assert (best.log_evidence, best.rival) == (wanted, rival)
    assert two_starts.from_two_starts(nothing, nothing, within, None, run_wide=True) is plain
