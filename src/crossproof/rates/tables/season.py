"""The result tables of the rates: frames in, frames out. This is what the workflow's steps call.

Every function takes the crossing records, the verdicts (one row per plant) and the options. Each counts the
season for itself, unless it is given as `season`, so that none depends on another having run.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Objects
from crossproof.model.results import CLASSES, NextStep, Provable
from crossproof.rates.estimators.betabinomial import Estimates, hyper_posterior, shrink_clusters
from crossproof.rates.estimators.clusters import moment_rho
from crossproof.rates.estimators.intervals import proportion_interval, rate
from crossproof.rates.estimators.next_steps import plan
from crossproof.rates.estimators.sequential import next_batch
from crossproof.rates.people.cautions import CAUTION, CAUTION_SHORT
from crossproof.rates.tables.cross_state import CrossFacts, next_steps, step_detail
from crossproof.rates.tables.factors import factors_table
from crossproof.rates.tables.grouping import OPERATOR, Grouping, groupings
from crossproof.rates.tables.groups import (
    RATE_NAMES,
    SELFED_FLOWERS,
    SELFED_SEED,
    Success,
    bounds,
    group_rates,
    operator_rates,
    tag_selfing,
    tag_success,
    too_few,
)
from crossproof.rates.tables.past import PastTags
from crossproof.rates.tables.people import (
    control_chart_table,
    learning_table,
    operators_table,
)
from crossproof.rates.tables.tally import COUNTED, HELD, UNDETERMINED, RateOptions, Tally, number, tally, text

__all__ = [
    "CAUTION",
    "CAUTION_SHORT",
    "RateOptions",
    "control_chart_table",
    "crosses_table",
    "factors_table",
    "learning_table",
    "next_steps_table",
    "operators_table",
    "rates_by_table",
    "season_summary",
]


_OWN_RECORD = ("_file", "_row")


def crosses_table(
    crosses: pd.DataFrame,
    verdicts: pd.DataFrame,
    options: RateOptions,
    *,
    verifiable: Mapping[str, Provable] | None = None,
    untyped: Mapping[str, str] | None = None,
    past: PastTags | None = None,
    season: Tally | None = None,
) -> pd.DataFrame:
    """One row per tag: the record, what was found, rates with limits, true success, and what to do next.

    Parameters: `crosses`, `verdicts` as the records reader and the verdict step give them; `verifiable`: by
    cross_id, whether the panel can prove the cross, as the verdict step says; `untyped`: by cross_id, the
    names of parents that have no calls; `past`: tags of earlier seasons, which the next steps' numbers start
    from.
    Raw rates have exact (Clopper-Pearson) limits, `_bound_` columns take no or every undetermined plant,
    `_shrunk` columns draw the tag towards the whole season.
    """
    season = season or tally(crosses, verdicts)
    success = tag_success(season)
    record = season.crosses.drop(columns=[c for c in _OWN_RECORD if c in season.crosses])
    columns: dict[str, object] = {"tested": season.tested.astype("int64")}
    for index, name in enumerate(map(str, CLASSES)):
        columns[name] = season.verdicts[:, index].astype("int64")
    columns[UNDETERMINED] = season.undetermined.astype("int64")
    columns[HELD] = season.held.astype("int64")
    columns["determined"] = season.determined.astype("int64")
    columns[COUNTED] = season.counted.astype("int64")
    for index, name in enumerate(CLASSES):
        columns[f"expected_{name}"] = season.expected[:, index]

    columns |= _exact("pod_set", np.fmin(season.pods, season.flowers), season.flowers, options)
    low, high = bounds(season.verdicts)
    seed_chance = (np.ones(season.tags), np.ones(season.tags))
    for index, name in enumerate(RATE_NAMES):
        columns |= _exact(name, season.weighted[:, index], season.counted, options)
        columns[f"{name}_bound_low"], columns[f"{name}_bound_high"] = low[:, index], high[:, index]
        shrunk = _shrunk(season.weighted[:, index], season.counted, options)
        columns |= _limits(f"{name}_shrunk", shrunk)
        if index == 0:
            before = None if past is None else (past.hybrids, past.determined, past.hybrid_weight)
            seed_chance = _chance(shrunk, season.weighted[:, 0], season.counted, before)

    said = _success_columns(columns, season, success, options)
    before = None if past is None else (past.successes, past.flowers, past.success_weight)
    flower_chance = _chance(*said, before)
    names = text(season.crosses, "cross_id")
    missing = np.array([(untyped or {}).get(name, "") for name in names], dtype=object)
    state = _states(names, missing, verifiable or {})
    columns["verifiable"] = np.array([str(s) for s in state], dtype=object)
    provable = np.array([s is not Provable.NO for s in state], dtype=bool)
    columns |= _next_step_columns(season, seed_chance, flower_chance, provable, missing, options)
    derived = pd.DataFrame(columns, index=record.index)
    return pd.concat([record[[c for c in record if c not in derived]], derived], axis=1)


def _success_columns(
    columns: dict[str, object], season: Tally, success: Success, options: RateOptions
) -> tuple[Estimates, Floats, Floats]:
    """Add true success to the columns; returns it drawn to the season, flowers that succeed, and flowers."""
    flowers = np.where(np.isfinite(success.true.flowers), season.flowers, 0.0)
    columns["pods_tested"] = season.pods_tested.astype("int64")
    columns["pods_with_hybrid"] = season.pods_with_hybrid
    columns["hybrids_per_flower"] = rate(success.hybrid_seeds, season.flowers)
    columns |= _exact("true_success", success.true.flowers, flowers, options)
    columns["true_success_bound_low"] = rate(success.true.low, flowers)
    columns["true_success_bound_high"] = rate(success.true.high, flowers)
    shrunk = _shrunk(success.true.flowers, flowers, options)
    columns |= _limits("true_success_shrunk", shrunk)
    selfing = tag_selfing(season, success)
    columns[SELFED_SEED], columns[SELFED_FLOWERS] = selfing.seed, selfing.pods
    columns["true_success_basis"] = np.array([str(b) for b in success.true.basis], dtype=object)
    return shrunk, success.true.flowers, flowers


def _exact(name: str, count: Floats, total: Floats, options: RateOptions) -> dict[str, object]:
    low, high = proportion_interval(count, total, level=options.level)
    return {name: rate(count, total), f"{name}_low": low, f"{name}_high": high}


def _limits(name: str, estimates: Estimates) -> dict[str, object]:
    return {name: estimates.mean, f"{name}_low": estimates.low, f"{name}_high": estimates.high}


def _shrunk(count: Floats, total: Floats, options: RateOptions) -> Estimates:
    return shrink_clusters(count, total, hyper_posterior(count, total), level=options.level)


def _chance(
    shrunk: Estimates, count: Floats, total: Floats, before: tuple[Floats, Floats, Floats] | None
) -> tuple[Floats, Floats]:
    """Beta distribution of each tag's chance, tags of earlier seasons among those it is drawn towards."""
    if before is not None:
        hyper = hyper_posterior(
            np.concatenate([count, before[0]]), np.concatenate([total, before[1]]),
            weight=np.concatenate([np.ones(len(count)), before[2]]),
        )  # fmt: skip
        shrunk = shrink_clusters(count, total, hyper)
    return _as_beta(shrunk, count, total)


def _as_beta(shrunk: Estimates, count: Floats, total: Floats) -> tuple[Floats, Floats]:
    """The beta distribution with each posterior's mean and variance, as the predictive formulas need."""
    mean = np.clip(shrunk.mean, 1e-6, 1 - 1e-6)
    assert shrunk.variance is not None
    size = np.maximum(mean * (1 - mean) / np.maximum(shrunk.variance, 1e-12) - 1.0, 0.05)
    return mean * size, (1 - mean) * size


def _states(names: Objects, missing: Objects, known: Mapping[str, Provable]) -> list[Provable]:
    """Whether each cross can be proven; nobody can say it of a cross one of whose parents has no calls."""
    return [
        Provable.UNTYPED if lacks else known.get(name, Provable.UNKNOWN)
        for name, lacks in zip(names, missing, strict=True)
    ]


def _targets(season: Tally, options: RateOptions) -> Floats:
    values = number(season.crosses, "target_hybrids")
    return np.where(np.isnan(values), float(options.target_hybrids), np.maximum(values, 0.0))


def _next_step_columns(
    season: Tally,
    seed_chance: tuple[Floats, Floats],
    flower_chance: tuple[Floats, Floats],
    provable: Bools,
    untyped: Objects,
    options: RateOptions,
) -> dict[str, object]:
    """What each cross needs. Seeds and flowers are asked for only where they are the next step."""
    target = np.round(_targets(season, options)).astype("int64")
    found = season.verdicts[:, 0].astype("int64")
    wanted = np.maximum(target - found, 0.0)
    stored = np.maximum(np.nan_to_num(season.seeds) - season.tested, 0.0)
    stored = np.where(season.pods == 0, 0.0, np.round(stored)).astype("int64")
    needed = plan(
        wanted, stored, seed_chance, flower_chance, yields=season.yields,
        probability=options.success_probability,
    )  # fmt: skip
    batch = next_batch(wanted, stored, *seed_chance)
    facts = CrossFacts(
        target=target,
        found=found,
        held=season.held.astype("int64"),
        retest=season.retest.astype("int64"),
        parent_untyped=season.parent_untyped.astype("int64"),
        untyped=untyped,
        open_parents=season.parents_to_type,
        provable=provable,
        seeds=needed.seeds,
        stored=stored,
        flowers=needed.flowers,
    )
    step = next_steps(facts)
    test, repeat = step == NextStep.TEST_SEED, step == NextStep.REPEAT
    seeds = np.where(test, needed.seeds, 0)
    flowers = np.where(repeat, needed.flowers, 0)
    new_seeds = np.ceil(np.maximum(flowers, 0) * _seeds_per_flower(season))
    tests = seeds + new_seeds.astype(np.int64)
    return {
        "target": target,
        "hybrids_found": found,
        "seeds_left": stored,
        "p_target": needed.p_target,
        "seeds_next": np.where(test, batch.seeds, 0),
        "expected_tests": np.where(test, batch.expected_tests, 0.0),
        "seeds_to_test": seeds,
        "flowers_to_repeat": pd.array(pd.Series(flowers, dtype="Int64").mask(flowers < 0)),
        "tests_needed": tests,
        "test_cost": tests * options.test_cost,
        "next_step": np.array([str(s) for s in step], dtype=object),
        "next_step_detail": np.array([step_detail(facts, i, s) for i, s in enumerate(step)], dtype=object),
    }


def _seeds_per_flower(season: Tally) -> float:
    """Seeds harvested per flower pollinated, over the tags that recorded both; 1 where none did."""
    known = np.isfinite(season.seeds) & (season.flowers > 0)
    total = float(season.flowers[known].sum())
    return float(season.seeds[known].sum()) / total if total > 0 else 1.0


def rates_by_table(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions, season: Tally | None = None
) -> pd.DataFrame:
    """Rates of every group of tags, long: `factor` (mother, hour, week, ..) and `level`, then the rates.

    Factors: season, operator, mother, father, hour, temperature class, week, each column named in
    `rates_by`; and pod, where plants carry one (exact limits: a pod is a single cluster).
    """
    season = season or tally(crosses, verdicts)
    parts = []
    for factor in groupings(season, options):
        frame = _rates_of(factor, season, options)
        frame.insert(0, "factor", factor.name)
        frame.insert(1, "level", list(factor.levels))
        frame["too_few"] = too_few(frame, options)
        parts.append(frame)
    if season.pods_recorded:
        parts.append(_pods(season, options))
    return pd.concat(parts, ignore_index=True)


def _rates_of(factor: Grouping, season: Tally, options: RateOptions) -> pd.DataFrame:
    if factor.name == OPERATOR:
        return operator_rates(season, options)
    return group_rates(season, tag_success(season), factor.group, len(factor.levels), options)


def _pods(season: Tally, options: RateOptions) -> pd.DataFrame:
    """Rates of each pod that plants carry."""
    named = season.cluster_pod != ""
    names = text(season.crosses, "cross_id")[season.cluster_tag[named]]
    n = season.cluster_n[named]
    columns: dict[str, object] = {
        "factor": "pod",
        "level": [f"{c} {p}" for c, p in zip(names, season.cluster_pod[named], strict=True)],
        "tags": 1,
        "determined": n.astype("int64"),
        COUNTED: n.astype("int64"),
    }
    for index, name in enumerate(map(str, CLASSES)):
        columns[name] = season.cluster_verdicts[named, index].astype("int64")
    for index, name in enumerate(RATE_NAMES):
        columns |= _exact(name, season.cluster_weighted[named, index], n, options)
    columns["too_few"] = True
    return pd.DataFrame(columns)


def next_steps_table(table: pd.DataFrame) -> pd.DataFrame:
    """The work that `crosses_table` leads to: crosses below target, those nearest to it first.

    Parameters: the frame `crosses_table` gave.
    """
    open_steps = table["next_step"] != NextStep.DONE
    columns = [
        "cross_id", "mother", "father", "target", "hybrids_found", "next_step", "next_step_detail",
        "seeds_left", "seeds_next", "seeds_to_test", "p_target", "expected_tests", "flowers_to_repeat",
        "tests_needed", "test_cost",
    ]  # fmt: skip
    work = table.loc[open_steps, [c for c in columns if c in table]]
    return work.sort_values(["p_target", "cross_id"], ascending=[False, True], kind="stable").reset_index(
        drop=True
    )


def season_summary(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions
) -> dict[str, float | int | str]:
    """The season in figures: counts, rates with limits, what is still to do and what it costs."""
    season = tally(crosses, verdicts)
    frame = group_rates(season, tag_success(season), np.zeros(season.tags, dtype=np.int64), 1, options)
    out: dict[str, float | int | str] = {}
    for name in frame:
        value = frame[name].iloc[0]
        if value is pd.NA or value != value:
            out[str(name)] = float("nan")
        else:
            out[str(name)] = int(value) if isinstance(value, int | np.integer) else float(value)
    table = crosses_table(crosses, verdicts, options)
    below = table["next_step"] != NextStep.DONE
    hybrids, plants = season.weighted[:, 0], season.counted
    out["correlation_in_cluster"] = moment_rho(
        hybrids[plants > 0], plants[plants > 0], np.zeros(int((plants > 0).sum()), dtype=np.int64)
    )
    out["cluster"] = "tag"
    out["plants_without_cross"] = season.lost
    out["plants_held"] = int(season.held.sum())
    out["crosses_at_target"] = int(
        ((table["target"] > 0) & (table["hybrids_found"] >= table["target"])).sum()
    )
    out["crosses_below_target"] = int((table["hybrids_found"] < table["target"]).sum())
    out["crosses_open"] = int(below.sum())
    for name in ("seeds_to_test", "flowers_to_repeat", "tests_needed", "test_cost"):
        out[name] = (
            float(table.loc[below, name].sum()) if name == "test_cost" else int(table.loc[below, name].sum())
        )
    out["currency"] = options.currency
    return out
