"""Run the notebooks of the documentation and keep what they print.

    python docs/tools/run_notebooks.py            # run them, and store their outputs
    python docs/tools/run_notebooks.py --check    # say which print something else now, and exit 1

A cell's output is what it prints and, as in any notebook, the value of its last line. The notebooks run in an
empty folder and make the seasons they use.
"""

from __future__ import annotations

import ast
import contextlib
import io
import os
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def outputs_of(notebook: Any) -> list[str]:
    """What each code cell gives, run in order in a folder of its own."""
    names: dict[str, Any] = {"__name__": "__main__"}
    with _empty_folder(), pd.option_context("display.width", 110, "display.max_columns", 20):
        return [_run(c.source, names) for c in notebook.cells if c.cell_type == "code"]


@contextlib.contextmanager
def _empty_folder() -> Iterator[None]:
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as scratch:
        os.chdir(scratch)
        try:
            yield
        finally:
            os.chdir(before)


def _run(source: str, names: dict[str, Any]) -> str:
    tree = ast.parse(source)
    last = tree.body.pop() if tree.body and isinstance(tree.body[-1], ast.Expr) else None
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        exec(compile(tree, "<cell>", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "<cell>", "eval"), names) if last else None
    return printed.getvalue() + ("" if value is None else f"{value}\n")


def stored(notebook: Any) -> list[str]:
    """The outputs that the notebook file holds."""
    return ["".join(o.text for o in c.outputs) for c in notebook.cells if c.cell_type == "code"]


def with_outputs(notebook: Any, outputs: list[str]) -> Any:
    """The notebook with these outputs in place of its own."""
    code = [c for c in notebook.cells if c.cell_type == "code"]
    for number, (cell, text) in enumerate(zip(code, outputs, strict=True), 1):
        cell.execution_count = number
        cell.outputs = [nbformat.v4.new_output("stream", name="stdout", text=text)] if text else []
    return notebook


def main(check: bool) -> int:
    """Renew all notebooks, or only say which are out of date."""
    stale = []
    for path in sorted(NOTEBOOKS.glob("*.ipynb")):
        notebook = nbformat.read(path, as_version=4)
        outputs = outputs_of(notebook)
        if outputs != stored(notebook):
            stale.append(path.name)
            if not check:
                nbformat.write(with_outputs(notebook, outputs), path)
    print(("Out of date: " if check else "Renewed: ") + (", ".join(stale) or "none"))
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main("--check" in sys.argv[1:]))
