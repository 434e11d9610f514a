"""The plan as one self-contained page without a script, and its files written.

The words and numbers are chosen here, once; plan.html.j2 only lays them out.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import number_text, write_table
from crossproof.model.results import Provable
from crossproof.planning.operator_view import CAUTION
from crossproof.planning.run_plan import Plan
from crossproof.report.draw.plan_drawings import (
    crosses_by_evidence,
    markers_on_chromosomes,
    plate_picture,
    weeks_of_work,
)
from crossproof.report.draw.plan_waiting import waiting_section
from crossproof.report.draw.static_page import Figure, Page, Section, plain_table, render_page
from crossproof.text import agreeing, count_of, percent, shown

MOST_ROWS = 200
MOST_PLATES = 24

_FEW_TAGS = 30
_FEW_RECORDS = (
    " So few tags may be lucky ones, for which too few flowers are asked for: keep some in reserve."
)

PLAN_FILES = ("plan.html", "plan_crosses.csv", "plan_markers.csv", "plan_numbers.csv", "plan_samples.csv")


def write_plan(plan: Plan, folder: Path, *, title: str = "", digest: str = "") -> None:
    """Write PLAN_FILES and the smaller tables (plan_weeks.csv, plan_sisters.csv) into a folder."""
    for name in ("crosses", "markers", "numbers", "samples", "weeks", "sisters"):
        write_table(folder / f"plan_{name}.csv", getattr(plan, name), f"plan_{name}")
    write_bytes(folder / "plan.html", plan_page(plan, title=title, digest=digest).encode("utf-8"))


def plan_page(plan: Plan, *, title: str = "", digest: str = "") -> str:
    """The page as HTML text. title: of the season, "" for none; digest: of the inputs it was made from."""
    page = plan_content(plan, title=title, digest_text=digest)
    return render_page(page)


def plan_content(plan: Plan, *, title: str = "", digest_text: str = "") -> Page:
    """Words and numbers of the page."""
    crosses, numbers = plan.crosses, plan.numbers
    total, proven = len(crosses) - len(plan.waiting), int((crosses["verifiable"] == Provable.YES).sum())
    borderline = int((crosses["verifiable"] == Provable.BORDERLINE).sum())
    flowers, seeds = numbers["flowers_to_pollinate"].sum(), numbers["wells"].sum()
    summary = f"{proven} of {count_of(total, 'cross', 'crosses')} can be proven on this panel"
    if borderline:
        summary += f"; {count_of(borderline, 'is', 'are')} borderline"
    rest = total - proven - borderline
    summary += f"; {count_of(rest, 'needs', 'need')} further markers." if rest else "."
    if waiting := len(plan.waiting):
        summary += f" {count_of(waiting, 'cross waits', 'crosses wait')} for a parent to be typed."
    if not len(crosses):
        summary = (
            "No crosses are planned."
            if plan.from_list
            else "Fewer than two lines have genotypes, so there is no cross to plan."
        )
    facts = [
        (
            f"{proven}/{total}",
            "crosses of which a hybrid and a self would both be judged correctly with the wanted probability",
        ),
        (
            _whole(plan.least.hybrid_and_self),
            f"contrast markers needed to tell hybrids from selfs; {_whole(plan.least.all_of_the_parents)} "
            "to tell F2, backcrosses and father selfs as well",
        ),
    ]
    if plan.from_list:
        unmet = int(numbers["flowers_to_pollinate"].isna().sum())
        apart = f", {count_of(unmet, 'cross', 'crosses')} apart that no number would do for" if unmet else ""
        facts += [
            (f"{int(flowers):,}", f"flowers to pollinate for all targets{apart}"),
            (f"{int(seeds):,}", f"seeds to test, on {count_of(len(plan.plates), 'plate')}"),
        ]
    sections = [_proof(plan)]
    if plan.waiting:
        sections.append(waiting_section(plan.waiting, MOST_ROWS))
    if len(plan.sisters):
        sections.append(_sisters(plan))
    sections.append(_markers(plan))
    sections.append(_numbers(plan))
    if plan.plates:
        sections.append(_plates(plan))
    if (plan.weeks["week"] != "").any() or (plan.weeks["operator"] != "").any():
        sections.append(_weeks(plan))
    sections.append(_method(plan))
    return Page(
        title=shown(f"Plan for {title}" if title else "Crossing plan"),
        summary=summary,
        facts=tuple(facts),
        sections=tuple(sections),
        digest=digest_text,
    )


def _proof(plan: Plan) -> Section:
    frame = plan.crosses.sort_values(
        ["verifiable", "contrast_markers", "cross_id"],
        kind="stable",
        ignore_index=True,
        key=lambda column: column.map(_PROOF_ORDER) if column.name == "verifiable" else column,
    )
    rows = []
    for r in frame.head(MOST_ROWS).itertuples():
        rows.append(
            (
                r.cross_id,
                f"{r.mother} x {r.father}",
                str(r.verifiable),
                _whole(r.contrast_markers, ""),
                *(_chance(getattr(r, f"p_{c}")) for c in ("hybrid", "self", "outcross", "off_pedigree")),
                "" if pd.isna(n := r.further_markers) or not n else _whole(n),
                _some(r.suggested_markers),
            )
        )
    table = plain_table(
        "proof-table",
        "Crosses, those that cannot be proven first: probability of a correct verdict",
        (("cross", "name"), ("mother x father", "name"), ("can be proven", "text"),
         ("contrast markers", "number"),
         ("hybrid", "number"), ("self", "number"), ("outcross", "number"), ("off pedigree", "number"),
         ("still missing", "number"), ("markers to add", "text")),
        rows,
        len(frame),
        "plan_crosses.csv",
    )  # fmt: skip
    figures: tuple[Figure, ...] = ()
    if len(placed := plan.crosses[plan.crosses["verifiable"] != Provable.UNTYPED]):
        figures = (
            Figure(
                "evidence",
                "The more markers differ, the surer the verdict",
                "Each dot is a cross (larger: several), placed by its contrast markers and by the smaller "
                "of the chances that its hybrids and its selfs get a correct verdict. Rings fall short of "
                "the wanted probability.",
                crosses_by_evidence(placed, plan.settings.wanted),
            ),
        )
    waiting = {w.cross.row for w in plan.waiting} - {None}  # these have a table of their own
    others = [p for p in plan.problems if p.row not in waiting]
    return Section(
        "proof",
        "What can be proven",
        "What this panel can prove",
        f"A cross counts as proven when a hybrid and a self both get a correct verdict with a probability "
        f"of at least {plan.settings.wanted:g}, under the season's own error and call rates. "
        "Borderline: the bounds of that probability leave it open. Not every plant: some plants will stay "
        "without a verdict. No: fewer than "
        f"{count_of(plan.settings.min_markers_scored, 'marker')} "
        "tell the parents apart, and no plant is called hybrid or self.",
        notices=tuple(("care", f"{p.file}: {p.problem} {p.remedy}") for p in others),
        drawings=figures,
        tables=(table,),
    )


def _sisters(plan: Plan) -> Section:
    rows = [
        (f"{r.line} and {r.other_line}", str(r.contrast_markers), _some(r.markers_that_would))
        for r in plan.sisters.head(MOST_ROWS).itertuples()
    ]
    table = plain_table(
        "sister-table",
        "Pairs of lines with too few contrast markers on the panel",
        (("lines", "text"), ("contrast markers", "number"), ("candidate markers that differ", "text")),
        rows,
        len(plan.sisters),
        "plan_sisters.csv",
    )
    same = int((plan.sisters["contrast_markers"] == 0).sum())
    return Section(
        "sisters",
        "Sister lines",
        "Lines the panel cannot tell apart",
        f"{count_of(same, 'pair')} of lines {agreeing(same, 'differs', 'differ')} at no marker on the panel, "
        f"{len(plan.sisters) - same} more at too few. "
        "Where no marker differs, a cross proves nothing and pollen of one line passes for the other's. "
        "Where few do, some plants will stay without a verdict.",
        tables=(table,),
    )


def _markers(plan: Plan) -> Section:
    frame = plan.markers
    chosen = frame[frame["smallest_set"] | frame["add"]].sort_values(
        ["crosses", "marker"], ascending=[False, True], kind="stable"
    )
    rows = [
        (r.marker, r.chrom, _whole(r.pos or None, ""), _yes(r.on_panel), _yes(r.add), _yes(r.smallest_set),
         str(r.crosses), f"{r.call_rate:.3f}", f"{r.false_heterozygote:.4f}", f"{r.cost:g}")
        for r in chosen.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "marker-table",
        "Markers chosen",
        (("marker", "name"), ("chromosome", "text"), ("position", "number"), ("on panel now", "text"),
         ("add", "text"), ("in the set found", "text"), ("crosses served", "number"), ("call rate",
         "number"), ("false heterozygotes", "number"), ("cost", "number")),
        rows,
        len(chosen),
        "plan_markers.csv",
    )  # fmt: skip
    figures: tuple[Figure, ...] = ()
    if len(chosen):
        figures = (
            Figure(
                "map",
                "Where the chosen markers lie",
                "Ticks are all markers known. Triangles above the chromosome: the smallest set found "
                "for these crosses. Below it: markers to add to the panel as it is.",
                markers_on_chromosomes(frame),
            ),
        )
    return Section(
        "markers",
        "Markers",
        "Which markers it takes",
        " ".join(plan.marker_plan.notes) or "No markers were chosen.",
        drawings=figures,
        tables=(table,) if rows else (),
    )


def _numbers(plan: Plan) -> Section:
    rates = plan.rates
    rows = [
        (r.cross_id, f"{r.mother} x {r.father}", str(r.target_hybrids), _whole(r.seeds_to_test),
         _whole(r.seeds_fixed_rate), _whole(r.flowers_to_pollinate), _whole(r.flowers_planned, ""),
         _money(r.test_cost, plan.settings.currency))
        for r in plan.numbers.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "number-table",
        f"Seeds and flowers for the wanted hybrids with probability {plan.settings.success_probability:g}",
        (("cross", "name"), ("mother x father", "name"), ("hybrids wanted", "number"), ("seeds to test",
        "number"),
         ("were the rate known", "number"), ("flowers", "number"), ("flowers planned", "number"),
         ("cost", "number")),
        rows,
        len(plan.numbers),
        "plan_numbers.csv",
    )  # fmt: skip
    notices: tuple[tuple[str, str], ...] = ()
    if rates.assumed:
        text = (
            f"No records for: {', '.join(rates.assumed)}. Stated assumptions stand in their place until a "
            "season has been verified."
        )
        notices = (("care", text),)
    known = (
        f"{rates.tags:,} tags with {rates.plants:,} determined plants" if rates.tags else "no verified tags"
    )
    return Section(
        "numbers",
        "Seeds and flowers",
        "How many seeds and flowers",
        f"At a mean hybrid rate of {percent(rates.hybrid_rate)}, a pod set of {percent(rates.pod_set)} and "
        f"{rates.mean_seeds:.2g} seeds per pod ({known}). The numbers allow for what is not known of the "
        "rates, and for seeds of one pod sharing their fate."
        + (_FEW_RECORDS if 0 < rates.tags < _FEW_TAGS else ""),
        notices=notices,
        tables=(table,),
    )


def _plates(plan: Plan) -> Section:
    figures = []
    for plate in plan.plates[:MOST_PLATES]:
        svg, key = plate_picture(plate)
        blanks = sum(w.role == "blank" for w in plate.wells)
        parents = sum(w.role == "parent" for w in plate.wells)
        hard = len(plate.unseen)
        proof = (
            f"each of {len(plate.checks)} ways to turn, mirror, shift or swap would show in at least "
            f"{plate.least} wells"
            if not hard
            else f"{hard} of {len(plate.checks)} ways to turn, mirror, shift or swap show in under 2 wells"
        )
        figures.append(
            Figure(
                plate.name,
                plate.name,
                f"{count_of(len(plate.wells), 'well')}, {count_of(parents, 'parent')} and "
                f"{count_of(blanks, 'blank')} among them; {proof}.",
                svg,
                tuple(key),
            )
        )
    more = len(plan.plates) - len(figures)
    notices = (
        (("note", f"{count_of(more, 'more plate is', 'more plates are')} in plan_samples.csv."),)
        if more > 0
        else ()
    )
    return Section(
        "plates",
        "Plates",
        "Plates ready to fill",
        "Circles are plants, numbered by family; squares are parents; dashed circles are blanks; a ringed "
        "plant is there twice. plan_samples.csv is the samples sheet for these plates, ready to use.",
        notices=notices,
        plates=tuple(figures),
    )


def _weeks(plan: Plan) -> Section:
    rows = [
        (r.week or "no week", r.operator or "everyone", str(r.crosses), str(r.flowers), str(r.wanted),
         f"{r.expected:.1f}", f"{r.low} to {r.high}")
        for r in plan.weeks.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "week-table",
        "Verified hybrids to expect from the flowers planned, with 95 % limits",
        (("week", "name"), ("who", "name"), ("crosses", "number"), ("flowers", "number"), ("wanted",
        "number"),
         ("expected", "number"), ("limits", "text")),
        rows,
        len(plan.weeks),
        "plan_weeks.csv",
    )  # fmt: skip
    figure = Figure(
        "weeks-chart",
        "Hybrids to expect, week by week",
        "Bar: 95 % limits at the team's rates; line: expected; ring: wanted. Where flowers were computed, "
        "more is expected than wanted, because each cross on its own is to reach its target with the wanted "
        "probability.",
        weeks_of_work(plan.weeks),
    )
    return Section(
        "weeks",
        "Weeks",
        "What each week should bring",
        "The wish list as work on the bench.",
        notices=(("care", CAUTION),),
        drawings=(figure,),
        tables=(table,),
    )


def _method(plan: Plan) -> Section:
    notices = tuple(("note", note) for note in plan.notes if note != CAUTION)
    return Section(
        "method",
        "Method",
        "How this was worked out",
        "A hybrid against a self, and both in a family: exact, by convolution of the log likelihood ratio "
        "over the markers. Against all classes at once: strict bounds, and a Monte Carlo value with a "
        "fixed seed between them where the bounds leave it open; outcrosses and off-pedigree plants: "
        "Monte Carlo, because there are as many hypotheses as the panel has lines. Markers: an integer "
        "programme proposes sets and the model above decides what they prove; a set is called the smallest "
        "only where no smaller one proves as many crosses. Seeds and flowers: sums of beta-binomials over "
        "the posterior of the team's rates.",
        notices=notices,
    )


_PROOF_ORDER = {
    str(state): rank
    for rank, state in enumerate(
        (Provable.UNTYPED, Provable.NO, Provable.PARTLY, Provable.BORDERLINE, Provable.YES)
    )
}


def _chance(value: float) -> str:
    if pd.isna(value):
        return ""
    return ">0.999" if value > 0.9995 else f"{value:.3f}"


def _whole(value: object, missing: str = "too many") -> str:
    return missing if value is None or pd.isna(value) else f"{int(value):,}"  # type: ignore[call-overload]


def _money(value: float | None, currency: str) -> str:
    return "" if value is None or pd.isna(value) else f"{number_text(float(value), 2)} {currency}".strip()


def _yes(value: object) -> str:
    return "yes" if bool(value) else ""


def _some(names: str, most: int = 8) -> str:
    listed = [n for n in str(names).split(";") if n]
    return ", ".join(listed[:most]) + (f" and {len(listed) - most} more" if len(listed) > most else "")
