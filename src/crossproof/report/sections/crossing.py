"""How crossing went: the chain from flower to hybrid, then by hour, temperature, mother and own columns."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Chart,
    ChartForm,
    ChartSpec,
    Drawing,
    Heading,
    Prose,
    Row,
    Section,
    Table,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, flags, numbers, texts
from crossproof.report.draw.chain import Link, chain_svg

MOST_LEVELS = 24
LABELS = {
    "hour": "hour of the day",
    "temperature_class": "temperature",
    "temperature_c": "temperature",
    "anthers_removed": "anthers removed",
    "mother": "mother line",
    "father": "father line",
    "week": "week",
    "operator": "person",
}
_UPRIGHT = {"hour", "week", "temperature_class"}
_SHOWN_HERE = ("hour", "temperature_class", "mother", "father", "week")


def section(inputs: ReportInputs) -> Section:
    """What became of the flowers, and what went with success."""
    chain, lead = chain_drawing(inputs)
    blocks: list[Block] = [chain] if chain else []
    blocks += [Prose(words) for words in (_two_rates(inputs), _structure_open(inputs)) if words]
    charts = [c for k, g in enumerate(_groups(inputs)) if (c := rate_chart(inputs, g, k)) is not None]
    if charts:
        blocks.append(Heading("What went with success"))
        blocks.append(
            Prose(
                "A filled dot is the rate with its 95\u00a0% interval, pulled towards the season's mean "
                "where numbers are small; a hollow diamond is the raw rate. The dashed line is the whole "
                "season. These are comparisons, not causes: hours, people and mother lines were not "
                "assigned at random."
            )
        )
        blocks += [Row(tuple(charts[i : i + 2])) for i in range(0, len(charts), 2)]
    forest = factor_chart(inputs)
    if forest:
        blocks.append(forest)
    if len(blocks) == 0:
        blocks.append(Prose("Neither flowers nor pods are recorded, so success per flower cannot be given."))
    return Section("crossing", "How crossing went", "Crossing", lead, tuple(blocks))


LEAST_PODS = 10
"""Fewer pods with several plants typed than this say too little of whether pods are mixed."""


def _two_rates(inputs: ReportInputs) -> str:
    """Selfing by seed and by flower, so that nobody takes one for the other."""
    whole = _season_row(inputs)
    said = []
    for name, words in (
        ("selfed_seed_share", "of the seed harvested is selfed"),
        ("selfed_flower_share", "of the flowers that set a pod were selfed, each pod counted once"),
    ):
        value = _first(whole, name)
        if not math.isfinite(value):
            return ""
        low, high = _first(whole, f"{name}_low"), _first(whole, f"{name}_high")
        said.append(f"{fmt.share(value)} {words} (95\u00a0% interval {fmt.interval(low, high)})")
    return f"Selfing counted by seed and by flower: {said[0]}; {said[1]}."


def _structure_open(inputs: ReportInputs) -> str:
    """That too few pods had several plants typed to say what the untyped seeds hold."""
    whole = _season_row(inputs)
    pods, success = _first(whole, "pods_with_several_typed"), _first(whole, "true_success")
    if not (math.isfinite(pods) and math.isfinite(success)) or pods >= LEAST_PODS:
        return ""
    known = f"Only {fmt.noun(pods, 'pod')}" if pods else "No pod"
    return (
        f"{known} had two or more plants typed, so it is hardly known whether the "
        "plants of a pod are of one kind or mixed. True success depends on that: the value stated is the "
        "middle of what the records allow, and its interval is wide. To know more, type all seeds of every "
        "tenth pod, with the pod on record."
    )


def _season_row(inputs: ReportInputs) -> pd.DataFrame:
    return _rows_of(inputs, "season")


def _rows_of(inputs: ReportInputs, factor: str) -> pd.DataFrame:
    return inputs.rates_by[np.array(texts(inputs.rates_by, "factor"), dtype=object) == factor]


def chain_drawing(inputs: ReportInputs) -> tuple[Drawing | None, str]:
    """The chain and the sentence that reads it."""
    frame = inputs.crosses
    flowers, pods, seeds = (float(np.nansum(numbers(frame, c))) for c in ("flowers", "pods", "seeds"))
    tested, hybrids = (float(np.nansum(numbers(frame, c))) for c in ("tested", "hybrid"))
    if not len(frame) or flowers == 0:
        return None, "How many flowers were pollinated is not recorded."
    success = _season_success(inputs)
    has_pods = np.isfinite(numbers(frame, "pods")).any()
    pod_share = pods / flowers if has_pods else math.nan
    determined = float(np.nansum(numbers(frame, "determined")))
    rate = hybrids / determined if determined else math.nan
    width_pods = min(pod_share, 1.0) if has_pods else None
    links = [
        Link("flower", fmt.count(flowers), "flowers pollinated", "", "", 1.0),
        Link(
            "pod",
            fmt.count(pods) if has_pods else "not recorded",
            "pods set",
            f"{fmt.share(pod_share)} set a pod",
            f"{fmt.count(flowers - pods)} did not" if has_pods and flowers >= pods else "",
            width_pods,
        ),
        Link(
            "seed",
            fmt.count(seeds) if seeds else "not recorded",
            "seeds harvested",
            f"{fmt.decimal(seeds / pods, 1)} seeds a pod" if seeds and pods else "",
            "",
            width_pods,
        ),
        Link(
            "plant",
            fmt.count(hybrids),
            f"hybrids of {fmt.count(tested)} tested",
            f"{fmt.share(rate)} are hybrids",
            f"of {fmt.count(determined)} with a verdict",
            success if math.isfinite(success) else None,
        ),
    ]
    gave = fmt.noun(hybrids, "proven hybrid") if hybrids else "no proven hybrid"
    lead = f"{fmt.noun(flowers, 'flower')} gave {gave} so far."
    if math.isfinite(success):
        whole = _season_row(inputs)
        low, high = _first(whole, "true_success_low"), _first(whole, "true_success_high")
        span = f" (95\u00a0% interval {fmt.interval(low, high)})" if math.isfinite(low) else ""
        lead += (
            f" Counted per flower, {fmt.share(success)} of pollinated flowers lead to at least one "
            f"hybrid{span}."
        )
    sentence = (
        "The band narrows as flowers drop out. Its width at the end is true success: the share of flowers "
        "that give at least one hybrid. Seed that was not tested is counted at the rate of the seed that was."
    )
    rows = [
        (k.label, k.number, k.step, k.lost, fmt.share(k.width) if k.width is not None else "not known")
        for k in links
    ]
    table = table_of(
        "chain-table",
        "From flower to hybrid",
        [
            ("stage", "text"),
            ("count", "number"),
            ("step", "text"),
            ("lost", "text"),
            ("flowers still on the way", "number"),
        ],
        rows,
    )
    title = f"From flower to hybrid: {lead}"
    return Drawing("chain", "From flower to hybrid", sentence, chain_svg(links, title), table), lead


def _season_success(inputs: ReportInputs) -> float:
    """True success of the season, else the mean of its crosses weighed by flowers; NaN where unknown."""
    success = _first(_season_row(inputs), "true_success")
    if math.isfinite(success):
        return success
    weights = np.nan_to_num(numbers(inputs.crosses, "flowers"))
    each = numbers(inputs.crosses, "true_success")
    known = np.isfinite(each) & (weights > 0)
    return float(np.average(each[known], weights=weights[known])) if known.any() else math.nan


def _first(frame: pd.DataFrame, column: str) -> float:
    values = numbers(frame, column)
    return float(values[0]) if len(values) else math.nan


def _groups(inputs: ReportInputs) -> list[str]:
    have = list(dict.fromkeys(texts(inputs.rates_by, "factor")))
    known = [g for g in _SHOWN_HERE if g in have]
    return known + [g for g in have if g not in (*_SHOWN_HERE, "season", "operator", "cross", "pod")]


def _measure(frame: pd.DataFrame) -> tuple[str, str]:
    for name, label in (
        ("true_success", "true success per flower"),
        ("hybrid_rate", "hybrids among plants with a verdict"),
    ):
        if np.isfinite(numbers(frame, name)).any():
            return name, label
    return "", ""


def rate_chart(inputs: ReportInputs, group: str, place: int = 0) -> Chart | None:
    """One chart of true success (else hybrid rate) by the levels of a group; `place` makes its id unique."""
    rows = _rows_of(inputs, group)
    name, label = _measure(rows)
    if not name or len(rows) < 2:
        return None
    table = rate_frame(rows, name)
    upright = group in _UPRIGHT and len(table) <= 14
    drawn = (
        table if upright else table.sort_values(["tested"], ascending=False, kind="stable").head(MOST_LEVELS)
    )
    if not upright:
        drawn = drawn.sort_values("rate", ascending=False, kind="stable")
    whole = _first(_season_row(inputs), name)
    words = LABELS.get(group, group.replace("_", " "))
    spec = ChartSpec(
        ChartForm.DOTS,
        drawn[["level", "rate", "low", "high", "raw", "n"]],
        {
            "title": label,
            "upright": upright,
            "overall": whole if math.isfinite(whole) else None,
            "level_title": words if upright else "",
        },
    )
    return Chart(
        f"by-{place}-{_slug(group)}",
        f"By {words}",
        rate_sentence(table, label, len(table) - len(drawn)),
        spec,
        rate_table(f"by-{place}-{_slug(group)}-table", words, label, table),
    )


def rate_frame(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Level, drawn rate with its interval, raw rate, counts; the shrunk rate is drawn where there is one."""
    shrunk = numbers(rows, f"{name}_shrunk")
    use = np.isfinite(shrunk)
    raw = numbers(rows, name)
    tags, tested = numbers(rows, "tags"), numbers(rows, "tested")
    out = pd.DataFrame(
        {
            "level": texts(rows, "level"),
            "rate": np.where(use, shrunk, raw),
            "low": np.where(use, numbers(rows, f"{name}_shrunk_low"), numbers(rows, f"{name}_low")),
            "high": np.where(use, numbers(rows, f"{name}_shrunk_high"), numbers(rows, f"{name}_high")),
            "raw": np.where(use, raw, np.nan),
            "raw_low": numbers(rows, f"{name}_low"),
            "raw_high": numbers(rows, f"{name}_high"),
            "tags": tags,
            "tested": tested,
            "n": tested,
            "selfs": numbers(rows, "selfing_rate"),
            "outcrosses": numbers(rows, "outcrossing_rate"),
            "few": flags(rows, "too_few"),
        }
    )
    return out[np.isfinite(out["rate"])].reset_index(drop=True)


def rate_sentence(table: pd.DataFrame, label: str, left_out: int) -> str:
    """What a chart of rates shows, and whether its ends can be told apart."""
    best, worst = table.loc[table["rate"].idxmax()], table.loc[table["rate"].idxmin()]
    name = f"{label[:1].upper()}{label[1:]}"
    if fmt.share(best["rate"]) == fmt.share(worst["rate"]):
        text = f"{name} was {fmt.share(best['rate'])} everywhere."
        return text + (
            f" Those with the most plants are drawn; listed below are all {len(table)}." if left_out else ""
        )
    text = (
        f"{name} was highest at {best['level']} ({fmt.share(best['rate'])}) and "
        f"lowest at {worst['level']} ({fmt.share(worst['rate'])})"
    )
    if math.isfinite(best["low"]) and math.isfinite(worst["high"]):
        apart = best["low"] > worst["high"]
        text += (
            "; their intervals do not touch."
            if apart
            else "; their intervals overlap, so this may be chance."
        )
    else:
        text += "."
    return text + (
        f" Those with the most plants are drawn; listed below are all {len(table)}." if left_out else ""
    )


def rate_table(id: str, words: str, label: str, table: pd.DataFrame) -> Table:
    """The numbers behind a chart of rates."""
    rows = [
        (
            r.level,
            fmt.count(r.tags),
            fmt.count(r.tested),
            fmt.share(r.rate),
            fmt.interval(r.low, r.high),
            fmt.share(r.raw),
            fmt.share(r.selfs),
            fmt.share(r.outcrosses),
            "too few to compare" if r.few else "",
        )
        for r in table.itertuples()
    ]
    return table_of(
        id,
        f"{label[:1].upper()}{label[1:]} by {words}",
        [
            (words, "name"),
            ("tags", "number"),
            ("plants", "number"),
            ("rate", "number"),
            ("95\u00a0% interval", "number"),
            ("raw rate", "number"),
            ("selfs", "number"),
            ("outcrosses", "number"),
            ("remark", "text"),
        ],
        rows,
        rest="All are in rates_by.csv.",
    )


def _slug(text: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in text.lower()) or "x"


def factor_chart(inputs: ReportInputs) -> Chart | Prose | None:
    """Odds ratios of the model of selfing, or the sentences that say why there are none."""
    frame = inputs.factors
    odds, low, high = (numbers(frame, c) for c in ("odds_ratio", "low", "high"))
    if not len(frame):
        return None
    names = _term_names(frame)
    notes = texts(frame, "note")
    about = [
        n.strip().removesuffix(".")
        for t, n in zip(texts(frame, "term"), notes, strict=True)
        if t == "(season)" and n.strip()
    ]
    drawn = pd.DataFrame({"name": names, "odds_ratio": odds, "low": low, "high": high})
    sane = np.isfinite(odds) & (low > 0) & np.isfinite(high) & (high < 1e4)
    drawn = drawn[sane].head(30)
    clear = [n for n, a, b in zip(drawn["name"], drawn["low"], drawn["high"], strict=True) if a > 1 or b < 1]
    sentence = (
        f"Beyond chance: {'; '.join(clear)}."
        if clear
        else "No term is beyond chance: every interval includes 1."
    ) + " Right of the line means more selfs."
    sentence += "".join(f" {n[:1].upper()}{n[1:]}." for n in about)
    rows = [
        (n, fmt.decimal(o), f"{fmt.decimal(a)} to {fmt.decimal(b)}" if np.isfinite(a) else "", note)
        for n, o, a, b, note in zip(names, odds, low, high, notes, strict=True)
        if not n.startswith("(season)")
    ]
    rows += [("all terms together", "", "", note) for note in about]
    table = table_of(
        "factors-table",
        "Odds ratios of self against hybrid",
        [("term", "text"), ("odds ratio", "number"), ("95\u00a0% interval", "number"), ("remark", "text")],
        rows,
        rest="All are in factors.csv.",
    )
    if drawn.empty:
        reasons = about or [f"{name}: {n}" for name, n in zip(names, notes, strict=True) if n]
        said = "".join(f" {n[:1].upper()}{n[1:].removesuffix('.')}." for n in reasons[:4])
        return Prose(f"What went with selfing cannot be told from this season.{said}")
    drawn["name"] = [n if len(n) <= 44 else n[:42] + "…" for n in drawn["name"]]
    return Chart(
        "factors",
        "What went with selfing, all terms judged together",
        sentence,
        ChartSpec(ChartForm.FOREST, drawn),
        table,
    )


def _term_names(frame: pd.DataFrame) -> list[str]:
    """Terms of the model as a reader says them: "hour, per hour", "operator: Teo against Ines"."""
    out = []
    for term, level, reference in zip(
        *(texts(frame, c) for c in ("term", "level", "reference")), strict=True
    ):
        name = LABELS.get(term, term.replace("_", " "))
        if level and reference:
            name += f": {level} against {reference}"
        elif level:
            name += f", {level}" if level.startswith("per ") else f": {level}"
        out.append(name)
    return out
