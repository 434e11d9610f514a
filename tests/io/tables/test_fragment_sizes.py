"""Fragment sizes in bins, by cases worked out by hand; all sizes are invented."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from crossproof.errors import PlateError, Severity
from crossproof.io.genotypes import read_batch
from crossproof.io.reading_problems import reading_problems, size_bins
from crossproof.io.tables.fragment_sizes import bin_sizes


def test_a_rare_size_beside_a_common_one_is_that_one_sized_a_base_wrong() -> None:
    """40 and 20 observations stay; 3 at 153 lie beside 152 alone, and 2 at 171 beside nothing."""
    found = bin_sizes(Counter({"152": 40, "158": 20, "153": 3, "171": 2}))
    assert found.bins == {"152": "152", "153": "152", "158": "158", "171": "171"}
    assert found.in_words() == "152 is 152, 153"


def test_two_common_neighbours_stay_two_alleles() -> None:
    found = bin_sizes(Counter({"152": 20, "153": 10}))
    assert found.bins == {"152": "152", "153": "153"}


def test_a_size_between_two_common_ones_is_neither() -> None:
    found = bin_sizes(Counter({"150": 40, "152": 40, "151": 4}))
    assert found.bins["151"] == ""
    assert found.call("150/151") == ""
    assert found.call("150/152") == "150/152"


def test_decimals_that_follow_one_another_are_one_size() -> None:
    found = bin_sizes(Counter({"152.1": 3, "152.4": 5, "151,8": 2, "158.0": 6, "157.7": 4}))
    assert found.bins == {"151,8": "152", "152.1": "152", "152.4": "152", "157.7": "158", "158.0": "158"}


def test_declared_sizes_take_what_is_a_base_away_and_no_more() -> None:
    found = bin_sizes(Counter({"151": 4, "153": 4, "158": 9, "163": 1}), ("152", "158"))
    assert found.bins == {"151": "152", "153": "152", "158": "158", "163": ""}
    assert bin_sizes(Counter({"190": 9, "152": 9}), ("152", "158")).fault


def test_a_ninth_rare_size_sets_its_calls_aside_and_a_ninth_common_one_the_marker() -> None:
    common = {str(100 + 10 * i): 20 for i in range(8)}
    rare = bin_sizes(Counter({**common, "300": 1}))
    assert (rare.fault, rare.bins["300"]) == ("", "")
    assert "9 common sizes" in bin_sizes(Counter({**common, "300": 20})).fault


def test_a_marker_set_aside_leaves_the_file_in_use(tmp_path: Path) -> None:
    rows = ["sample_id,ssr,m1"]
    rows += [f"s{i},{100 + 10 * (i % 9)}/{100 + 10 * (i % 9)},A/G" for i in range(27)]
    (tmp_path / "t.csv").write_text("\n".join(rows))
    batch = read_batch(tmp_path / "t.csv", batch="B", layout="wide")
    assert batch.markers.ids.tolist() == ["m1"]
    (problem,) = reading_problems(batch, "t.csv")
    assert (problem.severity, problem.column) == (Severity.WARNING, "ssr")


def test_bins_are_told(tmp_path: Path) -> None:
    rows = ["sample_id,ssr", *(f"s{i},152.{i}/158.{i}" for i in range(4))]
    (tmp_path / "t.csv").write_text("\n".join(rows))
    batch = read_batch(tmp_path / "t.csv", batch="B", layout="wide")
    assert batch.markers.alleles == (("152", "158"),)
    (problem,) = reading_problems(batch, "t.csv")
    assert problem.severity is Severity.NOTE
    assert "152 is 152.0, 152.1" in problem.value
    assert size_bins([*batch.notes, *batch.notes, "another note"]) == {"ssr": problem.value}


def test_files_whose_bins_differ_are_both_told() -> None:
    notes = ["ssr: 152 is 152, 153 (fragment sizes in bins)", "ssr: 152 is 151, 152 (fragment sizes in bins)"]
    assert size_bins(notes) == {"ssr": "152 is 152, 153 | 152 is 151, 152"}


@pytest.mark.parametrize("text", ["152", "11"])
def test_one_size_alone_is_still_asked_back(tmp_path: Path, text: str) -> None:
    (tmp_path / "t.csv").write_text(f"sample_id,ssr\na,{text}\nb,152/158\n")
    with pytest.raises(PlateError, match="A single number"):
        read_batch(tmp_path / "t.csv", batch="B", layout="wide")
