"""Plates: what the checks found, then the map of every plate."""

from __future__ import annotations

import csv
import io
import math
import shlex
from collections.abc import Mapping

from crossproof.model.corrections import Correction
from crossproof.model.findings import SMALL, Finding, FindingSeverity
from crossproof.model.plates import parse_well
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    FindingCard,
    FindingCards,
    Heading,
    Live,
    Notice,
    Prose,
    Section,
    Tone,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, texts
from crossproof.report.content.marks import VERDICT_MARKS
from crossproof.report.content.wells import readable_well, well_table
from crossproof.report.draw.plate_map import WellMark, key_of_well, plate_svg
from crossproof.report.facts.panel import PlatesFacts, plates_facts
from crossproof.report.facts.plants import plant_facts
from crossproof.text import agreeing, shown

MOST_NAMED = 8
MOST_SERIOUS, MOST_OTHERS = 60, 8
"""FindingCards shown as cards with their plate; further ones stand in a table."""

_TONES = {
    FindingSeverity.CRITICAL: Tone.STOP,
    FindingSeverity.WARNING: Tone.CARE,
    FindingSeverity.NOTE: Tone.NOTE,
}


def section(inputs: ReportInputs) -> Section:
    """FindingCards first, since they decide whether the verdicts stand."""
    found = findings(inputs)
    cards, others = _dealt(found)
    names = texts(inputs.plates, "plate") or list(dict.fromkeys(well_table(inputs)["plate"]))
    blocks: list[Block] = []
    if cards:
        blocks += [Heading("What the checks found"), FindingCards(cards)]
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
        blocks += [
            Heading("Corrections in force"),
            table_of(
                "corrections",
                "Rows of corrections.csv that this run applied",
                [("correction", "text")],
                [(shown(c),) for c in inputs.corrections],
            ),
        ]
    if plant_facts(inputs.verdicts).held:
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


def _lead(inputs: ReportInputs, names: list[str], found: tuple[FindingCard, ...]) -> str:
    stop = sum(f.tone is Tone.STOP for f in found)
    if names:
        text = _call_rates(plates_facts(inputs.plates), len(names))
    else:
        text = "Without plates and wells in the samples sheets, layout faults cannot be seen."
    if not found:
        against = agreeing(len(names), "it", "any of them") if names else "the samples"
        return f"{text} The checks found nothing against {against}."
    text += f" The checks found {fmt.noun(len(found), 'thing')} to look at"
    if not stop:
        return text + "; none holds a plant."
    settled = agreeing(stop, "it is", "they are")
    return f"{text}, {stop} of them serious: plants are held or wait until {settled} settled."


def _call_rates(plates: PlatesFacts, n: int) -> str:
    """How well the plates call, and which give no calls."""
    text = fmt.noun(n, "plate")
    if plates.weakest is not None:
        rate = fmt.share(plates.mean_call_rate)
        if len(plates.called) > 1:
            text += f", call rate {rate} on average and {fmt.share(plates.weakest.call_rate)} on the weakest "
            text += f"({plates.weakest.plate})"
        else:
            text += f", call rate {rate}" + (f" on {plates.weakest.plate}" if n > 1 else "")
    text += "."
    if none := plates.without_calls:
        some = ", ".join(p.plate for p in none[:MOST_NAMED])
        more = f" and {fmt.count(len(none) - MOST_NAMED)} more" if len(none) > MOST_NAMED else ""
        text += (
            f" {some}{more} {agreeing(len(none), 'has', 'have')} no calls: the genotype file is missing or "
        )
        text += "was set aside."
    return text


def findings(inputs: ReportInputs) -> tuple[FindingCard, ...]:
    """All findings as blocks, serious and certain ones first; those on a plate carry a picture of it."""
    order = sorted(inputs.findings, key=lambda f: (list(FindingSeverity).index(f.severity), _odds_key(f)))
    wells = _wells_by_plate(inputs, {f.plate for f in order})
    return tuple(_finding(f, wells) for f in order)


def _odds_key(f: Finding) -> float:
    return -f.log10_odds if math.isfinite(f.log10_odds) else 0.0


def _dealt(found: tuple[FindingCard, ...]) -> tuple[tuple[FindingCard, ...], tuple[FindingCard, ...]]:
    """FindingCards to show as cards, and those for the table."""
    serious = [f for f in found if f.tone is Tone.STOP]
    others = [f for f in found if f.tone is Tone.CARE and not f.small]
    cards = serious[:MOST_SERIOUS] + others[:MOST_OTHERS]
    return tuple(cards), tuple(f for f in found if f not in cards)


def _finding(f: Finding, wells: Mapping[str, list[dict[str, str]]]) -> FindingCard:
    kind = f.kind.value
    certain = math.isfinite(f.log10_odds) and f.log10_odds > 0
    return FindingCard(
        _TONES[f.severity],
        kind[:1].upper() + kind[1:],
        shown(f.place),
        shown(f.evidence),
        f"{fmt.factor(f.log10_odds)} to 1 against the sheets as they are" if certain else "",
        shown(f.remedy),
        _picture(f, wells),
        tuple(_csv_row(c) for c in f.corrections),
        would_change(f),
        f"crossproof correct DIR {shown(shlex.quote(f.name))}" if f.corrections else "",
        small=f.kind in SMALL,
    )


def would_change(f: Finding, most: int = MOST_NAMED) -> str:
    """What following a proposal would change, at most `most` plants by name; "" where not worked out."""
    if f.changes is None:
        return ""
    if not f.changes:
        return "no verdict changes."
    some = [
        f"{shown(c.plant)} from {VERDICT_MARKS[c.before].label} to {VERDICT_MARKS[c.after].label}"
        for c in f.changes[:most]
    ]
    rest = len(f.changes) - most
    more = f"; and {fmt.count(rest)} more" if rest > 0 else ""
    verb = "changes" if len(f.changes) == 1 else "change"
    return f"{fmt.noun(len(f.changes), 'verdict')} {verb}: {'; '.join(some)}{more}."


def _csv_row(correction: Correction) -> str:
    """A proposed correction as the line that corrections.csv would carry."""
    c, out = correction, io.StringIO()
    csv.writer(out, lineterminator="").writerow(
        [shown(x) for x in (c.kind.value, c.target, c.other, c.detail, c.note)]
    )
    return out.getvalue()


def _picture(f: Finding, wells: Mapping[str, list[dict[str, str]]]) -> str:
    affected = {
        parse_well(w).name
        for plate, _, w in (x.rpartition(":") for x in f.wells)
        if plate == f.plate and readable_well(w)
    }
    if not wells.get(f.plate) or not affected:
        return ""
    marks = [
        WellMark(w["well"], key_of_well(w["role"], w["verdict"]), "", parse_well(w["well"]).name in affected)
        for w in wells[f.plate]
    ]
    return plate_svg(marks, f"Plate {f.plate}; the wells concerned are ringed", pitch=19)


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
