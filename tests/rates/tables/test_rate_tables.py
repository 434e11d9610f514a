"""The result tables: a season counted by hand, planted effects found, and seasons that say nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from rates_seasons import invented, small
from scipy import stats

from crossproof.model.results import CLASSES, NextStep, Provable, Verdict
from crossproof.rates.tables.cross_state import CrossFacts, step_detail
from crossproof.rates.tables.season import (
    CAUTION,
    RateOptions,
    control_chart_table,
    crosses_table,
    factors_table,
    learning_table,
    next_steps_table,
    operators_table,
    rates_by_table,
    season_summary,
)
from crossproof.rates.tables.tally import tally

OPTIONS = RateOptions()
TABLES = (
    crosses_table, operators_table, rates_by_table, factors_table, learning_table, control_chart_table,
)  # fmt: skip


@pytest.fixture(scope="module")
def season() -> tuple[pd.DataFrame, pd.DataFrame]:
    return invented(160, people=(0.08, 0.08, 0.08, 0.45))


def test_three_tags_by_hand() -> None:
    table = crosses_table(*small(), OPTIONS).set_index("cross_id")
    a = table.loc["A"]
    assert a[["tested", "determined", "hybrid", "self", "outcross", "undetermined"]].tolist() == [
        5,
        4,
        2,
        2,
        0,
        1,
    ]
    # expected counts: every posterior, the undetermined plant's too
    assert a["expected_hybrid"] == pytest.approx(0.98 + 0.96 + 0 + 0.02 + 0.7, rel=1e-12)
    # rates: posteriors of the four determined plants
    assert a["hybrid_rate"] == pytest.approx(1.96 / 4, rel=1e-12)
    assert a["selfing_rate"] == pytest.approx(2.04 / 4, rel=1e-12)
    assert (a["selfing_rate_low"], a["selfing_rate_high"]) == pytest.approx(
        (stats.beta.ppf(0.025, 2.04, 2.96), stats.beta.ppf(0.975, 3.04, 1.96)), rel=1e-9
    )
    # bounds: the undetermined plant is no hybrid, or one: 2 and 3 of 5
    assert (a["hybrid_rate_bound_low"], a["hybrid_rate_bound_high"]) == pytest.approx((0.4, 0.6), rel=1e-12)
    assert a["pod_set"] == 0.5
    # plants: pod 1 1 - .02 * .04, pod 2 .02; four of pod 2's five seeds have no verdict and may hold one
    success = (1 - 0.02 * 0.04 * 1.0) + 0.02
    assert a["true_success_bound_low"] == pytest.approx(success / 4, rel=1e-9)
    assert success / 4 < a["true_success"] < a["true_success_bound_high"] == pytest.approx(0.5, rel=1e-9)
    # ten seeds, pods of the same size as far as is known: (1/3 + 1) / 2 of the pods are selfed
    assert a["selfed_flower_share"] == pytest.approx((1.04 / 3 + 0.98 + 0.02) / 2, abs=0.02)
    assert a["true_success_basis"] == "by pod"
    # ten seeds at 0.49 hybrid on four flowers
    assert a["hybrids_per_flower"] == pytest.approx(10 * 0.49 / 4, rel=1e-12)
    assert a[["target", "hybrids_found", "seeds_left"]].tolist() == [4, 2, 5]
    b, c = table.loc["B"], table.loc["C"]
    assert (b["true_success"], b["hybrids_per_flower"], b["pod_set"]) == (0.0, 0.0, 0.0)
    assert b["next_step"] == NextStep.REPEAT
    assert b["next_step_detail"].endswith("too little is known to say how many flowers")  # of two tags
    assert pd.isna(b["flowers_to_repeat"])
    assert np.isnan([c["hybrid_rate"], c["true_success"], c["hybrid_rate_low"]]).all()
    assert 0 < c["hybrid_rate_shrunk"] < 1
    assert c["seeds_left"] == 6
    assert table["verifiable"].tolist() == ["", "", ""]


def test_the_record_comes_first_and_its_place_in_the_file_does_not_come_at_all() -> None:
    crosses, verdicts = invented(12)
    table = crosses_table(crosses, verdicts, OPTIONS)
    kept = [c for c in crosses if not c.startswith("_")]
    assert table.columns[: len(kept)].tolist() == kept
    assert table["cross_id"].tolist() == crosses["cross_id"].tolist()
    assert table["bench"].tolist() == crosses["bench"].tolist()
    assert table.columns.is_unique


def test_held_plants_are_counted_apart_and_bound_the_rates() -> None:
    crosses, verdicts = small()
    verdicts["decision"] = ["hold", "keep", "cull", "cull", "retest", "keep"]
    a = crosses_table(crosses, verdicts, OPTIONS).iloc[0]
    counts = ["hybrid", "self", "outcross", "off_pedigree", "undetermined", "held"]
    assert a[counts].tolist() == [1, 2, 0, 0, 1, 1]
    assert a[counts].sum() == a["tested"]
    assert a[["determined", "hybrids_found"]].tolist() == [3, 1]
    # one hybrid of five, and three if the held and the undetermined plant are hybrids too
    assert (a["hybrid_rate_bound_low"], a["hybrid_rate_bound_high"]) == pytest.approx((0.2, 0.6), rel=1e-12)


def test_plants_without_data_count_as_tested_only() -> None:
    crosses, verdicts = small()
    verdicts.loc[4, ["p_hybrid", "p_self", "p_outcross", "p_off_pedigree"]] = np.nan
    a = crosses_table(crosses, verdicts, OPTIONS).iloc[0]
    assert a["tested"] == 5
    assert a["expected_hybrid"] == pytest.approx(1.96, rel=1e-12)
    assert season_summary(crosses, verdicts, OPTIONS)["plants_without_cross"] == 1


def test_a_cross_that_cannot_be_proven_is_not_sent_to_be_tested() -> None:
    table = crosses_table(*small(), OPTIONS, verifiable={"A": Provable.NO, "C": Provable.YES})
    a, c = table.iloc[0], table.iloc[2]
    assert (a["verifiable"], a["next_step"], a["seeds_to_test"]) == ("no", NextStep.RETEST, 0)
    assert a["next_step_detail"] == "needs more markers at which the parents differ"
    assert (a["tests_needed"], a["flowers_to_repeat"]) == (0, 0)
    assert (c["verifiable"], c["seeds_to_test"] > 0) == ("yes", True)


def decided(decision: str, reason: str = "", **of_cross: object) -> pd.Series:
    """Cross A, one of its five plants with another decision than its verdict asks for."""
    crosses, verdicts = small()
    verdicts["decision"] = ["keep", "keep", "cull", "cull", decision, "keep"]
    verdicts["reason"] = ["", "", "", "", reason, ""]
    return crosses_table(crosses.assign(**of_cross), verdicts, OPTIONS).iloc[0]


@pytest.mark.parametrize("wanted", [2, 4])
def test_a_cross_with_held_plants_is_on_hold_and_never_told_to_be_repeated(wanted: int) -> None:
    a = decided("hold", "plate held", target_hybrids=wanted)
    assert (a["next_step"], a["held"]) == (NextStep.HOLD, 1)
    assert a["next_step_detail"] == "1 plant on hold until a finding is settled"
    assert (a["flowers_to_repeat"], a["seeds_to_test"], a["tests_needed"]) == (0, 0, 0)


def test_plants_that_wait_for_a_second_sample_come_before_seed_and_flowers() -> None:
    a = decided("retest", "two classes close")
    assert (a["next_step"], a["next_step_detail"]) == (NextStep.RETEST, "1 plant needs a second sample")
    assert (a["flowers_to_repeat"], a["seeds_to_test"]) == (0, 0)


def test_a_parent_without_calls_comes_before_a_second_sample() -> None:
    a = decided("retest", "no parent data")
    assert (a["next_step"], a["next_step_detail"]) == (
        NextStep.TYPE_PARENT,
        "type the parents of this cross",
    )
    table = crosses_table(*small(), OPTIONS, untyped={"C": "L2"})
    assert table["next_step"].tolist()[2] == NextStep.TYPE_PARENT
    assert table["next_step_detail"].tolist()[2] == "type L2"


def test_the_parent_that_plants_wait_for_is_named() -> None:
    crosses, verdicts = small()
    verdicts["decision"] = ["keep", "keep", "cull", "cull", "retest", "keep"]
    verdicts["reason"] = ["", "", "", "", "parents unresolved", ""]
    verdicts["parents_to_type"] = ["", "", "", "", "L2;L9", ""]
    a = crosses_table(crosses, verdicts, OPTIONS).iloc[0]
    assert a["next_step"] == NextStep.TYPE_PARENT
    assert a["next_step_detail"] == "type another plant of L2 and L9; 1 plant waits for that"


@pytest.mark.parametrize(
    ("seeds", "stored", "wanted", "said"),
    [
        (3, 5, 2, "test 3 of 5 stored seeds"),
        (5, 5, 2, "test all 5 stored seeds"),
        (1, 1, 1, "test the 1 stored seed"),
        (1, 1, 2, "test the 1 stored seed; 2 hybrids are wanted, so pollinate again too"),
    ],
)
def test_stored_seed_that_cannot_be_enough_says_so(seeds: int, stored: int, wanted: int, said: str) -> None:
    def one(value: object) -> Any:
        return np.array([value])

    facts = CrossFacts(
        target=one(wanted), found=one(0), held=one(0), retest=one(0), parent_untyped=one(0), untyped=one(""),
        open_parents=one(""), provable=one(True), seeds=one(seeds), stored=one(stored), flowers=one(0),
    )  # fmt: skip
    assert step_detail(facts, 0, NextStep.TEST_SEED) == said


def test_a_cross_with_the_hybrids_it_needs_is_done_whatever_else_could_be_learned() -> None:
    a = decided("retest", "two classes close", target_hybrids=2)
    assert (a["next_step"], a["next_step_detail"]) == (NextStep.DONE, "2 hybrids to keep, 2 wanted")
    a = decided("retest", "two classes close", target_hybrids=0)
    assert (a["next_step"], a["next_step_detail"]) == (NextStep.DONE, "no hybrids wanted")


def test_cost_is_tests_times_price() -> None:
    table = crosses_table(*small(), RateOptions(test_cost=2.5))
    assert (table["test_cost"] == 2.5 * table["tests_needed"]).all()
    assert (table["seeds_to_test"] > 0).any()
    # 16 seeds came of 9 flowers
    of_flowers = np.ceil(table["flowers_to_repeat"].fillna(0).astype(float) * 16 / 9)
    assert table["tests_needed"].tolist() == (table["seeds_to_test"] + of_flowers).tolist()


def test_next_steps_lists_open_crosses_nearest_first(season: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    table = crosses_table(*season, OPTIONS)
    work = next_steps_table(table)
    assert len(work) == (table["next_step"] != NextStep.DONE).sum()
    assert work["hybrids_found"].lt(work["target"]).all()
    assert (work["p_target"].diff().dropna() <= 0).all()
    summary = season_summary(*season, OPTIONS)
    assert summary["flowers_to_repeat"] == work["flowers_to_repeat"].sum()
    assert summary["crosses_open"] == summary["crosses_below_target"] == len(work)
    assert summary["crosses_at_target"] + summary["crosses_below_target"] == (table["target"] > 0).sum()


def test_counts_add_up_over_every_factor(season: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    table = rates_by_table(*season, RateOptions(rates_by=("bench",)))
    assert set(table["factor"]) == {
        "season", "operator", "mother", "father", "hour", "temperature_class", "week", "bench", "pod",
    }  # fmt: skip
    sums = (
        table[table["factor"] != "pod"]
        .groupby("factor")[["tags", "flowers", "tested", "hybrid", "self"]]
        .sum()
    )
    assert (sums == sums.loc["season"]).all().all()
    assert sums.loc["season", "tested"] == len(season[1])
    determined = table[table["factor"] == "pod"]["determined"].sum()
    assert determined == (season[1]["verdict"] != "undetermined").sum()
    for rate in ("hybrid_rate", "selfing_rate", "outcrossing_rate", "off_pedigree_rate", "true_success"):
        known = table[table[f"{rate}_low"].notna() & (table["factor"] != "pod")]
        assert ((known[f"{rate}_low"] <= known[rate]) & (known[rate] <= known[f"{rate}_high"])).all()
        assert known[[rate, f"{rate}_low", f"{rate}_high"]].apply(lambda c: c.between(0, 1)).all().all()


def test_hours_and_temperatures_are_classed(season: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    table = rates_by_table(*season, OPTIONS)
    hours = table[table["factor"] == "hour"]["level"].tolist()
    assert hours == sorted(hours)
    assert hours[0] == "06:00"
    warm = table[table["factor"] == "temperature_class"].set_index("level")
    in_class = season[0]["temperature_c"].between(20, 24, inclusive="left").sum()
    assert warm.loc["20 to 24 °C", "tags"] == in_class


def test_the_person_who_selfs_more_is_found_and_the_others_are_not(
    season: tuple[pd.DataFrame, pd.DataFrame],
) -> None:
    table = operators_table(*season, OPTIONS).set_index("operator")
    assert table.loc["P3", "judgement"] == "more selfs than expected"
    assert table.loc["P3", "funnel"] == "above 99.8 %"
    assert table.loc["P3", "q"] < 0.001
    assert table.loc["P3", "observed_to_expected_low"] > 1
    assert "more selfs than expected" not in table.loc[["P0", "P1", "P2"], "judgement"].tolist()
    assert (table["q"] >= table["p"]).all()
    assert table["expected_given_conditions"].sum() == pytest.approx(table["self"].sum(), rel=1e-6)
    assert table["allowed_for"].iloc[0] == "hour, mother, week"


def test_an_hour_that_explains_it_clears_the_person() -> None:
    # selfing rises with the hour; P3 crosses late, and so do the others now and then
    crosses, verdicts = invented(600, people=(0.12,) * 4, hour_slope=0.0, seed=3)
    rng = np.random.default_rng(1)
    late = (crosses["operator"] == "P3") & (rng.random(600) < 0.8) | (rng.random(600) < 0.25)
    crosses["hour"] = np.where(late, 12.0, 8.0) + rng.random(600)
    tag_late = verdicts["cross_id"].map(dict(zip(crosses["cross_id"], late, strict=True)))
    flip = tag_late & (verdicts["verdict"] == "hybrid") & (rng.random(len(verdicts)) < 0.3)
    verdicts.loc[flip, "verdict"] = "self"
    verdicts.loc[flip, ["p_hybrid", "p_self"]] = verdicts.loc[flip, ["p_self", "p_hybrid"]].to_numpy()
    table = operators_table(crosses, verdicts, OPTIONS).set_index("operator")
    raw = table["selfing_rate"] / table.loc[["P0", "P1", "P2"], "selfing_rate"].mean()
    assert raw["P3"] > 1.3
    assert table.loc["P3", "observed_to_expected"] < 1.15
    assert table.loc["P3", "judgement"] == "as expected"


def test_people_who_do_not_differ_are_seldom_accused() -> None:
    accused = 0
    for seed in range(25):
        crosses, verdicts = invented(80, people=(0.2,) * 4, seed=100 + seed)
        accused += int((operators_table(crosses, verdicts, OPTIONS)["q"] < 0.05).sum())
    # 100 people, false discovery controlled at 5 % per season: 25 seasons x 5 % = 1.25 expected at most
    assert accused <= 5


def test_too_little_is_not_judged() -> None:
    crosses, verdicts = invented(16, people=(0.1, 0.1, 0.1, 0.9))
    table = operators_table(crosses, verdicts, OPTIONS)
    assert (table["judgement"] == "too few").all()
    assert table["p"].isna().all()
    assert table["selfing_rate_low"].notna().all()


def test_a_mother_of_ones_own_is_said() -> None:
    crosses, verdicts = invented(80)
    crosses["mother"] = np.where(crosses["operator"] == "P2", "M99", crosses["mother"])
    notes = operators_table(crosses, verdicts, OPTIONS).set_index("operator")["note"]
    assert notes["P2"] == (
        "100 % of the plants at a mother where hardly anyone else crossed: "
        "person and mother cannot be told apart"
    )


def test_factors_find_the_hour_and_the_person() -> None:
    crosses, verdicts = invented(500, hour_slope=0.3, seed=5)
    crosses = crosses[(crosses["operator"] != "P3") | (np.arange(500) % 3 > 0)]  # never the largest level
    table = factors_table(crosses, verdicts, OPTIONS).set_index(["term", "level"])
    hour = table.loc[("hour", "per hour later")]
    assert hour["low"] < np.exp(0.3) < hour["high"]
    assert hour["low"] > 1
    assert table.loc[("operator", "P3"), "low"] > 1
    assert table.loc[("bench", "B1"), "low"] < 1 < table.loc[("bench", "B1"), "high"]
    assert table["events_per_term"].dropna().min() >= 10
    assert any("tags still differ" in n for n in table.loc["(season)", "note"])


def test_learning_is_seen() -> None:
    crosses, verdicts = invented(200, people=(0.5,), seed=2)
    crosses["operator"] = "P0"
    # selfs of later tags turn into hybrids: the share left falls from 1 to 0.1
    rng = np.random.default_rng(0)
    place = verdicts["cross_id"].str[1:].astype(int)
    flip = (verdicts["verdict"] == "self") & (rng.random(len(verdicts)) < 0.9 * place / 200)
    verdicts.loc[flip, "verdict"] = "hybrid"
    crosses["date"] = [f"2031-06-{1 + k // 8:02d}" for k in range(200)]
    table = learning_table(crosses, verdicts, OPTIONS)
    assert table["trend_high"].iloc[0] < 1
    assert table["flowers_before"].tolist() == [0, *table["flowers"].cumsum().tolist()[:-1]]
    assert table["selfing_rate_so_far"].iloc[-1] == pytest.approx(
        (verdicts["verdict"] == "self").sum() / (verdicts["verdict"] != "undetermined").sum(), rel=1e-9
    )


def test_control_chart_sees_the_bad_week() -> None:
    crosses, verdicts = invented(240, people=(0.1,), seed=4)
    bad = verdicts["cross_id"].isin(crosses["cross_id"][crosses["week"] == "2031-W23"])
    flip = bad & (verdicts["verdict"] == "hybrid") & (np.arange(len(verdicts)) % 2 == 0)
    verdicts.loc[flip, "verdict"] = "self"
    chart = control_chart_table(crosses, verdicts, OPTIONS).set_index("week")
    assert chart.index[chart["out"] & (chart["selfing_rate"] > chart["high"])].tolist() == ["2031-W23"]
    assert chart["centre_without_out"].iloc[0] < chart["centre"].iloc[0]
    assert chart["week_number"].tolist() == list(range(8))


def test_true_success_does_not_depend_on_how_much_is_genotyped_yet() -> None:
    crosses, verdicts = invented(800, people=(0.4,), seed=6)
    rng = np.random.default_rng(2)
    early = verdicts["cross_id"].map(dict(zip(crosses["cross_id"], rng.random(800) < 0.5, strict=True)))
    some = verdicts[early & ((verdicts["pod"] == "1") | (verdicts["pod"] == "2"))]
    whole, part = (season_summary(crosses, v, OPTIONS) for v in (verdicts, some))
    assert part["true_success"] == pytest.approx(whole["true_success"], abs=0.04)
    assert part["hybrids_per_flower"] == pytest.approx(whole["hybrids_per_flower"], rel=0.08)
    # the limits are about that rate, and wider, as less was looked at
    middle = (float(part["true_success_low"]) + float(part["true_success_high"])) / 2
    assert middle == pytest.approx(float(part["true_success"]), abs=0.01)
    widths = [float(x["true_success_high"]) - float(x["true_success_low"]) for x in (whole, part)]
    assert widths[1] > 1.2 * widths[0]
    # nothing of what was not looked at, or all of it
    assert part["true_success_bound_low"] < 0.5 * part["true_success"]
    assert part["true_success_bound_high"] > part["true_success"]


def test_options_are_read_from_any_settings() -> None:
    options = RateOptions.of({"target_hybrids": 6, "rates_by": ["bench"], "crosses": "crosses.csv"})
    assert (options.target_hybrids, options.rates_by, options.min_group_tags) == (6, ("bench",), 5)


def test_caution_says_that_it_is_no_judgement_of_people() -> None:
    assert "never to judge a person" in CAUTION


def test_same_tables_whatever_the_order_of_plants(season: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    crosses, verdicts = season
    shuffled = verdicts.sample(frac=1.0, random_state=1)
    for table in TABLES:
        pd.testing.assert_frame_equal(
            table(crosses, verdicts, OPTIONS), table(crosses, shuffled, OPTIONS), rtol=1e-9
        )


def _all(verdict: Verdict) -> Callable[[pd.DataFrame, pd.DataFrame], tuple[pd.DataFrame, pd.DataFrame]]:
    def change(crosses: pd.DataFrame, verdicts: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
        verdicts = verdicts.assign(verdict=str(verdict))
        for name in CLASSES:
            verdicts[f"p_{name}"] = float(name == verdict) if verdict in CLASSES else np.nan
        return crosses, verdicts

    return change


DEGENERATE = {
    "as it is": lambda c, v: (c, v),
    "no plants": lambda c, v: (c, v.iloc[:0]),
    "no crosses": lambda c, v: (c.iloc[:0], v),
    "nothing": lambda c, v: (c.iloc[:0], v.iloc[:0]),
    "one cross": lambda c, v: (c.iloc[:1], v),
    "one plant": lambda c, v: (c, v.iloc[:1]),
    "one person": lambda c, v: (c.assign(operator="P0"), v),
    "no person": lambda c, v: (c.assign(operator=""), v),
    "only hybrids": _all(Verdict.HYBRID),
    "only selfs": _all(Verdict.SELF),
    "only outcrosses": _all(Verdict.OUTCROSS),
    "only undetermined": _all(Verdict.UNDETERMINED),
    "no dates": lambda c, v: (c.assign(date="", time="", week="", hour=np.nan), v),
    "no pods on plants": lambda c, v: (c, v.assign(pod="")),
    "no pods or seeds at all": lambda c, v: (
        c.assign(
            pods=pd.array([pd.NA] * len(c), dtype="Int64"), seeds=pd.array([pd.NA] * len(c), dtype="Int64")
        ),
        v.assign(pod=""),
    ),
    "no temperature": lambda c, v: (c.assign(temperature_c=np.nan), v),
    "bare columns": lambda c, v: (c[["cross_id", "mother", "father"]], v[["plant", "cross_id", "verdict"]]),
    "target of nothing": lambda c, v: (c.assign(target_hybrids=0), v),
    "more pods than flowers": lambda c, v: (c.assign(pods=pd.array([9] * len(c), dtype="Int64")), v),
    "no flowers": lambda c, v: (c.assign(flowers=0), v),
    "missing ids": lambda c, v: (c, v.assign(cross_id=pd.NA, pod=pd.NA)),
    "one id twice": lambda c, v: (pd.concat([c, c.iloc[:1]], ignore_index=True), v),
}


@pytest.mark.parametrize("name", DEGENERATE)
def test_seasons_that_say_little_give_tables_all_the_same(name: str) -> None:
    crosses, verdicts = DEGENERATE[name](*invented(24, seed=8))
    whole = crosses_table(*invented(24, seed=8), OPTIONS)
    table = crosses_table(crosses, verdicts, OPTIONS)
    assert len(table) == len(crosses)
    assert set(whole.columns) - set(table.columns) <= set(invented(1)[0].columns)
    assert table["next_step"].isin([str(s) for s in NextStep]).all()
    for other in TABLES[1:]:
        frame = other(crosses, verdicts, OPTIONS)
        assert frame.columns.is_unique
        numbers = frame.select_dtypes("number").to_numpy(dtype=float, na_value=np.nan)
        assert not np.isinf(numbers).any(), other.__name__
    summary = season_summary(crosses, verdicts, OPTIONS)
    assert summary["tags"] == len(crosses)
    assert len(next_steps_table(table)) <= len(table)


def test_tally_follows_the_tag_whatever_the_labels_of_pods() -> None:
    crosses, verdicts = invented(20, seed=1)
    counted = tally(crosses, verdicts)
    by_tag = verdicts[verdicts["verdict"] != "undetermined"].groupby("cross_id").size()
    expected = crosses["cross_id"].map(by_tag).fillna(0).to_numpy()
    assert counted.determined.tolist() == expected.tolist()
    sums = np.bincount(counted.cluster_tag, counted.cluster_n, minlength=20)
    assert sums.tolist() == expected.tolist()


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_ten_thousand_crosses_in_time() -> None:
    crosses, verdicts = invented(10_000, people=tuple(np.linspace(0.1, 0.3, 20)), lines=200, seed=1)
    start = time.process_time()
    for table in TABLES:
        assert len(table(crosses, verdicts, OPTIONS)) > 0
    assert time.process_time() - start < 60  # 24 s of it are the pods of 400 lines


def test_crosses_are_in_the_state_that_the_verdict_step_gave_them() -> None:
    from crossproof.steps.rates import cross_table

    crosses, verdicts = small()
    verdicts["verifiable"] = verdicts["cross_id"].map({"A": "no"}).fillna("not every plant")
    samples = pd.DataFrame({"role": ["parent"] * 2, "line": ["L1", "L2"]})
    shown = cross_table(crosses, samples, verdicts, _Config(RateOptions())).set_index("cross_id")
    lines = crosses.set_index("cross_id")[["mother", "father"]]
    for cross in shown.index:
        if not set(lines.loc[cross]) <= {"L1", "L2"}:
            expected = "parent not typed"
        else:
            expected = {"A": "no"}.get(cross, "not every plant" if cross in set(verdicts["cross_id"]) else "")
        assert shown.loc[cross, "verifiable"] == expected


class _Config:
    """The settings that the rates ask for."""

    min_markers_scored = 3

    def __init__(self, options: RateOptions) -> None:
        vars(self).update(vars(options))


@pytest.mark.parametrize("make", TABLES, ids=lambda f: f.__name__)
def test_a_season_counted_already_gives_the_same(make: Callable[..., pd.DataFrame]) -> None:
    season = invented(24, seed=8)
    counted = tally(*season)
    for _ in range(2):  # the second time from what was kept
        pd.testing.assert_frame_equal(make(*season, OPTIONS, season=counted), make(*season, OPTIONS))
