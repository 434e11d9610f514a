"""What the plan and the labels say of small random seasons, held against their tables."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from simulated_season import simulated
from test_random_seasons import MANY_OF_ONE, ONE_OF_MANY

import crossproof
from crossproof.errors import InputError
from crossproof.field.kept_labels import build_labels
from crossproof.model.results import Decision, Provable
from crossproof.planning.run_plan import Plan
from crossproof.report.draw.plan_page import plan_page

SEASONS = 20

PLAN_NEVER = (
    (r"no smaller set proves as many", r"none that proves as many"),
    (r"Without records of the team", r"determined plants"),
    (r"There is no wish list", r"planned\.csv, row"),
    (r"no verified tags", r"\d tags with"),
    (r"probability 1\.000", r"."),
    (r"\bnan\b|\bNone\b|cost or worth", r"."),
)
"""Pairs of statements of which one plan never has both."""


def words(page: str) -> str:
    page = re.sub(r"(?s)<(style|script|svg)\b.*?</\1>", " ", page)
    return html.unescape(re.sub(r"\s*<[^>]+>\s*", "\n", page))


def plans(folder: Path) -> list[tuple[int, Plan, str]]:
    made = []
    for seed in range(SEASONS):
        where = folder / str(seed)
        inputs = simulated(seed, where)
        if inputs is None:
            continue
        kept = inputs.verdicts[inputs.verdicts["decision"] == Decision.KEEP]
        labels = build_labels(inputs)
        assert sorted(x.plant for x in labels) == sorted(kept["plant"]), seed
        assert all(x.chance not in ("0.000", "1.000", "") for x in labels), seed
        try:
            plan = crossproof.plan(where)
        except InputError:
            continue
        made.append((seed, plan, words(plan_page(plan))))
    return made


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_plan_says_what_its_tables_say(tmp_path: Path) -> None:
    made = plans(tmp_path)
    assert len(made) > SEASONS / 2
    for seed, plan, text in made:
        for one, other in PLAN_NEVER:
            assert not (re.search(one, text) and re.search(other, text)), (seed, one, text[:3000])
        total, proven = len(plan.crosses), int((plan.crosses["verifiable"] == Provable.YES).sum())
        noun = "cross" if total == 1 else "crosses"
        assert f"{proven} of {total} {noun} can be proven on this panel" in text, (seed, text[:400])
        for part in text.splitlines():
            assert not ONE_OF_MANY.search(part), (seed, part)
            assert not MANY_OF_ONE.search(part), (seed, part)
        named = set(re.findall(r"\bLN\d+\b", text))
        assert named <= set(plan.crosses["mother"]) | set(plan.crosses["father"]) | {
            x for c in ("line", "other_line") for x in plan.sisters[c]
        } | {w.line for p in plan.plates for w in p.wells if w.line}, (seed, named)
