"""Tables in which people are named: rates per person, learning over the season, control chart by week.

CAUTION stands wherever these are shown.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.rates.estimators.clusters import group_sum, moment_rho
from crossproof.rates.estimators.confounding import Factor
from crossproof.rates.estimators.group_means import effective_size, group_means
from crossproof.rates.estimators.intervals import rate
from crossproof.rates.people.fair_test import fair_test
from crossproof.rates.people.learning import experience, learning_slope
from crossproof.rates.people.operators import false_discovery, funnel, p_chart
from crossproof.rates.people.standardise import alone_share, expected_rate
from crossproof.rates.people.standing import Judgement, Position
from crossproof.rates.tables.factors import week_number
from crossproof.rates.tables.grouping import Grouping, grouping
from crossproof.rates.tables.groups import operator_rates, too_few
from crossproof.rates.tables.tally import RateOptions, Tally, number, tally, text
from crossproof.text import percent

SHARE_ALONE = 0.5
"""Share of a person's plants under conditions that nobody else met, at or above which it is said."""
LEAST_RETAINED = 0.25
"""Least share of a person's comparison that mother, hour and week must leave for a point to be drawn."""
_SEED = 20_310_601
"""Of the simulated null distribution, so that the same season always gives the same p."""


def operators_table(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions, season: Tally | None = None
) -> pd.DataFrame:
    """One row per person: rates with limits and bounds, raw and shrunk, beside what was to be expected.

    Beyond the rates: `counted_self`, selfs among the counted plants; `expected_given_conditions` selfs of
    an average person with the same mothers, hours and weeks; `observed_to_expected` with limits;
    `funnel_n` independent plants, `funnel_*` limits of the selfing rate for that many about
    `funnel_centre`, the rate expected under the person's conditions, `funnel` position, `funnel_rate` the
    rate as it would be under everyone's conditions, `phi`; `p`, `q` of observed against expected;
    `judgement`, `note`.
    """
    season = season or tally(crosses, verdicts)
    people = grouping(season, "operator", options)
    count = len(people.levels)
    frame = operator_rates(season, options)
    frame.insert(0, "operator", list(people.levels))
    few = too_few(frame, options)

    selfs, plants = _self_counts(season)
    standard = expected_rate(
        selfs,
        plants,
        _conditions(season, options),
        least_plants=options.min_group_plants,
        least_tags=options.min_group_tags,
    )
    named = people.group >= 0
    observed = group_sum(people.group[named], selfs[named], count)
    expected = group_sum(people.group[named], np.nan_to_num(plants * standard.rate)[named], count)
    n = group_sum(people.group[named], plants[named], count)
    compared = int((n > 0).sum()) > 1
    test = fair_test(selfs, plants, standard.design, people.group, count, rng=np.random.default_rng(_SEED))
    alone = _shares_alone(season, people, plants, options)
    apart = compared & _cannot_be_told_apart(test.retained, alone)
    p = np.where(few | apart | (not compared), np.nan, test.p)
    q = false_discovery(p)

    frame["counted_self"] = observed.round().astype("int64")
    frame["expected_given_conditions"] = np.where(n > 0, expected, np.nan)
    ratio = rate(observed, expected)
    frame["observed_to_expected"] = ratio
    scale = rate(n, expected)
    for side in ("low", "high"):
        frame[f"observed_to_expected_{side}"] = frame[f"selfing_rate_{side}"] * scale
    worth = effective_size(plants[named], people.group[named], count, test.rho)
    centre = rate(expected, n)
    certain = np.nan_to_num(test.variance) > 1e-9
    foreseen = np.divide(centre * (1 - centre) * n**2, test.variance, out=worth.copy(), where=certain)
    worth = np.where(compared & ~apart & np.isfinite(foreseen), foreseen, worth)
    place = funnel(observed, n, effective=worth, expected=centre)
    position = np.where(apart, Position.APART, place.position)
    frame["funnel_n"] = worth
    frame["funnel_centre"] = np.where(n > 0, place.centre, np.nan)
    for name, values in (
        ("low_95", place.low_95), ("high_95", place.high_95), ("low_998", place.low_998),
        ("high_998", place.high_998),
    ):  # fmt: skip
        frame[f"funnel_{name}"] = np.where(apart, np.nan, values)
    frame["funnel"] = [str(x) for x in position]
    frame["funnel_rate"] = np.where(apart, np.nan, ratio * place.theta)
    frame["funnel_pooled"] = place.theta
    frame["told_apart"] = np.where(n > 0, test.retained, np.nan)
    frame["phi"], frame["phi_used"] = place.phi, place.used
    frame["p"], frame["q"] = p, q
    judgement = np.where(few, str(Judgement.TOO_FEW), str(Judgement.AS_EXPECTED)).astype(object)
    alarm = ~few & (np.nan_to_num(q, nan=1.0) < 0.05)
    judgement[alarm & (ratio > 1)] = str(Judgement.MORE)
    judgement[alarm & (ratio < 1)] = str(Judgement.FEWER)
    if not compared:
        judgement[~few] = str(Judgement.ALONE)
    judgement[apart & ~few] = str(Judgement.APART)
    frame["judgement"] = judgement
    frame["allowed_for"] = ", ".join(standard.allowed)
    frame["note"] = _notes(alone, test.retained, apart)
    return frame


def _self_counts(season: Tally) -> tuple[Floats, Floats]:
    """Selfs and counted plants of every tag, whole numbers."""
    selfs = group_sum(season.cluster_tag, season.cluster_verdicts[:, 1], season.tags)
    return selfs, group_sum(season.cluster_tag, season.cluster_n, season.tags)


def _conditions(season: Tally, options: RateOptions) -> list[Factor]:
    mother, week = grouping(season, "mother", options), grouping(season, "week", options)
    return [
        Factor("hour", values=number(season.crosses, "hour")),
        Factor("mother", group=mother.group, levels=mother.levels),
        Factor("week", group=week.group, levels=week.levels),
    ]


def _shares_alone(season: Tally, people: Grouping, plants: Floats, options: RateOptions) -> dict[str, Floats]:
    """By mother, hour and week, share of each person's plants where hardly anyone else crossed."""
    shares = {}
    for name in ("mother", "hour", "week"):
        of = grouping(season, name, options)
        if len(of.levels) < 2 or len(people.levels) < 2:
            continue
        factor = Factor(name, group=of.group, levels=of.levels)
        shares[name] = np.nan_to_num(alone_share(people.group, plants, factor, len(people.levels)))
    return shares


def _cannot_be_told_apart(retained: Floats, alone: dict[str, Floats]) -> Bools:
    """People of whom too little is left once conditions are allowed for, or whose mothers are theirs only."""
    out = np.nan_to_num(retained, nan=1.0) < LEAST_RETAINED
    return np.asarray(out | (alone.get("mother", np.zeros(len(out))) >= SHARE_ALONE))


def _notes(alone: dict[str, Floats], retained: Floats, apart: Bools) -> list[str]:
    """Per person, what cannot be told apart from the person."""
    notes: list[list[str]] = [[] for _ in apart]
    for name, share in alone.items():
        article = "an" if name.startswith("hour") else "a"
        for person in np.flatnonzero(share >= SHARE_ALONE):
            notes[person].append(
                f"{percent(share[person])} of the plants at {article} {name} where hardly anyone else "
                f"crossed: person and {name} cannot be told apart"
            )
    for person in np.flatnonzero(apart):
        if not notes[person]:
            notes[person].append(
                f"mother, hour and week leave {percent(retained[person])} of the comparison: this person's "
                "share cannot be told apart from theirs"
            )
    return ["; ".join(n) for n in notes]


def learning_table(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions, season: Tally | None = None
) -> pd.DataFrame:
    """One row per person and week, in order of time, with the person's trend over the season.

    `selfing_rate` of the week with limits and over all weeks so far; `flowers_before`: pollinated by the
    person before that week. `trend`: odds ratio of self against hybrid for each doubling of the flowers a
    person has pollinated, below 1 when selfs become rarer, with limits, p and q; the same on all rows of a
    person; NaN with a `note` where there is too little to say. Learning and the season's own course (heat,
    flowers) cannot be told apart for one person.
    """
    season = season or tally(crosses, verdicts)
    people, weeks = grouping(season, "operator", options), grouping(season, "week", options)
    both = (people.group >= 0) & (weeks.group >= 0)
    empty = pd.DataFrame({c: pd.Series(dtype=t) for c, t in _LEARNING.items()})
    if not both.any():
        return empty
    count = len(weeks.levels)
    key = np.where(both, people.group * count + weeks.group, -1)
    cells, cell = np.unique(key[both], return_inverse=True)
    cell_of = np.full(season.tags, -1, dtype=np.int64)
    cell_of[both] = np.ravel(cell)
    cluster_cell = cell_of[season.cluster_tag]
    used = cluster_cell >= 0
    means = group_means(
        season.cluster_weighted[used, 1], season.cluster_n[used], cluster_cell[used], len(cells),
        level=options.level,
    )  # fmt: skip
    selfs, plants = _self_counts(season)
    flowers = np.nan_to_num(season.flowers)
    before = experience(people.group, _moment(season), flowers)
    person, week = cells // count, cells % count
    n = group_sum(cell_of[both], plants[both], len(cells))
    y = group_sum(cell_of[both], selfs[both], len(cells))
    weighted = group_sum(cell_of[both], season.weighted[both, 1], len(cells))
    done = group_sum(cell_of[both], flowers[both], len(cells))
    frame = pd.DataFrame(
        {
            "operator": [people.levels[k] for k in person],
            "week": [weeks.levels[k] for k in week],
            "tags": group_sum(cell_of[both], np.ones(int(both.sum())), len(cells)).astype("int64"),
            "flowers": done.astype("int64"),
            "determined": n.astype("int64"),
            "self": y.astype("int64"),
            "selfing_rate": rate(weighted, n),
            "selfing_rate_low": means.raw.low,
            "selfing_rate_high": means.raw.high,
        }
    )
    grouped = frame.groupby("operator", sort=False)
    frame["flowers_before"] = grouped["flowers"].cumsum() - frame["flowers"]
    frame["selfing_rate_so_far"] = rate(grouped["self"].cumsum(), grouped["determined"].cumsum())
    hybrids = group_sum(season.cluster_tag, season.cluster_verdicts[:, 0], season.tags)
    trends = [
        learning_slope(
            selfs[people.group == k], hybrids[people.group == k], before[people.group == k],
            level=options.level, least_tags=options.min_group_tags,
        )
        for k in range(len(people.levels))
    ]  # fmt: skip
    q = false_discovery([t.p for t in trends])
    for name, values in (
        ("trend", [t.odds_ratio for t in trends]),
        ("trend_low", [t.low for t in trends]),
        ("trend_high", [t.high for t in trends]),
        ("p", [t.p for t in trends]),
        ("q", list(q)),
        ("note", [t.note for t in trends]),
    ):
        frame[name] = [values[k] for k in person]
    return frame[list(_LEARNING)]


_LEARNING = {
    "operator": "object", "week": "object", "tags": "int64", "flowers": "int64", "flowers_before": "int64",
    "determined": "int64", "self": "int64", "selfing_rate": "float64", "selfing_rate_low": "float64",
    "selfing_rate_high": "float64", "selfing_rate_so_far": "float64", "trend": "float64",
    "trend_low": "float64", "trend_high": "float64", "p": "float64", "q": "float64", "note": "object",
}  # fmt: skip


def _moment(season: Tally) -> Ints:
    """Order of the tags in time: date, time, then the order of the records."""
    frame = season.crosses
    order = np.lexsort(
        (np.arange(season.tags), text(frame, "time").astype(str), text(frame, "date").astype(str))
    )
    out = np.empty(season.tags, dtype=np.int64)
    out[order] = np.arange(season.tags)
    return out


def control_chart_table(
    crosses: pd.DataFrame, verdicts: pd.DataFrame, options: RateOptions, season: Tally | None = None
) -> pd.DataFrame:
    """One row per week: selfing rate and the three-standard-deviation limits it should stay in.

    `effective`: independent plants the week's plants are worth; the limits are for that many. `out`: outside.
    `centre_without_out`, `low_without_out`, `high_without_out`: the same without the weeks that are out, for
    when their cause is known.
    """
    season = season or tally(crosses, verdicts)
    weeks = grouping(season, "week", options)
    count = len(weeks.levels)
    selfs, plants = _self_counts(season)
    known = weeks.group >= 0
    rows = known & (plants > 0)
    rho = moment_rho(selfs[rows], plants[rows], weeks.group[rows])
    n = group_sum(weeks.group[known], plants[known], count)
    y = group_sum(weeks.group[known], selfs[known], count)
    worth = effective_size(plants[known], weeks.group[known], count, rho)
    chart = p_chart(y, n, effective=worth)
    calm = p_chart(y, n, effective=worth, used=~chart.out)
    return pd.DataFrame(
        {
            "week": list(weeks.levels),
            "week_number": week_number(np.array(weeks.levels, dtype=object)) if count else np.zeros(0),
            "tags": group_sum(weeks.group[known], np.ones(int(known.sum())), count).astype("int64"),
            "determined": n.astype("int64"),
            "self": y.astype("int64"),
            "effective": worth,
            "selfing_rate": rate(y, n),
            "centre": chart.centre,
            "low": chart.low,
            "high": chart.high,
            "out": chart.out,
            "centre_without_out": calm.centre,
            "low_without_out": calm.low,
            "high_without_out": calm.high,
        }
    )
