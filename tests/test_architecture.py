"""Packages by subject: imports point one way, no two modules need each other, numerics stay free of files."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "src" / "crossproof"
NOUNS = {"errors", "text", "model"}
NUMERICS = {"inference", "rates"}
MAY_SEE = {
    "errors": set(),
    "text": set(),
    "model": {"errors", "text"},
    "io": NOUNS,
    "inference": NOUNS,
    "rates": NOUNS | {"inference"},
    "planning": NOUNS | NUMERICS | {"io"},
    "simulate": NOUNS | {"io"},
    "score": NOUNS,
    "season": NOUNS | {"io", "inference"},
    "receive": NOUNS | {"io", "season"},
    "report": NOUNS | NUMERICS | {"io", "planning"},
    "exchange": NOUNS | {"io", "season", "report"},
    "field": NOUNS | {"io", "planning", "season", "report"},
    "steps": NOUNS | NUMERICS | {"io", "planning", "season", "report", "exchange", "field"},
    "runner": NOUNS | NUMERICS | {"io", "season", "report", "steps", "receive"},
    "api": NOUNS | NUMERICS | {"io", "planning", "season", "steps", "runner"},
    "desk": NOUNS | {"io", "planning", "receive", "report", "field", "season", "steps", "runner"},
    "cli": NOUNS
    | {"io", "receive", "simulate", "score", "season", "exchange", "field", "steps", "runner", "api", "desk"},
    "__init__": {"api"},
}
"""What each package, or module beside the packages, may import of the others."""


def name_of(path: Path) -> str:
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(parts[:-1] if len(parts) > 1 and parts[-1] == "__init__" else parts)


MODULES = {name_of(p): p for p in sorted(SOURCE.rglob("*.py"))}


def room(module: str) -> str:
    return module.split(".")[0]


def imported(path: Path) -> set[str]:
    """Names of the modules that a file imports, wherever in it."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path}: relative import"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                names.add(whole if whole.removeprefix("crossproof.") in MODULES else str(node.module))
        elif isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
    return names


@cache
def ours(module: str) -> frozenset[str]:
    """The project's own modules that a module imports."""
    found = {n.removeprefix("crossproof.") for n in imported(MODULES[module]) if n.startswith("crossproof.")}
    assert found <= set(MODULES), found - set(MODULES)
    return frozenset(found - {module})


def circles(graph: dict[str, frozenset[str]]) -> set[tuple[str, ...]]:
    """Strongly connected components of more than one module (Tarjan 1972)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found = set()

    def visit(v: str) -> None:
        index[v] = low[v] = len(index)
        stack.append(v)
        for w in graph[v]:
            if w not in index:
                visit(w)
                low[v] = min(low[v], low[w])
            elif w in stack:
                low[v] = min(low[v], index[w])
        if low[v] == index[v]:
            at = stack.index(v)
            members = stack[at:]
            del stack[at:]
            if len(members) > 1:
                found.add(tuple(sorted(members)))

    for v in graph:
        if v not in index:
            visit(v)
    return found


def test_circles_are_found() -> None:
    graph = {"a": frozenset("b"), "b": frozenset("c"), "c": frozenset("b"), "d": frozenset("a")}
    assert circles(graph) == {("b", "c")}


def test_every_package_has_its_place() -> None:
    assert {room(m) for m in MODULES} == set(MAY_SEE)


@pytest.mark.parametrize("package", MAY_SEE)
def test_imports_point_one_way(package: str) -> None:
    upward = {}
    for module in MODULES:
        if room(module) == package:
            seen = {n for n in ours(module) if room(n) not in MAY_SEE[package] | {package}}
            if seen:
                upward[module] = seen
    assert upward == {}


def test_no_module_imports_itself_through_others() -> None:
    assert circles({m: ours(m) for m in MODULES}) == set()


@pytest.mark.parametrize("stage", ["inference", "model"])
def test_numerics_know_no_files_and_no_frames(stage: str) -> None:
    forbidden = {"pandas", "pathlib", "logging", "yaml", "os", "json"}
    found = {m: imported(p) & forbidden for m, p in MODULES.items() if room(m) == stage}
    assert {m: names for m, names in found.items() if names} == {}


def test_no_module_is_over_600_lines() -> None:
    long = {m: n for m, p in MODULES.items() if (n := len(p.read_text(encoding="utf-8").splitlines())) > 600}
    assert long == {}
