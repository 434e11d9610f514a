"""Every module has a test of its own, one that imports it, or a named one that reaches it through others."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from crossproof.steps.run_step import Rule
from test_architecture import MODULES, imported, ours

TESTS = Path(__file__).parent

REACHED_BY = {
    "exchange": "exchange/test_fetch.py",
    "inference": "inference/test_season_model.py",
    "inference.family.parent_findings": "workflow/test_season_run.py",
    "inference.plates": "inference/plates/test_plate_checks.py",
    "io.config": "io/config/test_config.py",
    "io.intake": "io/laboratory/test_laboratory_files.py",
    "io.records": "io/records/test_records.py",
    "io.results": "io/results/test_result_tables.py",
    "io.sheets": "io/sheets/test_sheets.py",
    "io.vcf": "io/vcf/test_vcf_text.py",
    "io.vcf.bcf_worker": "io/vcf/test_bcf.py",
    "io.vcf.regions": "io/vcf/test_bcf.py",
    "model": "inference/test_season_model.py",
    "planning": "planning/test_run_plan.py",
    "cli": "robustness/test_odd_arguments.py",
    "desk": "desk/test_serve.py",
    "rates": "rates/tables/test_rate_tables.py",
    "receive": "io/laboratory/test_laboratory_files.py",
    "report.content": "report/content/test_content.py",
    "report.content.plant_lists": "report/draw/test_xlsx.py",
    "report.content.retest_plates": "report/draw/test_xlsx.py",
    "report.content.worklist": "report/draw/test_xlsx.py",
    "report.facts": "report/facts/test_plants.py",
    "steps.report_in_memory": "report/test_simulated_seasons.py",
    "report.draw": "report/draw/test_pages.py",
    "report.draw.static_page": "report/draw/test_summary_page.py",
    "report.draw.years_drawings": "steps/test_compare_seasons.py",
    "report.draw.years_page": "steps/test_compare_seasons.py",
    "report.draw.plan_drawings": "planning/test_run_plan.py",
    "report.sections": "report/content/test_content.py",
    "runner": "workflow/test_season_run.py",
    "season": "test_api.py",
    "simulate": "simulate/test_simulate.py",
    "steps": "workflow/test_season_run.py",
}
"""Named tests for the modules of a package that no test imports; the longest name that fits counts."""
STARTED_AS_PROGRAMS = {
    "crossproof.cli": "cli.__main__",
    "crossproof.steps": "steps.__main__",
    "crossproof.runner.engine": "runner.engine",
    "crossproof.runner.warm": "runner.warm",
    "crossproof.io.vcf.bcf_worker": "io.vcf.bcf_worker",
}
"""What is started by its name in place of being imported: as `-m NAME`, or by a workflow rule."""


def mirror(module: str) -> Path:
    """Where a module's own test lies."""
    *folders, name = module.split(".")
    return TESTS.joinpath(*folders, f"test_{name}.py")


@cache
def seen_by(test: Path) -> frozenset[str]:
    """The modules that a test file imports or starts itself."""
    text = test.read_text(encoding="utf-8")
    found = {n.removeprefix("crossproof.") for n in imported(test) if n.startswith("crossproof.")}
    helpers = {n for n in imported(test) if n in HELPERS}
    inside = set().union(*(seen_by(HELPERS[h]) for h in helpers)) if helpers else set()
    return frozenset((found | inside | _started(text)) & set(MODULES))


def _started(text: str) -> set[str]:
    return {module for name, module in STARTED_AS_PROGRAMS.items() if f'"{name}"' in text}


HELPERS = {p.stem: p for p in TESTS.rglob("*.py") if not p.name.startswith("test_")}


@cache
def needs(module: str) -> frozenset[str]:
    """What a module imports or starts; the workflow that the runner starts has the steps for its jobs."""
    text = MODULES[module].read_text(encoding="utf-8")
    started = _started(text) - {module}
    if module == "steps.run_step":
        started |= {f"steps.{rule}" for rule in Rule}
    return ours(module) | started


def reached(test: Path) -> set[str]:
    """Every module that a test reaches through others."""
    found: set[str] = set()
    todo = list(seen_by(test))
    while todo:
        module = todo.pop()
        if module not in found:
            found.add(module)
            todo += needs(module)
    return found


def named(module: str) -> str | None:
    """The test that `REACHED_BY` names for a module."""
    parts = module.split(".")
    for length in range(len(parts), 0, -1):
        if (name := ".".join(parts[:length])) in REACHED_BY:
            return REACHED_BY[name]
    return None


IMPORTED = frozenset().union(*(seen_by(t) for t in TESTS.rglob("test_*.py") if t.parent != TESTS / "docs"))
LEFT = sorted(
    m
    for m, path in MODULES.items()
    if path.name != "__init__.py" and not mirror(m).exists() and m not in IMPORTED
)


@pytest.mark.parametrize("module", LEFT)
def test_a_module_without_a_test_of_its_own_is_reached_by_a_named_one(module: str) -> None:
    test = named(module)
    assert test is not None, f"{module} has no test: write {mirror(module).relative_to(TESTS)}"
    assert module in reached(TESTS / test), f"{test} does not reach {module}"


def test_named_tests_are_there() -> None:
    assert {t for t in REACHED_BY.values() if not (TESTS / t).exists()} == set()


def test_a_module_that_nothing_reaches_is_noticed() -> None:
    assert named("nowhere.at_all") is None
    assert "steps.report" not in reached(TESTS / "io/sheets/test_values.py")
    assert "io.sheets.values" in reached(TESTS / "io/sheets/test_values.py")
