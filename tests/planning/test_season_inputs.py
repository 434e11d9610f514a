"""From the fitted panel, the marker sheet, the results and the configuration to a plan's inputs."""

import numpy as np
import pandas as pd
import pytest

from crossproof.inference.evidence.blocks import BatchEvidence, EvidenceBlock, Wells
from crossproof.inference.season_model import LineInput, Settings, fit_panel
from crossproof.model.genotypes import Evidence, Markers
from crossproof.planning.inputs import PlanSettings
from crossproof.planning.power.evidence import contrast_table
from crossproof.planning.season_inputs import (
    panel_genotypes,
    plan_settings,
    rates_so_far,
    wish_list,
)
from crossproof.planning.wish_list_files import wish_list_digest


@pytest.fixture(scope="module")
def fitted():
    """Three lines in six wells, two plants in two; M5 is maternal, M3 typed in the lines only."""
    line = np.array([[0, 2, 2], [0, 0, 2], [2, 2, 0], [0, 2, 0], [0, 2, 2], [2, 0, 0]])
    codes = np.concatenate([np.repeat(line, 2, axis=1), np.full((6, 2), 1)], axis=1).astype(np.uint8)
    codes[3, 6:] = 255  # not on the plants' panel
    codes[4, 0:2] = 255  # the first line never typed there
    markers = Markers(
        np.array([f"M{j}" for j in range(6)], dtype=object),
        np.array(["Chr1"] * 6, dtype=object),
        np.arange(6, dtype=np.int64),
        (("A", "G"),) * 6,
        np.array([False] * 5 + [True]),
    )
    batch = BatchEvidence("B1", np.arange(8), Evidence.CALLS, (EvidenceBlock(2, np.arange(6), codes),))
    wells = Wells(markers, 8, (batch,))
    lines = [LineInput(name, (2 * i, 2 * i + 1)) for i, name in enumerate(("Heron", "Lark", "Wren"))]
    return fit_panel(wells, lines, [], Settings()), wells


def test_lines_and_markers_as_the_panel_has_them(fitted):
    panel, wells = fitted
    got = panel_genotypes(panel, wells, np.array([6, 7]))
    assert got.lines == ("Heron", "Lark", "Wren")
    assert got.on_panel.tolist() == [True, True, True, False, True, True]
    assert got.usable.tolist() == [True] * 5 + [False]
    fixed = contrast_table(got, 0.9)
    assert fixed[:4].tolist() == [[0, 1, 1], [0, 0, 1], [1, 1, 0], [0, 1, 0]]
    assert fixed[4, 0] == -1, "a line that was never typed is not taken for the commoner allele"
    assert fixed[5].tolist() == [-1, -1, -1]


def test_the_marker_sheet_decides_what_is_on_the_panel_and_what_it_costs(fitted):
    panel, wells = fitted
    sheet = pd.DataFrame(
        {
            "marker": ["M3", "M0", "M1", "other"],
            "panel": ["yes", "No", "", "yes"],
            "cost": ["0.4", "", "x", "1"],
        }
    )
    got = panel_genotypes(panel, wells, np.array([6, 7]), sheet)
    assert got.on_panel.tolist() == [False, True, True, True, True, True]
    assert got.cost.tolist() == [1.0, 1.0, 1.0, 0.4, 1.0, 1.0]


def test_settings_come_from_the_configuration_by_name():
    class Config:
        min_posterior = 0.99
        target_hybrids = 7
        floor = 0.01
        max_markers_per_cross = None
        class_prior = (5.0, 4.0, 0.8, 0.2)

    got = plan_settings(Config(), seed=3)
    assert (got.min_posterior, got.wanted, got.target_hybrids, got.floor) == (0.99, 0.99, 7, 0.01)
    assert got.max_markers_per_cross == PlanSettings().max_markers_per_cross
    assert (got.class_prior, got.seed) == ((5.0, 4.0, 0.8, 0.2), 3)


def test_rates_from_the_results_table():
    frame = pd.DataFrame(
        {
            "cross_id": ["X1", "X2", "X3"],
            "hybrid": pd.array([3, 2, None], dtype="Int64"),
            "determined": pd.array([4, 4, None], dtype="Int64"),
            "flowers": [2, 3, 4],
            "pods": pd.array([1, 2, None], dtype="Int64"),
            "seeds": pd.array([4, 4, None], dtype="Int64"),
        }
    )
    rates = rates_so_far(frame, PlanSettings())
    assert (rates.tags, rates.plants, rates.flowers) == (2, 8, 5)
    assert rates.assumed == ()
    assert rates_so_far(None, PlanSettings()).assumed == ("hybrid rate", "pod set", "seeds per pod")


def test_the_wish_list_of_a_folder(tmp_path):
    lines = ("Lark", "Wren")
    assert wish_list(tmp_path, lines, PlanSettings()) == (None, ())
    path = tmp_path / "planned.csv"
    path.write_text("Mother;FATHER;Target Hybrids;Note\nLark;Wren;;x\nWren;Lark;7;\n", encoding="utf-8")
    crosses, problems = wish_list(tmp_path, lines, PlanSettings())
    assert problems == ()
    assert [(c.mother, c.father, c.target_hybrids, c.row) for c in crosses] == [
        ("Lark", "Wren", 4, 2),
        ("Wren", "Lark", 7, 3),
    ]
    path.write_text("mother,priority\nLark,1\n", encoding="utf-8")
    crosses, problems = wish_list(tmp_path, lines, PlanSettings())
    assert crosses == ()
    assert [p.problem for p in problems] == ["The column father is missing."]


def test_a_changed_or_removed_wish_list_has_another_digest(tmp_path):
    path = tmp_path / "planned.csv"
    assert wish_list_digest(tmp_path) == ""
    path.write_text("mother,father\nLark,Wren\n", encoding="utf-8")
    first = wish_list_digest(tmp_path)
    path.write_text("mother,father\nWren,Lark\n", encoding="utf-8")
    assert len({"", first, wish_list_digest(tmp_path)}) == 3
    path.unlink()
    assert wish_list_digest(tmp_path) == ""
