"""Plates: what the checks found, then the map of every plate."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from crossproof.model.plates import parse_well
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Finding,
    Findings,
    Heading,
    Live,
    Notice,
    Prose,
    Section,
    Tone,
    table_of,
)
from crossproof.report.content.explain import number
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.payload import readable_well as _readable
from crossproof.report.content.payload import well_table
from crossproof.report.draw.plate_map import WellMark, key_of_well, plate_svg
from crossproof.text import shown

MOST_SERIOUS, MOST_OTHERS = 60, 8
"""Findings shown as cards with their plate; further ones stand in a table."""

SMALL = {"low call rate", "samples without calls", "marker fails on this plate", "cannot be checked"}
"""Findings about one well or marker that ask for little: they go straight to the table."""

CORRECTION_COLUMNS = ("kind", "target", "other", "detail", "note")

_TONES = {"critical": Tone.STOP, "warning": Tone.CARE, "note": Tone.NOTE}


def section(inputs: ReportInputs) -> Section:
    """Findings first, since they decide whether the verdicts stand."""
    found = findings(inputs)
    cards, others = _dealt(found)
    names = texts(inputs.plates, "plate") or list(dict.fromkeys(well_table(inputs)["plate"]))
    blocks: list[Block] = []
    if cards:
        blocks += [Heading("What the checks found"), Findings(cards)]
    if others:
        rows = [(f.place, f.title, f.sentence, f.remedy) for f in others]
        blocks += [
            Heading("Smaller remarks" if cards else "What the checks found"),
            table_of(
                "remarks",
                "Wells, markers and lines to look at when there is time",
                [("place", "name"), ("finding", "text"), ("what was seen", "text"), ("what to do", "text")],
                rows,
                most=200,
                rest="All are in problems.csv.",
            ),
        ]
    if names:
        blocks += [Heading("Every plate, well by well"), Live("plates")]
    else:
        blocks.append(Prose("No plate positions are recorded in the samples sheets, so no map can be drawn."))
    if inputs.corrections:
        keys = ("sentence", "kind", "target", "other", "detail", "note")
        rows = [tuple(shown(c.get(k)) for k in keys) for c in inputs.corrections]
        blocks += [
            Heading("Corrections in force"),
            table_of(
                "corrections",
                "Answers in corrections.csv that this run followed",
                [
                    ("correction", "text"),
                    ("kind", "text"),
                    ("target", "name"),
                    ("other", "name"),
                    ("detail", "text"),
                    ("note", "text"),
                ],
                rows,
            ),
        ]
    stop = sum(f.tone is Tone.STOP for f in found)
    if stop:
        blocks.insert(
            0,
            Notice(
                Tone.STOP,
                "Some plants are held",
                "Their verdicts are shown, but they are "
                "neither kept nor culled until the finding is settled.",
            ),
        )
    return Section(
        "plates",
        "Can the plates be trusted?",
        "Plates",
        _lead(inputs, names, found),
        tuple(blocks),
        str(len(found)) if found else "",
    )


def _lead(inputs: ReportInputs, names: list[str], found: tuple[Finding, ...]) -> str:
    if not names:
        return "Without plates and wells in the samples sheets, layout faults cannot be seen."
    rates = numbers(inputs.plates, "call_rate")
    text = f"{fmt.noun(len(names), 'plate')}"
    if np.isfinite(rates).any():
        worst = int(np.nanargmin(rates))
        text += f", call rate {fmt.share(float(np.nanmean(rates)))} on average"
        if len(names) > 1:
            text += f" and {fmt.share(float(rates[worst]))} on the weakest ({names[worst]})"
    stop = sum(f.tone is Tone.STOP for f in found)
    if not found:
        return text + ". The checks found nothing against any of them."
    text += f". The checks found {fmt.noun(len(found), 'thing')} to look at"
    return text + (f", {stop} of them serious enough to hold plants." if stop else "; none holds a plant.")


def findings(inputs: ReportInputs) -> tuple[Finding, ...]:
    """All findings, serious and certain ones first; those on a plate carry a picture of it."""
    order = sorted(inputs.findings, key=lambda f: (list(_TONES).index(_severity(f)), _odds_key(f)))
    wells = _wells_by_plate(inputs, {shown(f.get("plate")) for f in order})
    return tuple(_finding(f, wells) for f in order)


def _odds_key(row: Mapping[str, Any]) -> float:
    odds = number(row.get("log10_odds"))
    return -odds if math.isfinite(odds) else 0.0


def _dealt(found: tuple[Finding, ...]) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Findings to show as cards, and those for the table."""
    serious = [f for f in found if f.tone is Tone.STOP]
    others = [f for f in found if f.tone is Tone.CARE and f.title.lower() not in SMALL]
    cards = serious[:MOST_SERIOUS] + others[:MOST_OTHERS]
    return tuple(cards), tuple(f for f in found if f not in cards)


def _severity(row: Mapping[str, Any]) -> str:
    text = shown(row.get("severity"))
    if text in _TONES:
        return text
    if shown(row.get("hold")) not in ("", "nothing") or row.get("critical") is True:
        return "critical"
    return "note" if row.get("note") is True else "warning"


def _finding(row: Mapping[str, Any], wells: Mapping[str, list[dict[str, str]]]) -> Finding:
    odds = number(row.get("log10_odds"))
    plate, kind = shown(row.get("plate")), shown(row.get("kind"))
    return Finding(
        _TONES[_severity(row)],
        kind[:1].upper() + kind[1:],
        shown(row.get("place")) or _place(row, plate),
        shown(row.get("sentence")) or shown(row.get("evidence")),
        f"{fmt.factor(odds)} to 1 against the sheets as they are" if math.isfinite(odds) and odds > 0 else "",
        shown(row.get("remedy")),
        _picture(row, plate, wells),
        tuple(_csv_row(c) for c in row.get("corrections") or ()),
    )


def _place(row: Mapping[str, Any], plate: str) -> str:
    scope, subject = shown(row.get("scope")), shown(row.get("subject"))
    about = f"{scope} {subject}".strip() if subject else ""
    on_plate = f"plate {plate}" if plate and plate != subject else ""
    return ", ".join(t for t in (about, on_plate) if t)


def _csv_row(correction: Mapping[str, Any]) -> str:
    """A proposed correction as the line that corrections.csv would carry."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow([shown(correction.get(c)) for c in CORRECTION_COLUMNS])
    return out.getvalue()


def _picture(row: Mapping[str, Any], plate: str, wells: Mapping[str, list[dict[str, str]]]) -> str:
    affected = _wells_named(row, plate)
    if not wells.get(plate) or not affected:
        return ""
    marks = [
        WellMark(w["well"], key_of_well(w["role"], w["verdict"]), "", parse_well(w["well"]).name in affected)
        for w in wells[plate]
    ]
    return plate_svg(marks, f"Plate {plate}; the wells concerned are ringed", pitch=19)


def _wells_named(row: Mapping[str, Any], plate: str) -> set[str]:
    """Wells of this plate that a finding names, as H12 or P01:H12, in a list or in one text."""
    named = row.get("wells") or ()
    words = (
        named.replace(";", " ").replace(",", " ").split()
        if isinstance(named, str)
        else [shown(w) for w in named]
    )
    out = set()
    for word in words:
        where, _, well = word.rpartition(":")
        if where in ("", plate) and _readable(well):
            out.add(parse_well(well).name)
    return out


def _wells_by_plate(inputs: ReportInputs, plates: set[str]) -> dict[str, list[dict[str, str]]]:
    table = well_table(inputs)
    verdict = dict(zip(texts(inputs.verdicts, "plant"), texts(inputs.verdicts, "verdict"), strict=True))
    out: dict[str, list[dict[str, str]]] = {p: [] for p in plates if p}
    wanted = table[table["plate"].isin(list(out))]
    for plate, well, role, plant in zip(
        wanted["plate"], wanted["well"], wanted["role"], wanted["plant"], strict=True
    ):
        out[plate].append({"well": well, "role": role, "verdict": verdict.get(plant, "")})
    return out
