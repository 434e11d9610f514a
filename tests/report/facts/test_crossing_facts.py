"""How crossing went as facts: worked by hand from small tables (invented)."""

from __future__ import annotations

import math

import pandas as pd

from crossproof.report.facts.crossing import chain_facts, model_facts, rates_facts

CROSSES = pd.DataFrame(
    {
        "flowers": [6, 2, 4], "pods": [3, 1, None], "seeds": [9, 3, 0], "tested": [9, 3, 0],
        "hybrid": [6, 0, 0], "determined": [8, 2, 0], "true_success": [0.5, 0.1, None],
    }
)  # fmt: skip
RATES = pd.DataFrame(
    {
        "factor": ["season", "hour", "hour", "hour", "week"],
        "level": ["", "08:00", "09:00", "10:00", "2026-W20"],
        "true_success": [0.4, 0.5, 0.1, None, 0.4],
        "true_success_low": [0.3, 0.4, 0.05, None, 0.3],
        "true_success_high": [0.5, 0.6, 0.2, None, 0.5],
        "true_success_shrunk": [None, 0.45, None, None, None],
        "true_success_shrunk_low": [None, 0.35, None, None, None],
        "true_success_shrunk_high": [None, 0.55, None, None, None],
        "tags": [3, 1, 1, 1, 3],
        "tested": [12, 9, 3, 0, 12],
        "too_few": ["no", "yes", "no", "yes", "no"],
    }
)


def test_the_chain_from_flower_to_hybrid() -> None:
    chain = chain_facts(CROSSES, RATES)
    assert (chain.flowers, chain.pods, chain.seeds) == (12, 4, 12)
    assert (chain.pod_share, chain.seeds_per_pod, chain.hybrid_share) == (4 / 12, 3, 6 / 10)
    assert (chain.success.value, chain.success.low, chain.estimated) == (0.4, 0.3, True)
    assert not chain.selfed_seed.known


def test_without_a_rate_of_the_season_its_crosses_are_weighed_by_flowers() -> None:
    chain = chain_facts(CROSSES, RATES.iloc[:0])
    assert chain.success.value == (0.5 * 6 + 0.1 * 2) / 8
    assert not chain.estimated
    assert not chain_facts(CROSSES.drop(columns="true_success"), RATES.iloc[:0]).success.known
    nothing = chain_facts(pd.DataFrame(), pd.DataFrame())
    assert (nothing.flowers, nothing.tested) == (0, 0)
    assert all(math.isnan(x) for x in (nothing.pods, nothing.pod_share, nothing.hybrid_share))


def test_rates_are_drawn_to_the_mean_where_that_was_worked_out() -> None:
    hours = rates_facts(RATES, "hour")
    assert hours is not None
    assert [r.level for r in hours.rows] == ["08:00", "09:00"], "of the third nothing is known"
    best, worst = hours.best, hours.worst
    assert (best.level, best.rate.value, best.raw, best.few) == ("08:00", 0.45, 0.5, True)
    assert (worst.level, worst.rate.value, math.isnan(worst.raw)) == ("09:00", 0.1, True)
    assert (hours.apart, hours.success, hours.overall) == (True, True, 0.4)
    assert rates_facts(RATES, "week") is None, "one level is no comparison"
    assert rates_facts(RATES, "moon") is None


def test_terms_of_the_model_and_what_is_said_of_the_whole() -> None:
    model = model_facts(
        pd.DataFrame(
            {
                "term": ["hour", "person", "week", "(season)"],
                "level": ["per hour later", "Ben", "", ""],
                "reference": ["", "Ada", "", ""],
                "odds_ratio": [2.0, 0.9, None, None],
                "low": [1.5, 0.2, None, None],
                "high": [2.5, 3.0, None, None],
                "note": ["", "", "not recorded", "tags differ no more than chance makes them."],
            }
        )
    )
    assert [t.term for t in model.drawn] == ["hour", "person"]
    assert [t.clear for t in model.drawn] == [True, False]
    assert model.about == ("tags differ no more than chance makes them",)
    assert [t.term for t in model.terms] == ["hour", "person", "week"]
