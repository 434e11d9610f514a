"""People: the caution first, then everyone against the limits of chance, learning, and the weeks."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.rates.people.operators import funnel_limit
from crossproof.rates.people.standing import Position
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Chart,
    ChartForm,
    ChartSpec,
    Notice,
    Prose,
    Row,
    Section,
    Table,
    Tone,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, flags, numbers, texts
from crossproof.report.facts.people import PeopleFacts, PersonFact, people_facts
from crossproof.text import agreeing

MOST_PANELS = 12
CAUTION = Notice(
    Tone.CARE,
    "Numbers about crosses, not about people",
    "Samples are small, crosses are unequal, and hours and mother lines were not assigned at random. A point "
    "outside a limit is a reason to look at hours, flowers and tools together with that person; it is "
    "never a judgement, a ranking or a ground for a decision about anyone's work. Ask before you share "
    "this section.",
)


def section(inputs: ReportInputs) -> Section:
    """Rates by person with the limits of chance."""
    frame = inputs.operators
    blocks: list[Block] = [CAUTION]
    if len(frame):
        blocks.append(Prose(_findings(people_facts(frame))))
    charts = [c for c in (funnel_chart(inputs), control_chart(inputs)) if c]
    if charts:
        blocks.append(Row(tuple(charts)))
    learning = learning_chart(inputs)
    if learning:
        blocks.append(learning)
    if len(frame):
        blocks.append(_people_table(inputs))
    else:
        blocks.append(Prose("No operator is recorded on any tag."))
    return Section("people", "People, with care", "People", _lead(inputs), tuple(blocks))


def _lead(inputs: ReportInputs) -> str:
    """Who is meant, without a figure: the caution stands before any number about a person."""
    if not len(inputs.operators):
        return "Tags carry no operator, so nothing is said about anyone."
    made = fmt.noun(len(inputs.operators), "person", "people")
    return f"{made} made the crosses. Read the caution before the numbers."


def _findings(facts: PeopleFacts) -> str:
    out, differing, by_chance = facts.outside, facts.differing, facts.by_chance
    if facts.few == len(facts.rows):
        return (
            "There are too few plants or tags to compare "
            f"{agreeing(facts.few, 'this person with what chance alone does', 'people')}." + _left_out(facts)
        )
    text = (
        f"{fmt.noun(len(out), 'person lies', 'people lie')} outside the limits of chance."
        if out
        else "Nobody lies outside the limits of chance. That does not show that people are alike: with so "
        "few plants even large differences can stay inside."
    )
    if by_chance:
        text += (
            f" {_names(by_chance)} may lie there by chance: when all people are compared at once, "
            f"{agreeing(len(by_chance), 'the rate is', 'the rates are')} as expected."
        )
    if differing:
        given = f"Allowing for {facts.allowed_for}, " if facts.allowed_for else ""
        verb = agreeing(len(differing), "differs", "differ")
        said = f"{given}{_names(differing)} {verb} from what was expected."
        text += f" {said[:1].upper()}{said[1:]}"
    if facts.apart:
        text += (
            f" {fmt.noun(facts.apart, 'person', 'people')} cannot be told apart from the mother lines they "
            "crossed."
        )
    if facts.few:
        who = fmt.noun(facts.few, "person", "people")
        text += f" For {who} there are too few plants or tags to say anything."
    return text + _left_out(facts)


def _left_out(facts: PeopleFacts) -> str:
    if not facts.left_out:
        return ""
    n = facts.left_out
    return (
        f" {fmt.noun(n, 'plant')} with a verdict {agreeing(n, 'is', 'are')} not counted here: others of "
        f"{agreeing(n, 'its tag', 'their tags')} wait for a parent or for an answer about the tag, and those "
        "that wait are the crossed ones."
    )


def _names(people: tuple[PersonFact, ...]) -> str:
    return ", ".join(p.name for p in people)


def funnel_chart(inputs: ReportInputs) -> Chart | None:
    """Selfing rate by person against exact binomial limits."""
    frame = inputs.operators
    worth = numbers(frame, "funnel_n")
    drawn = pd.DataFrame(
        {
            "operator": texts(frame, "operator"),
            "rate": numbers(frame, "funnel_rate"),
            "determined": np.where(np.isfinite(worth), worth, numbers(frame, "counted")),
        }
    )
    apart = [o for o, f in zip(drawn["operator"], texts(frame, "funnel"), strict=True) if f == Position.APART]
    good = np.isfinite(drawn["rate"]) & (drawn["determined"] > 0)
    drawn = drawn[good]
    if drawn.empty:
        return None
    limits = _limits(frame, drawn)
    facts = people_facts(frame)
    out = facts.outside
    sentence = (
        (f"Outside the limits: {_names(out)}." if out else _inside(facts))
        + " Were all crosses alike, the solid curves would hold 95\u00a0% of people and the dashed ones "
        "99.8\u00a0%. "
    )
    sentence += (
        "Rates are adjusted to the mothers, hours and weeks of everyone together. "
        "Plants of one tag share their fate, so each counts for less than one plant here."
    )
    if apart:
        names = ", ".join(apart)
        sentence += f" Not drawn, as they cannot be told apart from the mother lines they crossed: {names}."
    rows = [(r.operator, fmt.decimal(r.determined, 1), fmt.share(r.rate)) for r in drawn.itertuples()]
    table = table_of(
        "funnel-table",
        "Selfing by person",
        [("person", "name"), ("independent plants", "number"), ("selfed", "number")],
        rows,
    )
    spec = ChartSpec(
        ChartForm.FUNNEL, drawn, {"limits": limits, "title": "selfs among plants with a verdict"}
    )
    return Chart("funnel", "Selfs by person, against chance", sentence, spec, table)


def _inside(facts: PeopleFacts) -> str:
    """That nobody lies outside the limits, and for how many that says nothing."""
    if not facts.few:
        return "Everyone lies inside the limits."
    if facts.few == len(facts.rows):
        return "With so few plants or tags lying between the limits says nothing."
    return f"Nobody with enough plants and tags lies outside the limits; {fmt.count(facts.few)} had too few."


def _limits(frame: pd.DataFrame, drawn: pd.DataFrame) -> pd.DataFrame:
    """Curves of the exact limits about the pooled rate, widened as those of operators.csv are."""
    top = float(drawn["determined"].max()) * 1.12 + 4
    n = np.unique(np.concatenate([np.arange(2, min(top, 40)), np.linspace(2, top, 80)]))
    centre, spread = numbers(frame, "funnel_pooled"), numbers(frame, "phi_used")
    pooled = (drawn["rate"] * drawn["determined"]).sum() / drawn["determined"].sum()
    theta = float(centre[np.isfinite(centre)][0]) if np.isfinite(centre).any() else float(pooled)
    widening = float(np.sqrt(spread[np.isfinite(spread)][0])) if np.isfinite(spread).any() else 1.0
    out = pd.DataFrame({"determined": n, "centre": theta})
    for name, tail in (("95", 0.025), ("998", 0.001)):
        for end, quantile in (("low", tail), ("high", 1 - tail)):
            limit = theta + (funnel_limit(theta, n, quantile) - theta) * widening
            out[f"{end}{name}"] = np.clip(limit, 0.0, 1.0)
    return out


def learning_chart(inputs: ReportInputs) -> Chart | None:
    """Selfing rate of each person as their flowers go by."""
    frame = inputs.learning
    drawn = pd.DataFrame(
        {
            "operator": texts(frame, "operator"),
            "week": texts(frame, "week"),
            "order": numbers(frame, "flowers_before") + numbers(frame, "flowers"),
            "rate": numbers(frame, "selfing_rate"),
            "low": numbers(frame, "selfing_rate_low"),
            "high": numbers(frame, "selfing_rate_high"),
            "so_far": numbers(frame, "selfing_rate_so_far"),
            "plants": numbers(frame, "determined"),
            "trend_low": numbers(frame, "trend_low"),
            "trend_high": numbers(frame, "trend_high"),
        }
    )
    drawn = drawn[np.isfinite(drawn["rate"]) & np.isfinite(drawn["order"])]
    if drawn.empty:
        return None
    people = list(drawn["operator"].value_counts(sort=True).index)[:MOST_PANELS]
    first = drawn[drawn["operator"].isin(people)].sort_values(["operator", "order"], kind="stable")
    each = drawn.drop_duplicates("operator")
    fewer = list(each.loc[each["trend_high"] < 1, "operator"])
    more = list(each.loc[each["trend_low"] > 1, "operator"])
    sentence = "Dots are weeks with their 95\u00a0% interval, the line is the rate over all weeks so far."
    if fewer:
        sentence += f" Selfs became rarer with practice for {', '.join(fewer)}."
    if more:
        sentence += f" They became more frequent for {', '.join(more)}; heat and late flowers do that too."
    if not (fewer or more):
        sentence += " Nobody's selfs became clearly rarer or more frequent with practice."
    rows = [
        (
            r.operator,
            r.week,
            fmt.count(r.order),
            fmt.count(r.plants),
            fmt.share(r.rate),
            fmt.interval(r.low, r.high),
            fmt.share(r.so_far),
        )
        for r in first.itertuples()
    ]
    table = table_of(
        "learning-table",
        "Selfing by person and week",
        [
            ("person", "name"),
            ("week", "name"),
            ("flowers so far", "number"),
            ("plants", "number"),
            ("selfed", "number"),
            ("95\u00a0% interval", "number"),
            ("so far", "number"),
        ],
        rows,
        rest="All are in learning.csv.",
    )
    return Chart(
        "learning",
        "Learning over the season",
        sentence,
        ChartSpec(ChartForm.LEARNING, first),
        table,
        wide=True,
    )


def control_chart(inputs: ReportInputs) -> Chart | None:
    """Selfing by week against its control limits."""
    frame = inputs.control_chart
    drawn = pd.DataFrame(
        {
            "week": texts(frame, "week"),
            "rate": numbers(frame, "selfing_rate"),
            "tested": numbers(frame, "determined"),
            **{c: numbers(frame, c) for c in ("centre", "low", "high")},
        }
    )
    drawn["outside"] = flags(frame, "out")
    drawn = drawn[np.isfinite(drawn["rate"])]
    if len(drawn) < 2:
        return None
    weeks = list(drawn.loc[drawn["outside"], "week"])
    sentence = (
        f"Look into {', '.join(weeks)}: selfing was outside the limits."
        if weeks
        else "Every week stays inside the limits that the season's own scatter sets."
    )
    rows = [
        (
            r.week,
            fmt.count(r.tested),
            fmt.share(r.rate),
            fmt.interval(r.low, r.high),
            "outside" if r.outside else "inside",
        )
        for r in drawn.itertuples()
    ]
    table = table_of(
        "control-table",
        "Selfing by week",
        [
            ("week", "name"),
            ("plants", "number"),
            ("selfed", "number"),
            ("limits", "number"),
            ("place", "text"),
        ],
        rows,
    )
    return Chart(
        "control",
        "Selfs week by week",
        sentence,
        ChartSpec(ChartForm.CONTROL, drawn, {"title": "selfs among plants with a verdict"}),
        table,
    )


def _people_table(inputs: ReportInputs) -> Table:
    frame = inputs.operators
    t = {c: texts(frame, c) for c in ("operator", "judgement", "note")}
    x = {
        c: numbers(frame, c)
        for c in (
            "tags",
            "counted",
            "counted_self",
            "expected_given_conditions",
            "selfing_rate",
            "selfing_rate_low",
            "selfing_rate_high",
            "selfing_rate_shrunk",
            "hybrid_rate",
            "true_success",
        )
    }
    rows = [
        (
            t["operator"][i],
            fmt.count(x["tags"][i]),
            fmt.count(x["counted"][i]),
            fmt.share(x["hybrid_rate"][i]),
            fmt.share(x["true_success"][i]),
            fmt.share(x["selfing_rate"][i]),
            fmt.interval(x["selfing_rate_low"][i], x["selfing_rate_high"][i]),
            fmt.share(x["selfing_rate_shrunk"][i]),
            fmt.count(x["counted_self"][i]),
            fmt.decimal(x["expected_given_conditions"][i], 1),
            "; ".join(w for w in (t["judgement"][i], t["note"][i]) if w),
        )
        for i in range(len(frame))
    ]
    return table_of(
        "people-table",
        "By person, in the order of operators.csv; expected allows for mother, hour and week",
        [
            ("person", "name"),
            ("tags", "number"),
            ("plants counted", "number"),
            ("hybrids", "number"),
            ("true success", "number"),
            ("selfs", "number"),
            ("95\u00a0% interval", "number"),
            ("drawn to the mean", "number"),
            ("selfs seen", "number"),
            ("expected", "number"),
            ("remark", "text"),
        ],
        rows,
        rest="All are in operators.csv.",
    )
