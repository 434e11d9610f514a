"""What a panel keeps of its versions' plants."""

from __future__ import annotations

import numpy as np
import pytest

from crossproof.inference.lines import panel_block
from crossproof.inference.lines.panel_block import DEPARTURE_POOL_INBREEDING, PanelBlock


@pytest.fixture
def block() -> PanelBlock:
    """Three markers of two alleles, two versions."""
    consensus = np.array(
        [[[0.98, 0.01, 0.01], [0.0, 1.0, 0.0]], [[0.05, 0.05, 0.9], [0.5, 0.3, 0.2]], [[1, 0, 0], [0, 0, 1]]],
        dtype=np.float32,
    )
    return PanelBlock(
        2, False, np.array([4, 7, 9]), consensus, np.array([[0.5, 0.5], [0.2, 0.8], [0.9, 0.1]])
    )


def test_a_plant_is_as_its_version_or_departs_to_the_pool(block: PanelBlock) -> None:
    # h = 0.1; pool at q = (0.5, 0.5), half inbred: 0.375, 0.25, 0.375
    assert pytest.approx([0.9 * 0.98 + 0.0375, 0.9 * 0.01 + 0.025, 0.9 * 0.01 + 0.0375], abs=1e-7) == list(
        block.plant(0, 0.1)[0]
    )
    for h in (0.02, 0.4):
        departed, stayed = block.parent_parts(np.array([2, 1]), 1, h)
        np.testing.assert_array_equal(block.plant(1, h)[[2, 1]], departed + stayed)
    assert DEPARTURE_POOL_INBREEDING == 0.5


def test_what_is_kept_is_let_go_when_it_grows(block: PanelBlock, monkeypatch: pytest.MonkeyPatch) -> None:
    first = block.plant(0, 0.1)
    assert block.plant(0, 0.1) is first
    monkeypatch.setattr(panel_block, "MOST_KEPT", 0)
    block.plant(1, 0.1)
    assert block.plant(0, 0.1) is not first
    np.testing.assert_array_equal(block.plant(0, 0.1), first)


def test_a_version_is_fixed_where_it_is_surely_homozygous(block: PanelBlock) -> None:
    assert block.fixed_at(0.9).tolist() == [[0, -1], [2, -1], [0, 2]]
    assert block.fixed_at(0.95).tolist() == [[0, -1], [-1, -1], [0, 2]]
