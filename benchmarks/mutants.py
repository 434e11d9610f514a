"""Which share of small faults, put into the numerics and readers on purpose, the tests notice.

    python benchmarks/mutants.py [--most 120] [--show] [MODULE ...]

The faults are made by mutmut (`pip install mutmut`, no dependency of the project), one at a time, in a
copy of the project that is removed afterwards. Each module meets only the tests named beside it, the slow
ones left out. At most `--most` faults of a module are tried, drawn by `--seed`.

Left out are faults from which no behaviour follows: those that change nothing but the words of a text (how a
message is worded is tested where it matters, its letters are not), capitals, or the type that an array of
numbers is asked for. A fault on which the tests run out of time counts as noticed. A module takes 10 to 60
CPU seconds for 60 faults.
"""

from __future__ import annotations

import argparse
import ast
import datetime as dt
import json
import os
import platform
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
MODULES = {
    "inference/pedigree": "tests/inference/test_pedigree.py",
    "inference/linkage": "tests/inference/test_linkage.py",
    "inference/evidence/error_model": "tests/inference/evidence/test_error_model.py",
    "inference/family/emissions": "tests/inference/family",
    "inference/family/reading_solver": "tests/inference/family tests/inference/test_season_model.py",
    "rates/estimators/intervals": "tests/rates/estimators/test_intervals.py",
    "rates/estimators/betabinomial": "tests/rates/estimators/test_betabinomial.py",
    "rates/estimators/weighted_rates": "tests/rates/estimators/test_weighted_rates.py",
    "rates/estimators/pod_mixture": "tests/rates/estimators/test_pod_mixture.py",
    "rates/estimators/logistic": "tests/rates/estimators/test_logistic.py",
    "io/vcf/fields": "tests/io/vcf/test_vcf_fields.py tests/io/vcf/test_calls_without_numbers.py",
    "io/tables/call_notation": "tests/io/tables",
    "io/sheets/values": "tests/io/sheets/test_values.py",
}
"""Module below src/crossproof, and the tests that must notice its faults."""

COPIED = ("src", "tests", "benchmarks", "workflow", "docs", "demo_genotypes", "pyproject.toml", "Snakefile")
FRESH = """

from hypothesis import settings as _settings

_settings.register_profile('mutants', deadline=None, derandomize=True)
_settings.load_profile('mutants')


@pytest.fixture(scope="session", autouse=True)
def _nothing_kept_from_the_process_before():
    import sys

    for name, module in list(sys.modules.items()):
        if name.startswith("crossproof"):
            for kept in list(vars(module).values()):
                if hasattr(kept, "cache_clear"):
                    kept.cache_clear()
"""
"""For the copy's tests: each fault runs in a fork, which has the cached tables of the sound code; and
what the tests draw is the same each time."""

SURVIVED, NO_TESTS = 0, 33
"""Exit statuses that mutmut notes for a fault: no test failed, or none came past it."""


def main() -> int:
    """Print a line per module and the share over all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE", help=f"of {', '.join(MODULES)}")
    parser.add_argument("--most", type=int, default=120, help="faults tried in one module")
    parser.add_argument("--seed", type=int, default=1, help="which faults are drawn")
    parser.add_argument("--show", action="store_true", help="show the faults that no test noticed")
    parser.add_argument("--mutmut", default=sys.executable, help="a Python that has mutmut and the project")
    asked = parser.parse_args()
    unknown = set(asked.modules) - set(MODULES)
    if unknown:
        parser.error(f"no such module: {', '.join(sorted(unknown))}")
    drawn = f"seed {asked.seed}, at most {asked.most} of a module"
    print(f"{platform.node()}, {os.cpu_count()} cores, {dt.date.today():%d %B %Y}; {drawn}")
    print(f"{'module':36} {'faults':>7} {'tried':>6} {'noticed':>8} {'share':>7} {'CPU s':>6}")
    tried = noticed = 0
    for module in asked.modules or MODULES:
        before = _cpu()
        made, states, texts = _run(module, asked.most, asked.seed, asked.mutmut)
        killed = sum(s not in (SURVIVED, NO_TESTS) for s in states.values())
        tried, noticed = tried + len(states), noticed + killed
        share = 100 * killed / max(1, len(states))
        spent = _cpu() - before
        print(f"{module:36} {made:7} {len(states):6} {killed:8} {share:6.1f}% {spent:6.0f}", flush=True)
        if asked.show:
            print("\n".join(texts[n] for n, s in sorted(states.items()) if s in (SURVIVED, NO_TESTS)))
    print(f"{'all':36} {'':7} {tried:6} {noticed:8} {100 * noticed / max(1, tried):6.1f}%")
    return 0


def _cpu() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def _run(module: str, most: int, seed: int, python: str) -> tuple[int, dict[str, int], dict[str, str]]:
    """Faults there are, the exit status of each one tried, and what each changes."""
    with tempfile.TemporaryDirectory(prefix="mutants_") as folder:
        place = Path(folder)
        for name in COPIED:
            source = ROOT / name
            if source.is_dir():
                hidden = shutil.ignore_patterns("__pycache__", ".crossproof", ".snakemake", "results")
                shutil.copytree(source, place / name, ignore=hidden, symlinks=True)
            else:
                shutil.copy(source, place / name)
        selected = json.dumps(MODULES[module].split())
        (place / "pyproject.toml").write_text(
            (ROOT / "pyproject.toml").read_text(encoding="utf-8")
            + f'\n[tool.mutmut]\nsource_paths = ["src"]\nonly_mutate = ["src/crossproof/{module}.py"]\n'
            + f"pytest_add_cli_args_test_selection = {selected}\n"
            + 'pytest_add_cli_args = ["-q", "-x", "-p", "no:cacheprovider"]\n'
            + f"also_copy = {json.dumps(list(COPIED[2:]))}\nuse_git_change_detection = false\n",
            encoding="utf-8",
        )
        with (place / "tests" / "conftest.py").open("a", encoding="utf-8") as handle:
            handle.write(FRESH)
        _mutmut(place, python, "none.of.them")
        mutated = place / "mutants" / "src" / "crossproof" / f"{module}.py"
        texts = _faults(mutated.read_text(encoding="utf-8"))
        notes = mutated.with_name(mutated.name + ".meta")
        names = [n for n in _states(notes) if n.rpartition(".")[2] in texts]
        drawn = random.Random(seed).sample(names, min(most, len(names)))
        told = _mutmut(place, python, *drawn)
        states = {n: s for n, s in _states(notes).items() if n in drawn and s is not None}
        if not states:
            raise SystemExit(f"mutmut tried nothing in {module}:\n{told[-2000:]}")
        return len(names), states, {n: texts[n.rpartition(".")[2]] for n in names}


def _mutmut(place: Path, python: str, *names: str) -> str:
    env = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONWARNINGS": "default"}
    env.setdefault("CROSSPROOF_SHARED", str(ROOT.parent / "shared"))
    command = [python, "-m", "mutmut", "run", "--max-children", "2", *names]
    return subprocess.run(command, cwd=place, env=env, capture_output=True, text=True, check=False).stdout


def _states(notes: Path) -> dict[str, int | None]:
    found: dict[str, int | None] = json.loads(notes.read_text(encoding="utf-8"))["exit_code_by_key"]
    return found


def _faults(code: str) -> dict[str, str]:
    """What each fault of a mutated module changes, by name; those of texts alone are left out."""
    functions = {n.name: n for n in ast.walk(ast.parse(code)) if isinstance(n, ast.FunctionDef)}
    found = {}
    for name, function in functions.items():
        first = re.sub(r"__mutmut_\d+$", "__mutmut_orig", name)
        if first == name or first not in functions:
            continue
        if ast.dump(_wordless(function)) != ast.dump(_wordless(functions[first])):
            found[name] = _difference(functions[first], function)
    return found


class _NoWords(ast.NodeTransformer):
    """Takes out what no behaviour follows from: the words of texts that only people read (those of more than
    one word), capitals, and the type that an array of numbers is asked for, which its numbers have anyway."""

    def visit_Constant(self, node: ast.Constant) -> ast.Constant:
        """A text of several words becomes an empty one, every other one small letters."""
        if not isinstance(node.value, str):
            return node
        return ast.Constant("" if " " in node.value else node.value.lower())

    def visit_Call(self, node: ast.Call) -> ast.AST:
        """A call without the type of an array."""
        self.generic_visit(node)
        node.keywords = [k for k in node.keywords if k.arg != "dtype"]
        if ast.unparse(node.func) == "np.asarray":
            node.args = node.args[:1]
        return node


def _wordless(function: ast.FunctionDef) -> ast.AST:
    copy = ast.parse(ast.unparse(function)).body[0]
    copy.name = ""  # type: ignore[attr-defined]
    return _NoWords().visit(copy)


def _difference(old: ast.FunctionDef, new: ast.FunctionDef) -> str:
    before, after = ast.unparse(old).splitlines(), ast.unparse(new).splitlines()
    lines = [f"    {new.name}"]
    lines += [f"      - {line.strip()}" for line in before[1:] if line not in after]
    lines += [f"      + {line.strip()}" for line in after[1:] if line not in before]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
