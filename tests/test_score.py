"""Scores counted by hand, Wilson limits against Newcombe's table, and what a broken truth file is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from crossproof.errors import InputError, Severity
from crossproof.score import reliability, render, score, score_arrays, score_folder, wilson

NAMES = ["hybrid", "self", "outcross", "off_pedigree"]

# sample, all wells, verdict, posteriors; ten plants whose score is counted by hand below
PLANTS = [
    ("p1", "p1", "hybrid", 0.995, 0.003, 0.001, 0.001),
    ("p2", "p2;p2b", "hybrid", 0.97, 0.01, 0.01, 0.01),
    ("p3", "p3", "hybrid", 0.992, 0.004, 0.002, 0.002),
    ("p4", "p4", "self", 0.01, 0.97, 0.01, 0.01),
    ("p5", "p5", "self", 0.01, 0.97, 0.01, 0.01),
    ("p6", "p6", "outcross", 0.01, 0.01, 0.97, 0.01),
    ("p7", "p7", "undetermined", 0.60, 0.30, 0.05, 0.05),
    ("p8", "p8", "undetermined", 0.60, 0.30, 0.05, 0.05),
    ("p9", "p9", "undetermined", np.nan, np.nan, np.nan, np.nan),
    ("p10", "p10", "off_pedigree", 0.01, 0.01, 0.01, 0.97),
]
TRUTH = {
    "p1": "hybrid", "p2b": "hybrid", "p3": "off_pedigree", "p4": "self", "p5": "hybrid", "p6": "outcross",
    "p7": "hybrid", "p8": "self", "p9": "self", "p10": "off_pedigree",
}  # fmt: skip


@pytest.fixture
def verdicts() -> pd.DataFrame:
    return pd.DataFrame(PLANTS, columns=["sample_id", "samples", "verdict", *(f"p_{n}" for n in NAMES)])


@pytest.fixture
def truth() -> pd.DataFrame:
    return pd.DataFrame({"sample_id": list(TRUTH), "truth": list(TRUTH.values())})


def test_ten_plants_by_hand(verdicts: pd.DataFrame, truth: pd.DataFrame) -> None:
    found = score(verdicts, truth)
    assert (found.plants, found.determined, found.wrong) == (10, 7, 2)  # p3 and p5
    assert found.determined_share == pytest.approx(0.7)
    assert found.wrong_share == pytest.approx(2 / 7)
    assert (found.sure_hybrids, found.sure_hybrids_wrong) == (2, 1)
    assert found.confusion.loc["hybrid"].tolist() == [2, 1, 0, 0, 1]
    assert found.confusion.loc["self"].tolist() == [0, 1, 0, 0, 2]
    assert found.confusion.loc["off_pedigree"].tolist() == [1, 0, 0, 1, 0]
    assert found.confusion.to_numpy().sum() == 10
    assert found.per_class.loc["hybrid"].tolist() == [4, 3, 2, 1]
    assert found.wrong_plants["sample_id"].tolist() == ["p3", "p5"]
    assert found.problems == ()
    # bins: .6 (p7, p8; one right), .97 (p2, p4, p5, p6, p10; four right), .992 and .995 (p3, p1; one right)
    assert found.bins["plants"].tolist() == [2, 5, 2]
    assert found.bins["share_right"].tolist() == pytest.approx([0.5, 0.8, 0.5])
    assert found.ece == pytest.approx(2 / 9 * 0.1 + 5 / 9 * 0.17 + 2 / 9 * (0.9935 - 0.5))


def test_wilson_limits_are_newcombes() -> None:
    """Newcombe 1998, Stat Med 17:857-872, Table I, method 3: 81/263 and 0/20."""
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
    assert np.isnan(wilson(0, 0)).all()


def test_calibrated_plants_have_no_calibration_error() -> None:
    """Plants drawn to be right with exactly the stated probability: the error shrinks to sampling noise."""
    rng = np.random.default_rng(8)
    n = 40_000
    lead = rng.uniform(0.5, 1.0, n)
    posteriors = np.column_stack([lead, 1 - lead, np.zeros(n), np.zeros(n)])
    truth = np.where(rng.random(n) < lead, "hybrid", "self").astype(object)
    bins, ece = reliability(posteriors, truth)
    assert ece < 0.01
    assert (
        (bins["share_low"] <= bins["mean_stated"]) & (bins["mean_stated"] <= bins["share_high"])
    ).mean() > 0.7
    boastful = np.column_stack([np.full(n, 0.999), np.full(n, 0.001), np.zeros(n), np.zeros(n)])
    assert reliability(boastful, truth)[1] == pytest.approx(0.249, abs=0.01)  # stated .999, right .75


def test_order_of_plants_does_not_matter(verdicts: pd.DataFrame, truth: pd.DataFrame) -> None:
    one, two = score(verdicts, truth), score(verdicts[::-1], truth[::-1])
    assert one.ece == pytest.approx(two.ece)
    pd.testing.assert_frame_equal(one.confusion, two.confusion)


def test_no_data_at_all() -> None:
    nothing = score_arrays(
        np.full((2, 4), np.nan), np.array(["undetermined"] * 2, object), np.array(["self"] * 2, object)
    )
    assert np.isnan(nothing.ece)
    assert np.isnan(nothing.wrong_share)
    assert nothing.determined_share == 0.0
    assert "wrong       0 of the determined (-" in render(nothing)


def test_plants_without_truth_are_named_and_left_out(verdicts: pd.DataFrame, truth: pd.DataFrame) -> None:
    more = pd.concat(
        [truth[truth["sample_id"] != "p1"], pd.DataFrame({"sample_id": ["zz"], "truth": ["self"]})]
    )
    found = score(verdicts, more)
    assert found.plants == 9
    assert [(p.severity, p.value) for p in found.problems] == [
        (Severity.WARNING, "p1"),
        (Severity.WARNING, "zz"),
    ]
    assert "This plant has no known truth" in found.problems[0].problem
    assert "This sample has no verdict" in found.problems[1].problem
    many = pd.concat([truth, pd.DataFrame({"sample_id": [f"z{i}" for i in range(30)], "truth": "self"})])
    assert score(verdicts, many).problems[0].problem.startswith("30 such samples. ")


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        (
            [("p1", "hybird")],
            "error: truth, row 2, column truth ('hybird'): This is not a class. Write one of hybrid,",
        ),
        ([("p1", "undetermined")], "('undetermined'): This is not a class."),
        ([("p1", "self"), ("p1", "hybrid")], "truth, row 3, column sample_id ('p1'): This sample was self"),
        ([("p2", "self"), ("p2b", "hybrid")], "The wells of one plant have different truths: hybrid, self."),
        ([("nobody", "self")], "No sample of this file has a verdict in verdicts.csv."),
    ],
)
def test_broken_truth_is_refused(verdicts: pd.DataFrame, rows: list[tuple[str, str]], told: str) -> None:
    with pytest.raises(InputError) as refused:
        score(verdicts, pd.DataFrame(rows, columns=["sample_id", "truth"]))
    assert told in str(refused.value)


def test_missing_columns_are_all_named(verdicts: pd.DataFrame) -> None:
    with pytest.raises(InputError) as refused:
        score(verdicts.drop(columns=["p_self"]), pd.DataFrame({"sample": ["p1"]}))
    assert [p.column for p in refused.value.problems] == ["p_self", "sample_id", "truth"]


def test_a_folder_is_scored_from_its_results(
    tmp_path: Path, verdicts: pd.DataFrame, truth: pd.DataFrame
) -> None:
    truth.to_csv(tmp_path / "truth.csv", index=False)
    with pytest.raises(InputError, match="There are no verdicts yet"):
        score_folder(tmp_path, tmp_path / "truth.csv")
    (tmp_path / "results").mkdir()
    verdicts.to_csv(tmp_path / "results" / "verdicts.csv", index=False)
    text = score_folder(tmp_path, tmp_path / "truth.csv")
    assert "determined  7 (70.00 %)" in text
    assert "wrong       2 of the determined (28.57 %, 95 % limits 8.22 % to 64.11 %)" in text
    assert "1 of 2 (50.00 %)" in text
    assert "p3" in text.split("wrong verdicts")[1]
    (tmp_path / "bad.csv").write_bytes(b"sample_id,truth\np1,\xff\xfe\n")
    with pytest.raises(InputError, match="This is not a comma-separated table"):
        score_folder(tmp_path, tmp_path / "bad.csv")
