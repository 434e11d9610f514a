"""People: the caution first, then everyone against the limits of chance, learning, and the weeks."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.report import numbers as fmt
from crossproof.report.blocks import Block, Chart, ChartSpec, Notice, Prose, Row, Section, Table, Tone, table_of
from crossproof.report.inputs import ReportInputs, numbers, texts

MOST_PANELS = 12
CAUTION = Notice(
    Tone.CARE,
    "Numbers about crosses, not about people",
    "Samples are small, crosses are unequal, and nobody was dealt hours and mothers at random. A point outside a limit "
    "is a reason to look at hours, flowers and tools together with that person; it is never a judgement, a ranking or "
    "a ground for a decision about anyone's work. Ask before you share this section.",
)


def section(inputs: ReportInputs) -> Section:
    """Rates by person with the limits of chance."""
    frame = inputs.operators
    blocks: list[Block] = [CAUTION]
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


def _outside(frame: pd.DataFrame) -> list[str]:
    return [o for o, f in zip(texts(frame, "operator"), texts(frame, "funnel"), strict=True)
            if f.startswith(("above", "below", "outside"))]


def _lead(inputs: ReportInputs) -> str:
    frame = inputs.operators
    if not len(frame):
        return "Tags carry no operator, so nothing is said about anyone."
    few = sum("too little" in f for f in texts(frame, "funnel"))
    out = _outside(frame)
    text = f"{fmt.noun(len(frame), 'person', 'people')} made the crosses."
    text += (
        f" {fmt.noun(len(out), 'person lies', 'people lie')} outside the limits of chance." if out
        else " Nobody lies outside what chance alone produces."
    )
    return text + (f" For {few} there is too little to say anything." if few else "")


def funnel_chart(inputs: ReportInputs) -> Chart | None:
    """Selfing rate by person against exact binomial limits."""
    frame = inputs.operators
    drawn = pd.DataFrame({"operator": texts(frame, "operator"), "determined": numbers(frame, "determined"),
                          "rate": numbers(frame, "self_rate")})
    good = np.isfinite(drawn["rate"]) & (drawn["determined"] > 0)
    drawn = drawn[good]
    if drawn.empty:
        return None
    limits = inputs.funnel if len(inputs.funnel) else _exact_limits(drawn)
    out = _outside(frame)
    sentence = (
        f"Outside the limits: {', '.join(out)}." if out
        else "Everyone lies inside the limits: the differences are no larger than chance makes them."
    ) + " Solid curves hold 95\u00a0% of people who all work alike, dashed curves 99.8\u00a0%."
    rows = [(o, fmt.count(d), fmt.share(r)) for o, d, r in drawn.itertuples(index=False)]
    table = table_of("funnel-table", "Selfing by person", [("person", "name"), ("plants with a verdict", "number"),
                     ("selfed", "number")], rows)
    spec = ChartSpec("funnel", drawn, {"limits": limits, "title": "selfs among plants with a verdict"})
    return Chart("funnel", "Selfs by person, against chance", sentence, spec, table)


def _exact_limits(drawn: pd.DataFrame) -> pd.DataFrame:
    from scipy.stats import binom

    top = int(drawn["determined"].max() * 1.12) + 4
    n = np.unique(np.linspace(5, max(top, 6), 80).astype(int))
    centre = float((drawn["rate"] * drawn["determined"]).sum() / drawn["determined"].sum())
    out = pd.DataFrame({"determined": n, "centre": centre})
    for name, tail in (("95", 0.025), ("998", 0.001)):
        out[f"low{name}"] = binom.ppf(tail, n, centre) / n
        out[f"high{name}"] = binom.ppf(1 - tail, n, centre) / n
    return out


def learning_chart(inputs: ReportInputs) -> Chart | None:
    """Hybrid rate of each person as their tags go by."""
    frame = inputs.learning
    drawn = pd.DataFrame({"operator": texts(frame, "operator"), **{c: numbers(frame, c) for c in ("order", "rate", "low", "high")}})
    drawn = drawn[np.isfinite(drawn["rate"])]
    if drawn.empty:
        return None
    people = list(drawn["operator"].value_counts(sort=True).index)[:MOST_PANELS]
    first = drawn[drawn["operator"].isin(people)]
    ends = first.sort_values("order", kind="stable").groupby("operator", sort=False)["rate"].agg(["first", "last"])
    up = int((ends["last"] > ends["first"]).sum())
    sentence = (
        f"The line is each person's estimated hybrid rate, the band its 95\u00a0% interval. {up} of {len(ends)} end higher "
        "than they began; wide bands mean that few plants speak."
    )
    last = first.sort_values("order", kind="stable").groupby("operator", sort=False).tail(1)
    rows = [(r.operator, fmt.count(r.order), fmt.share(r.rate), fmt.interval(r.low, r.high)) for r in last.itertuples()]
    table = table_of("learning-table", "Where each person stands after their last tag", [("person", "name"), ("tags", "number"),
                     ("hybrid rate", "number"), ("95\u00a0% interval", "number")], rows)
    return Chart("learning", "Learning over the season", sentence, ChartSpec("learning", first), table, wide=True)


def control_chart(inputs: ReportInputs) -> Chart | None:
    """Selfing by week against its control limits."""
    frame = inputs.control_chart
    drawn = pd.DataFrame({"week": texts(frame, "week"), "outside": texts(frame, "outside"),
                          **{c: numbers(frame, c) for c in ("rate", "centre", "low", "high", "tested")}})
    drawn = drawn[np.isfinite(drawn["rate"])]
    if len(drawn) < 2:
        return None
    drawn["outside"] = ["yes" if t in ("yes", "True") else "no" for t in drawn["outside"]]
    weeks = list(drawn.loc[drawn["outside"] == "yes", "week"])
    sentence = (
        f"Look into {', '.join(weeks)}: selfing was outside the limits." if weeks
        else "Every week stays inside the limits; nothing about the season as a whole went astray."
    )
    rows = [(r.week, fmt.count(r.tested), fmt.share(r.rate), fmt.interval(r.low, r.high), "outside" if r.outside == "yes" else "inside")
            for r in drawn.itertuples()]
    table = table_of("control-table", "Selfing by week", [("week", "name"), ("plants", "number"), ("selfed", "number"),
                     ("limits", "number"), ("place", "text")], rows)
    return Chart("control", "Selfs week by week", sentence, ChartSpec("control", drawn, {"title": "selfs among plants with a verdict"}), table)


def _people_table(inputs: ReportInputs) -> Table:
    frame = inputs.operators
    t = {c: texts(frame, c) for c in ("operator", "funnel", "note")}
    x = {c: numbers(frame, c) for c in ("tags", "determined", "selfed", "expected_selfed", "self_rate", "self_rate_low", "self_rate_high",
                                        "hybrid_rate", "true_success")}
    rows = [
        (t["operator"][i], fmt.count(x["tags"][i]), fmt.count(x["determined"][i]), fmt.share(x["hybrid_rate"][i]),
         fmt.share(x["true_success"][i]), fmt.share(x["self_rate"][i]), fmt.interval(x["self_rate_low"][i], x["self_rate_high"][i]),
         fmt.count(x["selfed"][i]), fmt.decimal(x["expected_selfed"][i], 1), t["note"][i] or t["funnel"][i])
        for i in range(len(frame))
    ]
    return table_of("people-table", "By person, in the order of operators.csv",
                    [("person", "name"), ("tags", "number"), ("with a verdict", "number"), ("hybrids", "number"), ("true success", "number"),
                     ("selfs", "number"), ("95\u00a0% interval", "number"), ("selfs seen", "number"), ("expected", "number"), ("remark", "text")],
                    rows, rest="All are in operators.csv.")
