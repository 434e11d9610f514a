"""Several seasons on one self-contained page, and its tables written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import write_table
from crossproof.rates.people.cautions import CAUTION
from crossproof.rates.tables.grouping import SEASON
from crossproof.rates.tables.years import MEASURES, Course, Years
from crossproof.report.content import numbers as fmt
from crossproof.report.draw.static_page import Figure, Page, Section, plain_table, render_page
from crossproof.report.draw.years_drawings import beside_others, rate_by_season

MOST_ROWS = 200
MOST_DRAWN = 24
MEASURE_WORDS = dict(
    zip(
        MEASURES,
        ("true success per flower", "selfing per flower that set a pod", "pod set"),
        strict=True,
    )
)
FACTOR_WORDS = {
    "operator": "person", "mother": "mother line", "father": "father line", "hour": "hour of the day",
    "temperature_class": "temperature",
}  # fmt: skip
YEARS_FILES = ("years.html", "years_rates.csv", "years_levels.csv", "years_trends.csv", "years_repeats.csv")


def write_years(years: Years, names: Sequence[str], folder: Path, notes: Sequence[str] = ()) -> list[Path]:
    """Write YEARS_FILES into a folder; the page last, so that it never tells of tables that are not there."""
    for name in ("rates", "levels", "trends", "repeats"):
        write_table(folder / f"years_{name}.csv", getattr(years, name), f"years_{name}")
    write_bytes(folder / "years.html", years_page(years, names, notes).encode("utf-8"))
    return [folder / name for name in YEARS_FILES]


def years_page(years: Years, names: Sequence[str], notes: Sequence[str] = ()) -> str:
    """The page as HTML text; `names` of the seasons in order of time, `notes` on how names were matched."""
    whole = years.rates[years.rates["factor"] == SEASON]
    flowers = int(whole["flowers"].sum()) if len(whole) else 0
    worse = _failing(years.levels)
    facts = [
        (str(len(names)), "seasons"),
        (f"{flowers:,}", "flowers pollinated"),
        (
            str(len(worse)),
            "persons, lines or conditions with lower true success than the others of their seasons",
        ),
        (
            str(int((years.repeats["seasons_reached"] == 0).sum())),
            "crosses tried in several seasons, never reached",
        ),
    ]
    sections = (_seasons(years, names), _levels(years), _changes(years), _repeats(years), _method(notes))
    title = f"{names[0]} to {names[-1]}" if len(names) > 1 else names[0]
    return render_page(Page(f"Seasons side by side: {title}", _summary(years), tuple(facts), sections))


def _failing(levels: pd.DataFrame) -> pd.DataFrame:
    """Levels whose true success is lower than that of the others, over their seasons."""
    rows = (levels["measure"] == MEASURES[0]) & (levels["course"] == Course.LOWER)
    return levels[rows].sort_values("odds_ratio", kind="stable")


def _summary(years: Years) -> str:
    said = []
    for row in years.trends.itertuples():
        if row.course in (Course.ROSE, Course.FELL):
            said.append(f"{MEASURE_WORDS[row.measure]} {row.course} from season to season")
    worse = _failing(years.levels)
    lines = [
        f"{FACTOR_WORDS[r.factor]} {r.level}" for r in worse.itertuples() if r.factor in ("mother", "father")
    ]
    if lines:
        said.append(f"lower true success over the years: {', '.join(lines[:6])}")
    if not said:
        return "No direction over the seasons, and no line, that is more than chance."
    text = "; ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def _rate(whole: pd.DataFrame, season: str, measure: str) -> tuple[float, float, float]:
    """A season's rate and its limits, NaN where it has none."""
    if season not in whole.index:
        return math.nan, math.nan, math.nan
    value, low, high = (float(whole.at[season, f"{measure}{end}"]) for end in ("", "_low", "_high"))
    return value, low, high


def _seasons(years: Years, names: Sequence[str]) -> Section:
    whole = years.rates[years.rates["factor"] == SEASON].set_index("season")
    figures: list[Figure] = []
    rows: list[tuple[str, ...]] = []
    for measure in MEASURES:
        points = [(name, *_rate(whole, name, measure)) for name in names]
        trend = years.trends[years.trends["measure"] == measure].iloc[0]
        figures.append(
            Figure(
                f"seasons-{measure}",
                MEASURE_WORDS[measure].capitalize(),
                _trend_words(trend),
                rate_by_season(points, f"{MEASURE_WORDS[measure]} by season"),
            )
        )
        rows += [
            (
                MEASURE_WORDS[measure], name, fmt.share(value), fmt.interval(low, high),
                fmt.count(whole.at[name, "flowers"]) if name in whole.index else "",
            )
            for name, value, low, high in points
        ]  # fmt: skip
    table = plain_table(
        "season-table",
        "Rates of whole seasons",
        (("rate", "text"), ("season", "name"), ("value", "number"), ("95\u00a0% interval", "number"),
         ("flowers", "number")),
        rows, len(rows), "years_rates.csv",
    )  # fmt: skip
    return Section(
        "seasons", "Seasons", "Season by season", "Dots are rates, lines their 95\u00a0% intervals.",
        drawings=tuple(figures), tables=(table,),
    )  # fmt: skip


def _trend_words(trend: pd.Series) -> str:
    """What may be said of a direction, and what three seasons cannot say."""
    if not math.isfinite(trend["odds_ratio"]):
        return "Known in fewer than two seasons."
    ratio = f"odds times {trend['odds_ratio']:.2f} a season ({trend['low']:.2f} to {trend['high']:.2f})"
    if trend["course"] not in (Course.ROSE, Course.FELL):
        return f"No direction beyond chance: {ratio}."
    text = f"It {trend['course']} by more than chance: {ratio}. "
    if math.isfinite(trend["p_any"]) and trend["p_any"] < 0.05:
        return text + "The seasons scatter so little about the line that a lasting change is likely."
    seasons = fmt.noun(int(trend["seasons"]), "season")
    return text + f"Whether it lasts or these years just differed, {seasons} cannot tell."


def _levels(years: Years) -> Section:
    frame = years.levels
    clear = frame["course"].isin([Course.HIGHER, Course.LOWER])
    first = frame["measure"] == MEASURES[0]
    known = frame[first & np.isfinite(frame["low"].astype(np.float64))]
    drawn = known.assign(clear=clear).sort_values(["clear", "p"], ascending=[False, True], kind="stable")
    lines = [
        (f"{FACTOR_WORDS[r.factor]} {r.level}", r.odds_ratio, r.low, r.high, bool(r.clear))
        for r in drawn.head(MOST_DRAWN).sort_values("odds_ratio", kind="stable").itertuples()
    ]
    figures: tuple[Figure, ...] = ()
    if lines:
        figures = (
            Figure(
                "beside", "True success compared with the others of the same season",
                "Right of the line: more flowers lead to a hybrid. Filled dots differ by more than chance "
                "after control of false discoveries; differences between seasons count as chance.",
                beside_others(lines, "odds of true success against the others of the same season"),
            ),
        )  # fmt: skip
    listed = frame[clear].sort_values(["factor", "q"], kind="stable")
    rows = [
        (FACTOR_WORDS[r.factor], r.level, MEASURE_WORDS[r.measure], str(r.seasons), fmt.decimal(r.odds_ratio),
         f"{fmt.decimal(r.low)} to {fmt.decimal(r.high)}", f"{r.q:.2g}", r.course)
        for r in listed.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "level-table", "Persons, lines and conditions that differ from the others of their seasons",
        (("what", "text"), ("which", "name"), ("rate", "text"), ("seasons", "number"), ("odds ratio",
        "number"),
         ("95\u00a0% interval", "number"), ("q", "number"), ("over the years", "text")),
        rows, len(listed), "years_levels.csv",
    )  # fmt: skip
    found = f"{fmt.noun(len(listed), 'comparison')} of {len(frame):,} beyond chance."
    return Section(
        "levels", "Who and what", "Better and worse over the years",
        f"Each is compared with everyone else of its own season, in at least two seasons. {found}",
        notices=(
            ("care", CAUTION),
            ("note", "A line that fails pulls the mean of the others down, so that some of these seem to do "
             "better; and a person who crosses a difficult line every year shares its odds."),
        ),
        drawings=figures, tables=(table,) if rows else (),
    )  # fmt: skip


def _changes(years: Years) -> Section:
    frame = years.levels
    listed = frame[frame["change"].isin([Course.ROSE, Course.FELL])].sort_values("changed_q", kind="stable")
    rows = [
        (FACTOR_WORDS[r.factor], r.level, MEASURE_WORDS[r.measure], r.change, fmt.decimal(r.changed),
         f"{fmt.decimal(r.changed_low)} to {fmt.decimal(r.changed_high)}", f"{r.changed_q:.2g}")
        for r in listed.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "change-table",
        "Last season against the earlier ones, each compared with the others of its season",
        (("what", "text"), ("which", "name"), ("rate", "text"), ("change", "text"), ("odds ratio", "number"),
         ("95\u00a0% interval", "number"), ("q", "number")),
        rows, len(listed), "years_levels.csv",
    )  # fmt: skip
    lead = (
        "Nobody and nothing changed by more than chance." if not rows else "What changed by more than chance."
    )
    return Section("changes", "Changes", "Who and what changed", lead, tables=(table,) if rows else ())


def _repeats(years: Years) -> Section:
    frame = years.repeats
    rows = [
        (f"{r.mother} x {r.father}", str(r.seasons), str(r.tags), f"{r.flowers:,}", str(r.hybrids),
         str(r.seasons_reached), f"{r.first} to {r.last}")
        for r in frame.head(MOST_ROWS).itertuples()
    ]  # fmt: skip
    table = plain_table(
        "repeat-table",
        "Crosses tried in two seasons or more, those that never reached their target first",
        (("mother x father", "name"), ("seasons", "number"), ("tags", "number"), ("flowers", "number"),
         ("hybrids found", "number"), ("seasons with target reached", "number"), ("from", "text")),
        rows, len(frame), "years_repeats.csv",
    )  # fmt: skip
    never = int((frame["seasons_reached"] == 0).sum())
    lead = f"{fmt.noun(never, 'cross', 'crosses')} tried in several seasons never reached the target in any."
    return Section("repeats", "Again and again", "Crosses tried again", lead, tables=(table,) if rows else ())


def _method(notes: Sequence[str]) -> Section:
    return Section(
        "method",
        "Method",
        "How this was worked out",
        "Each season is counted separately. A person, line or condition is compared with everyone else of "
        "the same season on the log-odds scale; comparisons of several seasons are combined with season as "
        "a random effect, its variance taken from all levels of a factor. False discoveries are controlled "
        "within each rate at 5\u00a0%: where nothing differs, such a list names somebody in about one case "
        "in twenty. Seasons were not assigned at random: weather, people and lines changed together.",
        notices=tuple(("note", n) for n in notes),
    )
