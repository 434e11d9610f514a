"""changes.csv: every plant whose verdict differs from the run before, also one whose tag was corrected."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from crossproof.season.work_folder import WorkFolder
from crossproof.steps.changes import changes_table


def index(folder: Path, corrections: tuple[str, ...]) -> Any:
    """As much of a season's index as the table asks for; invented digests."""
    steps = {"panel": "p", "verdicts": ";".join(corrections), "model": "m", "thresholds": "t"}
    return SimpleNamespace(
        folder=WorkFolder(folder),
        batches={"B1": "b"},
        steps=steps,
        corrections=corrections,
    )


def verdicts(*rows: tuple[str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["plant", "cross_id", "verdict"])


def test_a_plant_whose_tag_was_corrected_is_listed_with_its_old_verdict(tmp_path: Path) -> None:
    first = verdicts(("a", "C1", "off_pedigree"), ("b", "C2", "self"))
    assert changes_table(index(tmp_path, ()), first, {}).empty
    second = verdicts(("a", "C2", "hybrid"), ("b", "C1", "self"))
    table = changes_table(index(tmp_path, ("swap tags",)), second, {})
    assert table.values.tolist() == [["a", "C2", "off_pedigree", "hybrid", "corrections.csv was changed"]]


def test_plants_of_one_name_under_two_tags_are_not_taken_for_each_other(tmp_path: Path) -> None:
    first = verdicts(("1", "C1", "off_pedigree"), ("1", "C2", "self"))
    changes_table(index(tmp_path, ()), first, {})
    second = verdicts(("1", "C1", "hybrid"), ("1", "C3", "hybrid"))
    table = changes_table(index(tmp_path, ("tag is",)), second, {})
    assert table["cross_id"].tolist() == ["C1"]


def family(*plants: str, mother: str = "L1") -> Any:
    return SimpleNamespace(mother=mother, father="L2", plants=np.array(plants, dtype=object))


@pytest.mark.parametrize(
    ("batches", "after", "cause"),
    [
        ({"B1": "b", "B2": "new"}, family("a"), "genotype files new or changed: B2"),
        ({"B1": "b", "B2": "new"}, family("a", "b"), "genotype files new or changed: B2"),
        ({"B1": "b"}, family("a", "b"), "plants were added to this cross or taken from it"),
        ({"B1": "b"}, family("a", mother="L3"), "mother or father of this cross was changed in the records"),
        ({"B1": "b"}, family("a"), "parent lines or other crosses were changed"),
    ],
)
def test_a_second_well_is_not_called_a_change_of_the_records(
    tmp_path: Path, batches: dict[str, str], after: Any, cause: str
) -> None:
    first = index(tmp_path, ())
    changes_table(first, verdicts(("a", "C1", "self")), {"C1": ("before", family("a"))})
    second = index(tmp_path, ())
    second.batches, second.steps = batches, {**second.steps, "panel": "q"}
    table = changes_table(second, verdicts(("a", "C1", "hybrid")), {"C1": ("after", after)})
    assert table["cause"].tolist() == [cause]
