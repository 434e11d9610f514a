"""Folders are pipeline stages: imports point one way, numerics stay free of files."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "crossproof"
STAGE = {
    "errors": 0, "model": 1, "io": 2, "inference": 2, "rates": 3, "planning": 3, "report": 4,
}  # fmt: skip
MAY_SEE = {
    "errors": set(),
    "model": {"errors"},
    "io": {"errors", "model"},
    "inference": {"errors", "model"},
    "rates": {"errors", "model", "inference"},
    "planning": {"errors", "model", "io", "inference", "rates"},
    "report": {"errors", "model", "io", "inference", "rates", "planning"},
}


def modules(stage: str) -> list[Path]:
    path = SOURCE / stage
    return sorted(path.rglob("*.py")) if path.is_dir() else [path.with_suffix(".py")]


def imported(path: Path) -> set[str]:
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
        elif isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
    return names


@pytest.mark.parametrize("stage", MAY_SEE)
def test_imports_point_one_way(stage: str) -> None:
    seen = {}
    for path in modules(stage):
        for name in imported(path):
            parts = name.split(".")
            if (
                parts[0] == "crossproof"
                and len(parts) > 1
                and parts[1] != stage
                and parts[1] not in MAY_SEE[stage]
            ):
                seen[path.relative_to(SOURCE).as_posix()] = name
    assert seen == {}


@pytest.mark.parametrize("stage", ["inference", "model"])
def test_numerics_know_no_files_and_no_frames(stage: str) -> None:
    forbidden = {"pandas", "pathlib", "logging", "yaml", "os", "json"}
    found = {
        path.relative_to(SOURCE).as_posix(): sorted(imported(path) & forbidden)
        for path in modules(stage)
        if imported(path) & forbidden
    }
    assert found == {}


def test_no_module_is_over_600_lines() -> None:
    long = {
        p.relative_to(SOURCE).as_posix(): n
        for p in SOURCE.rglob("*.py")
        if (n := len(p.read_text(encoding="utf-8").splitlines())) > 600
    }
    assert long == {}
