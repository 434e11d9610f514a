"""The cheap look says yes only where the strict bounds do, and the state is always theirs."""

from dataclasses import replace

import numpy as np
import pytest
from invented_panel import random_panel

from crossproof.model.genotypes import Markers
from crossproof.model.results import Provable, Relation
from crossproof.planning.inputs import PanelBlock, PanelGenotypes, PlanSettings
from crossproof.planning.power.bounds import class_bounds
from crossproof.planning.power.evidence import contrast_table, cross_evidence
from crossproof.planning.power.provable import provable
from crossproof.planning.power.screen import PairScreen


def with_fragment_sizes(n_lines: int, seed: int) -> PanelGenotypes:
    """Half of the markers with two alleles, half with three."""
    panel = random_panel(n_lines, 40, seed)
    rng = np.random.default_rng(seed)
    rows = np.arange(20, 40)
    allele = rng.integers(0, 3, (20, n_lines))
    consensus = np.full((20, n_lines, 6), 0.002)
    np.put_along_axis(consensus, np.array([0, 2, 5])[allele][:, :, None], 0.99, 2)
    three = PanelBlock(3, rows, consensus, np.full((20, 3), 1 / 3), np.ones((20, n_lines), dtype=bool))
    two = panel.blocks[0]
    first = PanelBlock(2, two.rows[:20], two.consensus[:20], two.pool[:20], two.typed[:20])
    names = panel.markers
    markers = Markers(
        names.ids, names.chrom, names.pos, (("A", "G"),) * 20 + (("1", "2", "3"),) * 20, names.maternal
    )
    return replace(panel, markers=markers, blocks=(first, three))


PANELS = {
    "few markers": random_panel(12, 16, 1),
    "enough": random_panel(12, 48, 2),
    "many": random_panel(6, 200, 3),
    "poor calls": random_panel(10, 60, 4, call_rate=0.6, f=0.03, d=0.1),
    "three alleles": with_fragment_sizes(8, 5),
    "two lines": random_panel(2, 60, 6),
}


@pytest.mark.parametrize("name", PANELS)
def test_the_state_is_that_of_the_bounds(name):
    panel, settings = PANELS[name], PlanSettings(max_markers_per_cross=120)
    fixed = contrast_table(panel, settings.clear_share)
    screen = PairScreen(panel, fixed, settings)
    for mother in range(min(len(panel.lines), 3)):
        for father in range(len(panel.lines)):
            if mother == father:
                continue
            evidence = cross_evidence(panel, fixed, mother, father, settings)
            assert screen.state(mother, father) is provable(evidence, settings)
            if screen.surely(mother, father):
                for kind in (Relation.HYBRID, Relation.SELF):
                    low, _ = class_bounds(evidence, evidence.index(kind), settings)
                    assert low >= settings.wanted


def test_most_pairs_of_a_rich_panel_are_told_by_the_cheap_look():
    panel, settings = random_panel(12, 90, 7), PlanSettings()
    screen = PairScreen(panel, contrast_table(panel, settings.clear_share), settings)
    told = [screen.surely(m, f) for m in range(12) for f in range(12) if m != f]
    assert np.mean(told) > 0.9


def test_markers_that_do_not_count_are_left_out():
    panel, settings = random_panel(6, 60, 8), PlanSettings()
    fixed = contrast_table(panel, settings.clear_share)
    none = PairScreen(panel, np.full_like(fixed, -1), settings)
    assert none.state(0, 1) is Provable.NO
    half = fixed.copy()
    half[30:] = -1
    evidence = cross_evidence(panel, half, 0, 1, settings)
    assert PairScreen(panel, half, settings).state(0, 1) is provable(evidence, settings)


def test_a_call_rate_too_low_to_be_scored_is_never_sure():
    panel, settings = random_panel(6, 80, 9, call_rate=0.01), PlanSettings()
    screen = PairScreen(panel, contrast_table(panel, settings.clear_share), settings)
    assert not screen.surely(0, 1)
