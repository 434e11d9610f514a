"""The notebooks run from top to bottom and show what the package gives today."""

from __future__ import annotations

import sys
from pathlib import Path

import nbformat
import pytest

DOCS = Path(__file__).parents[2] / "docs"
sys.path.insert(0, str(DOCS / "tools"))

import run_notebooks  # noqa: E402  (it lives with the documentation)

NOTEBOOKS = sorted((DOCS / "notebooks").glob("*.ipynb"))


def test_there_is_one_of_a_season_and_one_of_a_plan() -> None:
    assert [p.stem for p in NOTEBOOKS] == ["plan", "season"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_gives_what_it_shows(path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    given = run_notebooks.outputs_of(notebook)
    assert given == run_notebooks.stored(notebook), "python docs/tools/run_notebooks.py"
    assert sum(bool(text) for text in given) >= 4


def test_a_cell_that_gives_something_else_is_noticed() -> None:
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("print(1)\n1 + 1")])
    assert run_notebooks.outputs_of(notebook) == ["1\n2\n"]
    assert run_notebooks.stored(notebook) == [""]
    assert run_notebooks.stored(run_notebooks.with_outputs(notebook, ["1\n2\n"])) == ["1\n2\n"]
