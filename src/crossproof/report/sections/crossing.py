"""How crossing went: the chain from flower to hybrid, then by hour, temperature, mother and own columns."""

from __future__ import annotations

import math

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
from crossproof.report.content.inputs import ReportInputs, texts
from crossproof.report.draw.chain import Link, chain_svg
from crossproof.report.facts.crossing import (
    ChainFacts,
    Estimate,
    ModelFacts,
    RatesFacts,
    TermFact,
    chain_facts,
    model_facts,
    rates_facts,
)

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
    facts = chain_facts(inputs.crosses, inputs.rates_by)
    chain, lead = chain_drawing(facts)
    blocks: list[Block] = [chain] if chain else []
    blocks += [Prose(words) for words in (_two_rates(facts), _structure_open(facts)) if words]
    rates = (rates_facts(inputs.rates_by, group) for group in _groups(inputs))
    charts = [rate_chart(r, k) for k, r in enumerate(rates) if r is not None]
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
    forest = factor_chart(model_facts(inputs.factors))
    if forest:
        blocks.append(forest)
    if len(blocks) == 0:
        blocks.append(Prose("Neither flowers nor pods are recorded, so success per flower cannot be given."))
    return Section("crossing", "How crossing went", "Crossing", lead, tuple(blocks))


LEAST_PODS = 10
"""Fewer pods with several plants typed than this say too little of whether pods are mixed."""


def _two_rates(chain: ChainFacts) -> str:
    """Selfing by seed and by flower, so that nobody takes one for the other."""
    if not (chain.selfed_seed.known and chain.selfed_flowers.known):
        return ""
    seed, flowers = _with_limits(chain.selfed_seed), _with_limits(chain.selfed_flowers)
    return (
        f"Selfing counted by seed and by flower: {seed[0]} of the seed harvested is selfed{seed[1]}; "
        f"{flowers[0]} of the flowers that set a pod were selfed, each pod counted once{flowers[1]}."
    )


def _with_limits(estimate: Estimate) -> tuple[str, str]:
    """The share, and its interval in brackets after a blank."""
    if not math.isfinite(estimate.low):
        return fmt.share(estimate.value), ""
    span = f" (95\u00a0% interval {fmt.interval(estimate.low, estimate.high)})"
    return fmt.share(estimate.value), span


def _structure_open(chain: ChainFacts) -> str:
    """That too few pods had several plants typed to say what the untyped seeds hold."""
    pods = chain.pods_with_several
    if not (math.isfinite(pods) and chain.estimated) or pods >= LEAST_PODS:
        return ""
    known = f"Only {fmt.noun(pods, 'pod')}" if pods else "No pod"
    return (
        f"{known} had two or more plants typed, so it is hardly known whether the "
        "plants of a pod are of one kind or mixed. True success depends on that: the value stated is the "
        "middle of what the records allow, and its interval is wide. To know more, type all seeds of every "
        "tenth pod, with the pod on record."
    )


def chain_drawing(chain: ChainFacts) -> tuple[Drawing | None, str]:
    """The chain and the sentence that reads it."""
    if chain.flowers == 0:
        return None, "How many flowers were pollinated is not recorded."
    has_pods, success = math.isfinite(chain.pods), chain.success
    width_pods = min(chain.pod_share, 1.0) if has_pods else None
    links = [
        Link("flower", fmt.count(chain.flowers), "flowers pollinated", "", "", 1.0),
        Link(
            "pod",
            fmt.count(chain.pods) if has_pods else "not recorded",
            "pods set",
            f"{fmt.share(chain.pod_share)} set a pod",
            f"{fmt.count(chain.flowers - chain.pods)} did not" if chain.flowers >= chain.pods else "",
            width_pods,
        ),
        Link(
            "seed",
            fmt.count(chain.seeds) if chain.seeds else "not recorded",
            "seeds harvested",
            f"{fmt.decimal(chain.seeds_per_pod, 1)} seeds a pod"
            if math.isfinite(chain.seeds_per_pod)
            else "",
            "",
            width_pods,
        ),
        Link(
            "plant",
            fmt.count(chain.hybrids),
            f"hybrids of {fmt.count(chain.tested)} tested",
            f"{fmt.share(chain.hybrid_share)} are hybrids",
            f"of {fmt.count(chain.determined)} with a verdict",
            success.value if success.known else None,
        ),
    ]
    gave = fmt.noun(chain.hybrids, "proven hybrid") if chain.hybrids else "no proven hybrid"
    lead = f"{fmt.noun(chain.flowers, 'flower')} gave {gave} so far."
    if success.known:
        share, span = _with_limits(success)
        lead += f" Counted per flower, {share} of pollinated flowers lead to at least one hybrid{span}."
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


def _groups(inputs: ReportInputs) -> list[str]:
    have = list(dict.fromkeys(texts(inputs.rates_by, "factor")))
    known = [g for g in _SHOWN_HERE if g in have]
    return known + [g for g in have if g not in (*_SHOWN_HERE, "season", "operator", "cross", "pod")]


def _measure(rates: RatesFacts) -> str:
    return "true success per flower" if rates.success else "hybrids among plants with a verdict"


def rate_chart(rates: RatesFacts, place: int = 0) -> Chart:
    """One chart of true success (else hybrid rate) by the levels of a group; `place` makes its id unique."""
    rows = rates.rows
    upright = rates.factor in _UPRIGHT and len(rows) <= 14
    drawn = rows if upright else sorted(rows, key=lambda r: -r.tested)[:MOST_LEVELS]
    if not upright:
        drawn = sorted(drawn, key=lambda r: -r.rate.value)
    words, label = LABELS.get(rates.factor, rates.factor.replace("_", " ")), _measure(rates)
    frame = pd.DataFrame(
        [(r.level, r.rate.value, r.rate.low, r.rate.high, r.raw, r.tested) for r in drawn],
        columns=["level", "rate", "low", "high", "raw", "n"],
    )
    spec = ChartSpec(
        ChartForm.DOTS,
        frame,
        {
            "title": label,
            "upright": upright,
            "overall": rates.overall if math.isfinite(rates.overall) else None,
            "level_title": words if upright else "",
        },
    )
    id = f"by-{place}-{_slug(rates.factor)}"
    sentence = rate_sentence(rates, len(rows) - len(drawn))
    return Chart(id, f"By {words}", sentence, spec, rate_table(f"{id}-table", words, rates))


def rate_sentence(rates: RatesFacts, left_out: int) -> str:
    """What a chart of rates shows, and whether its ends can be told apart."""
    best, worst, label = rates.best, rates.worst, _measure(rates)
    name = f"{label[:1].upper()}{label[1:]}"
    highest, lowest = fmt.share(best.rate.value), fmt.share(worst.rate.value)
    if highest == lowest:
        text = f"{name} was {highest} everywhere."
    else:
        ends = {
            True: "; their intervals do not touch.",
            False: "; their intervals overlap, so this may be chance.",
            None: ".",
        }
        text = f"{name} was highest at {best.level} ({highest}) and lowest at {worst.level} ({lowest})"
        text += ends[rates.apart]
    return text + (
        f" Those with the most plants are drawn; listed below are all {len(rates.rows)}." if left_out else ""
    )


def rate_table(id: str, words: str, rates: RatesFacts) -> Table:
    """The numbers behind a chart of rates."""
    label = _measure(rates)
    rows = [
        (
            r.level,
            fmt.count(r.tags),
            fmt.count(r.tested),
            fmt.share(r.rate.value),
            fmt.interval(r.rate.low, r.rate.high),
            fmt.share(r.raw),
            fmt.share(r.selfs),
            fmt.share(r.outcrosses),
            "too few to compare" if r.few else "",
        )
        for r in rates.rows
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


def factor_chart(model: ModelFacts) -> Chart | Prose | None:
    """Odds ratios of the model of selfing, or the sentences that say why there are none."""
    if not model.terms and not model.about:
        return None
    clear = [_term_name(t) for t in model.drawn if t.clear]
    sentence = (
        f"Beyond chance: {'; '.join(clear)}."
        if clear
        else "No term is beyond chance: every interval includes 1."
    ) + " Right of the line means more selfs."
    sentence += "".join(f" {n[:1].upper()}{n[1:]}." for n in model.about)
    rows = [
        (
            _term_name(t),
            fmt.odds(t.odds.value),
            f"{fmt.odds(t.odds.low)} to {fmt.odds(t.odds.high)}" if math.isfinite(t.odds.low) else "",
            t.note,
        )
        for t in model.terms
    ]
    rows += [("all terms together", "", "", note) for note in model.about]
    table = table_of(
        "factors-table",
        "Odds ratios of self against hybrid",
        [("term", "text"), ("odds ratio", "number"), ("95\u00a0% interval", "number"), ("remark", "text")],
        rows,
        rest="All are in factors.csv.",
    )
    if not model.drawn:
        reasons = model.about or [f"{_term_name(t)}: {t.note}" for t in model.terms if t.note]
        said = "".join(f" {n[:1].upper()}{n[1:].removesuffix('.')}." for n in reasons[:4])
        return Prose(f"What went with selfing cannot be told from this season.{said}")
    drawn = pd.DataFrame(
        [(_short(_term_name(t)), t.odds.value, t.odds.low, t.odds.high) for t in model.drawn],
        columns=["name", "odds_ratio", "low", "high"],
    )
    return Chart(
        "factors",
        "What went with selfing, all terms judged together",
        sentence,
        ChartSpec(ChartForm.FOREST, drawn),
        table,
    )


def _short(name: str) -> str:
    return name if len(name) <= 44 else name[:42] + "…"


def _term_name(fact: TermFact) -> str:
    """A term of the model as a reader says it: "hour, per hour", "operator: Teo against Ines"."""
    name, level = LABELS.get(fact.term, fact.term.replace("_", " ")), fact.level
    if level and fact.reference:
        return f"{name}: {level} against {fact.reference}"
    if level:
        return f"{name}, {level}" if level.startswith("per ") else f"{name}: {level}"
    return name
