"""The state of the source in one table: lines, import circles, long functions, repeated blocks, unused names.

python benchmarks/house.py [CHECKOUT ...] [--list]

Each checkout gets a column; `--list` names what is counted. Branches of a function are its decisions: if,
elif, conditional expressions, loops, conditions of comprehensions, except, case, and each further operand of
`and` and `or`; functions inside it count as their own. A repeated block is a run of statements, at least
LEAST_NODES syntax nodes together, that stands in two places with the same text but for names of variables.
An unused name is that of a function, class, constant, or of a member of a class that follows no other, which
occurs nowhere else in source, workflow, tests, documentation or benchmarks. Coverage is
that of the numerics, from the file that `make coverage` leaves in the checkout.
"""

from __future__ import annotations

import argparse
import ast
import re
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from scipy.sparse.csgraph import connected_components

MANY_BRANCHES = 15
LONG_FILE = 400
LONG_FUNCTION = 60
LEAST_NODES = 60
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
DECISIONS = (
    ast.If,
    ast.IfExp,
    ast.For,
    ast.AsyncFor,
    ast.While,
    ast.ExceptHandler,
    ast.match_case,
)


def own_nodes(function: ast.AST) -> Iterator[ast.AST]:
    """Nodes of a function without those of the functions and classes inside it."""
    for child in ast.iter_child_nodes(function):
        if not isinstance(child, (*FUNCTIONS, ast.ClassDef)):
            yield child
            yield from own_nodes(child)


def branches(function: ast.AST) -> int:
    """Decisions of a function; see the top of this file."""
    count = 0
    for node in own_nodes(function):
        count += isinstance(node, DECISIONS)
        if isinstance(node, ast.comprehension):
            count += len(node.ifs)
        if isinstance(node, ast.BoolOp):
            count += len(node.values) - 1
    return count


class _Unnamed(ast.NodeTransformer):
    """Takes the names of variables out of a copy of a block, so that equal shapes read alike."""

    def visit_Name(self, node: ast.Name) -> ast.Name:
        return ast.Name("_", node.ctx)


def shape(statement: ast.stmt) -> str:
    """A statement as text without the names of its variables."""
    return ast.dump(_Unnamed().visit(ast.parse(ast.unparse(statement))))


def blocks(tree: ast.AST) -> Iterator[list[ast.stmt]]:
    """Every list of statements of a module."""
    for node in ast.walk(tree):
        for name in ("body", "orelse", "finalbody"):
            found = getattr(node, name, None)
            if isinstance(found, list) and found and isinstance(found[0], ast.stmt):
                yield found


@dataclass(frozen=True)
class House:
    """One checkout."""

    root: Path

    @cached_property
    def trees(self) -> dict[str, ast.Module]:
        """Syntax trees of the source, by path below src/crossproof."""
        base = self.root / "src" / "crossproof"
        return {
            p.relative_to(base).as_posix(): ast.parse(p.read_text(encoding="utf-8"))
            for p in sorted(base.rglob("*.py"))
        }

    @cached_property
    def lines(self) -> dict[str, int]:
        """Lines of every file of the source."""
        base = self.root / "src" / "crossproof"
        return {name: len((base / name).read_text(encoding="utf-8").splitlines()) for name in self.trees}

    def lines_of_tests(self) -> int:
        return sum(
            len(p.read_text(encoding="utf-8").splitlines()) for p in (self.root / "tests").rglob("*.py")
        )

    @cached_property
    def by_package(self) -> dict[str, int]:
        """Lines by package; modules beside the packages together."""
        found: Counter[str] = Counter()
        for name, lines in self.lines.items():
            found[name.split("/")[0] if "/" in name else "(modules beside them)"] += lines
        return dict(sorted(found.items()))

    def circles(self) -> list[list[str]]:
        """Groups of modules that need each other."""
        names = {n.removesuffix(".py").removesuffix("/__init__").replace("/", "."): n for n in self.trees}
        place = {module: i for i, module in enumerate(names)}
        needs = np.zeros((len(names), len(names)), dtype=bool)
        for module, name in names.items():
            for needed in self._imports(self.trees[name], set(names)) - {module}:
                needs[place[module], place[needed]] = True
        _, group = connected_components(needs, connection="strong")
        members = [[m for m in names if group[place[m]] == g] for g in np.unique(group)]
        return [m for m in members if len(m) > 1]

    @staticmethod
    def _imports(tree: ast.Module, modules: set[str]) -> set[str]:
        found = set()
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom):
                whole = {f"{node.module}.{a.name}".removeprefix("crossproof.") for a in node.names}
                found |= whole & modules or {str(node.module).removeprefix("crossproof.")}
            elif isinstance(node, ast.Import):
                found |= {a.name.removeprefix("crossproof.") for a in node.names}
        return found & modules

    @cached_property
    def functions(self) -> list[tuple[int, int, str]]:
        """Branches, lines and place of every function."""
        return [
            (branches(node), (node.end_lineno or node.lineno) - node.lineno + 1, f"{name}: {node.name}")
            for name, tree in self.trees.items()
            for node in ast.walk(tree)
            if isinstance(node, FUNCTIONS)
        ]

    def repeated(self) -> list[list[str]]:
        """Places of every run of statements that stands in two places or more, the longest runs only."""
        runs: dict[tuple[str, ...], list[tuple[str, int, int]]] = defaultdict(list)
        for name, tree in self.trees.items():
            for block in blocks(tree):
                shapes = [shape(s) for s in block]
                sizes = [sum(1 for _ in ast.walk(s)) for s in block]
                for first in range(len(block)):
                    for past in range(first + 1, len(block) + 1):
                        if sum(sizes[first:past]) >= LEAST_NODES and not _is_declaration(block[first:past]):
                            place = (name, block[first].lineno, block[past - 1].end_lineno or 0)
                            runs[tuple(shapes[first:past])].append(place)
        found: list[list[tuple[str, int, int]]] = []
        for places in sorted((p for p in runs.values() if len(p) > 1), key=lambda p: -(p[0][2] - p[0][1])):
            inside = any(
                all(any(a[0] == b[0] and b[1] <= a[1] and a[2] <= b[2] for b in known) for a in places)
                for known in found
            )
            if not inside:
                found.append(places)
        return [[f"{name}:{first}-{last}" for name, first, last in places] for places in found]

    def unused(self) -> list[str]:
        """Definitions whose name occurs once in the whole project."""
        words: Counter[str] = Counter()
        for folder in ("src", "workflow", "tests", "docs", "benchmarks"):
            for path in (self.root / folder).rglob("*"):
                if path.suffix in (".py", ".smk", ".md", ".html", ".j2", ".yaml", ".ipynb", ".toml", ".js"):
                    words.update(re.findall(r"\w+", path.read_text(encoding="utf-8", errors="replace")))
        for path in (
            self.root / "pyproject.toml",
            self.root / "DEVELOPERS.md",
            self.root / "workflow/Snakefile",
        ):
            words.update(re.findall(r"\w+", path.read_text(encoding="utf-8")))
        return [f"{name}: {defined}" for name, defined in self._definitions() if words[defined] == 1]

    def _definitions(self) -> Iterator[tuple[str, str]]:
        for name, tree in self.trees.items():
            for node in tree.body:
                yield from ((name, n) for n in _names_of(node))
                if isinstance(node, ast.ClassDef) and not node.bases:
                    yield from ((name, n) for inner in node.body for n in _names_of(inner))

    def coverage(self) -> str:
        """Branch coverage of the numerics in percent, as the last `make coverage` measured it."""
        if not (self.root / ".coverage").is_file():
            return "not measured"
        done = subprocess.run(
            [sys.executable, "-m", "coverage", "report", "--precision=1", "--format=total"],
            cwd=self.root,
            capture_output=True,
            text=True,
            check=False,
        )
        return f"{done.stdout.strip()} %" if done.stdout else "not measured"


def _is_declaration(statements: list[ast.stmt]) -> bool:
    """Whether a run only imports or declares."""
    return all(isinstance(s, (ast.Import, ast.ImportFrom, ast.AnnAssign)) for s in statements)


def _names_of(node: ast.stmt) -> list[str]:
    """Names that a statement defines; those that Python itself calls are left out."""
    if isinstance(node, (*FUNCTIONS, ast.ClassDef)):
        decorated = bool(node.decorator_list) and isinstance(node, FUNCTIONS)
        names = [] if decorated and not _is_property(node) else [node.name]
    elif isinstance(node, ast.Assign):
        names = [t.id for t in node.targets if isinstance(t, ast.Name)]
    elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        names = [node.target.id]
    else:
        names = []
    return [n for n in names if not (n.startswith("__") or n.startswith("visit_"))]


def _is_property(node: ast.stmt) -> bool:
    """Whether its decorators leave a function to be called by its name."""
    plain = {"property", "cached_property", "cache", "staticmethod", "classmethod"}
    return all(isinstance(d, ast.Name) and d.id in plain for d in getattr(node, "decorator_list", []))


def figures(house: House) -> dict[str, str]:
    """What the table says of one checkout."""
    over = [f for f in house.functions if f[0] > MANY_BRANCHES]
    most = max(house.functions)
    longest = max(house.functions, key=lambda f: f[1])
    rows = {f"lines: {package}": f"{n:,}" for package, n in house.by_package.items()}
    rows["lines: source together"] = f"{sum(house.lines.values()):,}"
    rows["lines: tests"] = f"{house.lines_of_tests():,}"
    rows["files of the source"] = str(len(house.lines))
    rows[f"files over {LONG_FILE} lines"] = str(sum(n > LONG_FILE for n in house.lines.values()))
    rows["import circles"] = str(len(house.circles()))
    rows[f"functions over {MANY_BRANCHES} branches"] = str(len(over))
    rows["most branches"] = f"{most[0]} ({most[2].split(': ')[1]})"
    rows[f"functions over {LONG_FUNCTION} lines"] = str(sum(f[1] > LONG_FUNCTION for f in house.functions))
    rows["longest function"] = f"{longest[1]} ({longest[2].split(': ')[1]})"
    rows["repeated blocks"] = str(len(house.repeated()))
    rows["unused names"] = str(len(house.unused()))
    rows["coverage of the numerics"] = house.coverage()
    return rows


def details(house: House) -> Iterator[str]:
    """What is counted, by name."""
    yield from (f"circle: {', '.join(c)}" for c in house.circles())
    yield from (
        f"{n} lines: {name}" for name, n in sorted(house.lines.items(), key=lambda x: -x[1]) if n > LONG_FILE
    )
    for count, lines, place in sorted(house.functions, reverse=True):
        if count > MANY_BRANCHES or lines > LONG_FUNCTION:
            yield f"{count} branches, {lines} lines: {place}"
    yield from (f"repeated: {', '.join(places)}" for places in house.repeated())
    yield from (f"unused: {place}" for place in house.unused())


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    here = Path(__file__).parents[1]
    parser.add_argument("checkouts", nargs="*", type=Path, default=[here])
    parser.add_argument("--list", action="store_true", help="name what is counted, of the last checkout")
    asked = parser.parse_args()
    houses = [House(path.resolve()) for path in asked.checkouts]
    columns = [figures(h) for h in houses]
    names = list(dict.fromkeys(name for column in columns for name in column))
    cells = [["", *(h.root.name for h in houses)]]
    cells += [[name, *(column.get(name, "") for column in columns)] for name in names]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    for row in cells:
        print(
            "  ".join(
                [row[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(row[1:], widths[1:], strict=True))]
            )
        )
    if asked.list:
        print()
        for line in details(houses[-1]):
            print(line)


if __name__ == "__main__":
    main()
