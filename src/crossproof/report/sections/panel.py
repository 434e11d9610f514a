"""Lines and markers: which tubes contradict each other, and how well each marker works."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.model.results import Verdict
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Chart,
    ChartForm,
    ChartSpec,
    Heading,
    Notice,
    Row,
    Section,
    Table,
    Tone,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import VERDICT_MARKS
from crossproof.report.facts.panel import Agreement, LinesFacts, lines_facts, markers_facts
from crossproof.report.facts.plants import plant_facts


def section(inputs: ReportInputs) -> Section:
    """What the evidence rests on."""
    conflicts, aside = conflict_table(inputs), aside_table(inputs)
    blocks: list[Block] = []
    charts = [c for c in (heterozygosity_chart(inputs), marker_chart(inputs)) if c]
    if charts:
        blocks.append(Row(tuple(charts)))
    if conflicts.rows:
        blocks += [
            Heading("Lines to look at"),
            Notice(
                Tone.CARE,
                "A parent may not be what its label says",
                "Where the samples of a line contradict each other, each cross was judged under the version "
                "that fits its progeny best.",
            ),
            conflicts,
        ]
    if aside.rows:
        blocks += [Heading("Markers set aside"), aside]
    weak = weak_table(inputs)
    if weak.rows:
        blocks += [Heading("The least reliable markers in use"), weak]
    return Section("panel", "Lines and markers", "Lines, markers", _lead(inputs), tuple(blocks))


def _lead(inputs: ReportInputs) -> str:
    markers, lines = markers_facts(inputs.markers), lines_facts(inputs.lines)
    if not markers.aside:
        return "The report was given no table of markers."
    if not markers.used:
        return (
            f"No marker could be used: {fmt.noun(markers.set_aside, 'marker was', 'markers were')} set "
            "aside, so no plant can be judged."
        )
    text = f"The verdicts rest on {fmt.noun(len(lines.rows), 'line')} and {fmt.noun(markers.used, 'marker')}."
    text += (
        f" {fmt.noun(markers.set_aside, 'marker was', 'markers were')} set aside."
        if markers.set_aside
        else " No marker was set aside."
    )
    return text + _agreement(lines)


def _agreement(lines: LinesFacts) -> str:
    """Whether samples of one line agree, as a sentence after another: of those with several samples."""
    n = lines.agreements
    if odd := n[Agreement.NO]:
        return f" {fmt.noun(odd, 'line has', 'lines have')} samples that contradict each other."
    if several := n[Agreement.YES]:
        if several == len(lines.rows):
            return " The samples of every line agree."
        return (
            f" {fmt.noun(several, 'line has', 'lines have')} several samples with calls, and they agree; "
            "the others have one or none."
        )
    return " No line has two samples with calls, so there is nothing to show up a wrong sample."


def _is_aside(inputs: ReportInputs) -> np.ndarray:
    return np.array(markers_facts(inputs.markers).aside, dtype=bool)


def heterozygosity_chart(inputs: ReportInputs) -> Chart | None:
    """Plants by heterozygosity at contrast markers, verdict by verdict: all evidence at a glance."""
    share, verdicts = (
        numbers(inputs.verdicts, "het_share"),
        np.array(texts(inputs.verdicts, "verdict"), dtype=object),
    )
    if not np.isfinite(share).any():
        return None
    edges = np.linspace(0, 1, 21)
    rows, summary = [], []
    for v in Verdict:
        values = share[(verdicts == v.value) & np.isfinite(share)]
        if not len(values):
            continue
        counts, _ = np.histogram(values, edges)
        label = VERDICT_MARKS[v].label
        rows += [
            (label, round(a, 2), round(b, 2), int(c))
            for a, b, c in zip(edges[:-1], edges[1:], counts, strict=True)
        ]
        middle, low, high = np.quantile(values, [0.5, 0.05, 0.95])
        summary.append((label, fmt.count(len(values)), fmt.share(middle), fmt.interval(low, high)))
    frame = pd.DataFrame(rows, columns=["verdict", "share", "share_end", "plants"])
    sentence = (
        "Hybrids should lie at the right end and selfs at the left; a simple cut-off would misjudge plants "
        "in between. Each strip has its own scale."
    )
    if plant_facts(inputs.verdicts).held:
        sentence += " Plants on hold are shown with the verdicts they have."
    table = table_of(
        "het-table",
        "Heterozygous share of contrast markers by verdict",
        [("verdict", "text"), ("plants", "number"), ("median", "number"), ("middle 90\u00a0%", "number")],
        summary,
    )
    return Chart(
        "heterozygosity",
        "What the contrast markers say",
        sentence,
        ChartSpec(ChartForm.HETEROZYGOSITY, frame),
        table,
    )


def marker_chart(inputs: ReportInputs) -> Chart | None:
    """Markers by call rate and false heterozygotes."""
    frame = inputs.markers
    drawn = pd.DataFrame(
        {
            "call_rate": numbers(frame, "call_rate"),
            "false_heterozygote": numbers(frame, "false_heterozygote"),
            "set_aside": _is_aside(inputs),
        }
    )
    drawn = drawn[np.isfinite(drawn["call_rate"]) & np.isfinite(drawn["false_heterozygote"])]
    if drawn.empty:
        return None
    shown_rows = drawn
    if len(drawn) > 2500:
        keep = np.flatnonzero(drawn["set_aside"])[:500]
        step = np.arange(0, len(drawn), -(-len(drawn) // 2000))
        shown_rows = drawn.iloc[np.union1d(keep, step)]
    used = drawn[~drawn["set_aside"]]
    sentence = "Rings are markers in use, filled diamonds are set aside."
    if len(used):
        sentence += (
            f" The median marker in use has a call rate of {fmt.share(float(used['call_rate'].median()))} "
            "and reads a homozygote as heterozygous in "
            f"{fmt.share(float(used['false_heterozygote'].median()))} of calls."
        )
    if len(shown_rows) < len(drawn):
        sentence += " Not every marker is drawn; the table counts those that are."
    rows = [
        (
            "set aside" if aside else "used",
            fmt.count(len(g)),
            fmt.share(float(g["call_rate"].median())),
            fmt.share(float(g["false_heterozygote"].median())),
            fmt.count(int((shown_rows["set_aside"] == aside).sum())),
        )
        for aside in (True, False)
        if len(g := drawn[drawn["set_aside"] == aside])
    ]
    table = table_of(
        "marker-chart-table",
        "Markers in use and set aside",
        [
            ("state", "text"),
            ("markers", "number"),
            ("median call rate", "number"),
            ("median false heterozygotes", "number"),
            ("drawn", "number"),
        ],
        rows,
    )
    return Chart(
        "markers", "How well each marker works", sentence, ChartSpec(ChartForm.MARKERS, shown_rows), table
    )


def conflict_table(inputs: ReportInputs) -> Table:
    """Lines with more than one version or a finding."""
    rows = [
        (
            line.line,
            fmt.count(line.wells),
            fmt.count(line.versions),
            line.odd,
            fmt.share(line.departure),
            line.finding,
        )
        for line in lines_facts(inputs.lines).listed
    ]
    return table_of(
        "conflicts",
        "Lines with more than one version, a plant that departs from its line, or a finding",
        [
            ("line", "name"),
            ("wells", "number"),
            ("versions", "number"),
            ("odd tubes", "name"),
            ("largest departure of a plant", "number"),
            ("finding", "text"),
        ],
        rows,
        rest="All are in lines.csv.",
    )


def aside_table(inputs: ReportInputs) -> Table:
    """Markers that no verdict uses, with the reason."""
    frame = inputs.markers
    pick = _is_aside(inputs)
    t = {c: texts(frame, c) for c in ("marker", "chrom", "reason")}
    x = {c: numbers(frame, c) for c in ("pos", "call_rate", "false_heterozygote")}
    rows = [
        (
            t["marker"][i],
            _place(t["chrom"][i], x["pos"][i]),
            fmt.share(x["call_rate"][i]),
            fmt.share(x["false_heterozygote"][i]),
            t["reason"][i],
        )
        for i in np.flatnonzero(pick)
    ]
    return table_of(
        "aside",
        "Markers set aside and why",
        [
            ("marker", "name"),
            ("place", "name"),
            ("call rate", "number"),
            ("false heterozygotes", "number"),
            ("reason", "text"),
        ],
        rows,
        most=40,
        rest="All are in markers.csv.",
    )


def weak_table(inputs: ReportInputs) -> Table:
    """The used markers with most false heterozygotes."""
    frame = inputs.markers
    t = {c: texts(frame, c) for c in ("marker", "chrom")}
    x = {c: numbers(frame, c) for c in ("pos", "call_rate", "false_heterozygote", "dropout")}
    used = np.flatnonzero(~_is_aside(inputs) & np.isfinite(x["false_heterozygote"]))
    order = used[np.argsort(-x["false_heterozygote"][used], kind="stable")][:10]
    rows = [
        (
            t["marker"][i],
            _place(t["chrom"][i], x["pos"][i]),
            fmt.share(x["call_rate"][i]),
            fmt.share(x["false_heterozygote"][i]),
            fmt.share(x["dropout"][i]),
        )
        for i in order
    ]
    return table_of(
        "weak",
        "Markers in use with the most false heterozygotes",
        [
            ("marker", "name"),
            ("place", "name"),
            ("call rate", "number"),
            ("false heterozygotes", "number"),
            ("allele lost in heterozygotes", "number"),
        ],
        rows,
    )


def _place(chrom: str, pos: float) -> str:
    return f"{chrom}:{int(pos)}" if chrom and np.isfinite(pos) else ""
