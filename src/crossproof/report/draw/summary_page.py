"""The season for a team leader on one printed side: targets, cost, what to repeat, what the plates said.

No person is named on it.
"""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from crossproof.model.findings import FindingSeverity
from crossproof.model.results import NextStep
from crossproof.report.content import numbers as fmt
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.draw.static_page import Page, Section, plain_table, render_page
from crossproof.text import agreeing

MOST_REPEATS = 14
MOST_FINDINGS = 5
CAUTION = (
    "Rates are estimates from plants genotyped, with 95\u00a0% intervals. They describe tags, not people, "
    "and no person is named here. A cross below its target has not failed: seed may still be in store. "
    "Do not discard seed on the strength of this page; the worklist says what may go."
)
_WORDS = {
    NextStep.DONE: "target reached, or none set",
    NextStep.HOLD: "on hold until a finding is answered",
    NextStep.TYPE_PARENT: "a parent must be typed first",
    NextStep.RETEST: "plants need a second sample, or more markers",
    NextStep.TEST_SEED: "seed in store to test",
    NextStep.REPEAT: "pollinate again",
}


def summary_page(inputs: ReportInputs, digest: str = "") -> str:
    """The page as HTML text; `digest` of the inputs it was made from."""
    config = inputs.config
    name = " ".join(str(config.get(k) or "") for k in ("crop", "season")).strip()
    sections = (_targets(inputs), _cost(inputs), _repeats(inputs), _plates(inputs))
    page = Page(
        f"Season in brief: {name}" if name else "Season in brief",
        _headline(inputs),
        _facts(inputs),
        sections,
        digest,
        "plan leader",
    )
    return render_page(page, "leader.css")


def _season(inputs: ReportInputs, column: str) -> float:
    """A figure of the whole season from rates_by.csv, NaN where there is none."""
    whole = inputs.rates_by[np.array(texts(inputs.rates_by, "factor"), dtype=object) == "season"]
    values = numbers(whole, column)
    return float(values[0]) if len(values) else math.nan


def _reached(inputs: ReportInputs) -> tuple[int, int]:
    """Crosses that reached their target, and crosses that have one."""
    target, found = numbers(inputs.crosses, "target"), numbers(inputs.crosses, "hybrids_found")
    aimed = np.nan_to_num(target) > 0
    return int((aimed & (found >= target)).sum()), int(aimed.sum())


def _headline(inputs: ReportInputs) -> str:
    reached, aimed = _reached(inputs)
    if not aimed:
        return "No cross has a target."
    repeat = texts(inputs.crosses, "next_step").count(NextStep.REPEAT)
    text = f"{reached} of {fmt.noun(aimed, 'cross', 'crosses')} reached the target"
    return text + (f"; {repeat} must be pollinated again." if repeat else ".")


def _facts(inputs: ReportInputs) -> tuple[tuple[str, str], ...]:
    reached, aimed = _reached(inputs)
    low, high = (_season(inputs, f"true_success_{end}") for end in ("low", "high"))
    span = f", 95\u00a0% interval {fmt.interval(low, high)}" if math.isfinite(low) else ""
    hybrids = _total(inputs, "hybrid")
    seed, flower = _season(inputs, "selfed_seed_share"), _season(inputs, "selfed_flower_share")
    return (
        (f"{reached}/{aimed}", "crosses that reached their target")
        if aimed
        else ("none", "of the crosses has a target"),
        (_known(_season(inputs, "true_success")), f"of the flowers gave a pod with a hybrid{span}"),
        (
            _known(seed),
            f"of the seed harvested is selfed; {_known(flower)} of the flowers that set a pod",
        ),
        (
            fmt.count(hybrids),
            f"{agreeing(int(hybrids), 'hybrid', 'hybrids')} proven among "
            f"{fmt.noun(_total(inputs, 'tested'), 'plant')}",
        ),
    )


def _known(share: float) -> str:
    return fmt.share(share) or "not known"


def _total(inputs: ReportInputs, column: str) -> float:
    return float(np.nansum(numbers(inputs.crosses, column)))


def _targets(inputs: ReportInputs) -> Section:
    steps = Counter(texts(inputs.crosses, "next_step"))
    rows = [(words, str(steps[str(step)])) for step, words in _WORDS.items() if steps[str(step)]]
    table = plain_table(
        "step-table", "Crosses by what comes next", (("next", "text"), ("crosses", "number")),
        rows, len(rows), "crosses.csv",
    )  # fmt: skip
    return Section(
        "targets", "Targets", "How many crosses reached their target", _headline(inputs),
        notices=(("care", CAUTION),), tables=(table,) if rows else (),
    )  # fmt: skip


def _cost(inputs: ReportInputs) -> Section:
    flowers, tested, hybrids = (_total(inputs, c) for c in ("flowers", "tested", "hybrid"))
    price = float(inputs.config.get("test_cost") or 0.0)
    currency = str(inputs.config.get("currency") or "")

    def money(tests: float) -> str:
        return f"{tests * price:,.2f} {currency}".strip() if price > 0 else ""

    def each(count: float) -> str:
        return fmt.decimal(count / hybrids, 1) if hybrids > 0 else ""

    open_steps = np.array(
        [s in (NextStep.TEST_SEED, NextStep.REPEAT) for s in texts(inputs.crosses, "next_step")]
    )
    more_tests, more_flowers = (
        float(np.nansum(numbers(inputs.crosses, c)[open_steps])) if len(open_steps) else 0.0
        for c in ("tests_needed", "flowers_to_repeat")
    )
    rows = [
        ("flowers pollinated", fmt.count(flowers), each(flowers), fmt.count(more_flowers), ""),
        ("plants genotyped", fmt.count(tested), each(tested), fmt.count(more_tests), money(tested)),
    ]
    table = plain_table(
        "cost-table",
        "So far, and still needed for the crosses below target",
        (("what", "text"), ("so far", "number"), ("for each hybrid proven", "number"),
         ("still needed", "number"), ("cost so far", "number")),
        rows, len(rows), "crosses.csv",
    )  # fmt: skip
    lead = (
        f"A hybrid took {each(flowers)} flowers and {each(tested)} tests on average."
        if hybrids and flowers
        else f"A hybrid took {each(tested)} tests on average; flowers are not recorded."
        if hybrids
        else "No hybrid yet."
    )
    if price > 0:
        lead += f" Tests still needed would cost {money(more_tests)}."
    return Section("cost", "Cost", "What crossing cost", lead, tables=(table,))


def _repeats(inputs: ReportInputs) -> Section:
    frame = inputs.crosses
    steps, ids = texts(frame, "next_step"), texts(frame, "cross_id")
    mother, father = texts(frame, "mother"), texts(frame, "father")
    target, found, flowers = (numbers(frame, c) for c in ("target", "hybrids_found", "flowers_to_repeat"))
    listed = [k for k, s in enumerate(steps) if s == NextStep.REPEAT]
    listed.sort(key=lambda k: (-(target[k] - found[k]), ids[k]))
    rows = [
        (ids[k], f"{mother[k]} x {father[k]}", f"{fmt.count(found[k])} of {fmt.count(target[k])}",
         fmt.count(flowers[k]) if math.isfinite(flowers[k]) else "too little known")
        for k in listed[:MOST_REPEATS]
    ]  # fmt: skip
    table = plain_table(
        "repeat-table", "Crosses to pollinate again, those that lack the most hybrids first",
        (("cross", "name"), ("mother x father", "name"), ("hybrids", "number"), ("flowers", "number")),
        rows, len(listed), "crosses.csv",
    )  # fmt: skip
    lead = "No cross needs more flowers." if not rows else f"{fmt.noun(len(listed), 'cross', 'crosses')}."
    return Section("repeat", "Repeat", "What to repeat", lead, tables=(table,) if rows else ())


def _plates(inputs: ReportInputs) -> Section:
    states = Counter(s for s in texts(inputs.plates, "state") if s)
    said = ", ".join(f"{n} {state}" for state, n in sorted(states.items()))
    held = int(np.nansum(numbers(inputs.crosses, "held")))
    serious = [f for f in inputs.findings if f.severity is FindingSeverity.CRITICAL]
    lead = f"{fmt.noun(len(inputs.plates), 'plate')}: {said}." if said else "No plate is recorded."
    if held:
        lead += f" {fmt.noun(held, 'plant')} on hold until a finding is answered."
    lead += "" if serious or held else " The checks found nothing that keeps verdicts back."
    rows = [(f.place, f.evidence) for f in serious[:MOST_FINDINGS]]
    table = plain_table(
        "finding-table", "Findings to answer first", (("where", "name"), ("what", "text")),
        rows, len(serious), "plates.csv",
    )  # fmt: skip
    return Section("plates", "Plates", "What the plate checks found", lead, tables=(table,) if rows else ())
