"""The suite that is followed over time: its configuration names no host, and every benchmark in it runs."""

from __future__ import annotations

import importlib
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from crossproof.simulate.plan import SeasonPlan

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"
SMALL = SeasonPlan(n_markers=16, n_lines=6, n_crosses=12, plants_per_cross=6)


@pytest.fixture
def suite(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    for name in [n for n in sys.modules if n.split(".")[0] == "followed"]:
        monkeypatch.delitem(sys.modules, name)


def test_the_configuration_names_this_suite_and_no_host() -> None:
    text = (BENCHMARKS / "asv.conf.json").read_text(encoding="utf-8")
    configuration = json.loads(text)
    assert (BENCHMARKS / configuration["benchmark_dir"] / "__init__.py").exists()
    assert "://" not in text
    assert {"results_dir", "env_dir", "html_dir"} <= set(configuration)
    assert all(configuration[k].startswith("../build/") for k in ("results_dir", "env_dir", "html_dir"))


@pytest.mark.usefixtures("suite")
@pytest.mark.parametrize(("module", "name"), [("season", "Season"), ("reading", "Vcf")])
def test_every_benchmark_runs(module: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    found = importlib.import_module(f"followed.{module}")
    if module == "season":
        monkeypatch.setattr(found, "PLAN", SMALL)
    benchmark: Any = getattr(found, name)()
    benchmark.setup()
    try:
        methods = [m for m in dir(benchmark) if m.startswith(("time_", "peakmem_", "track_"))]
        assert methods
        for method in methods:
            value = getattr(benchmark, method)()
            assert value is None or 0 < value <= 1
    finally:
        benchmark.teardown()
