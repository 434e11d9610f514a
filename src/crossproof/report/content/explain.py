"""The evidence for one plant, in words and marker by marker.

The words are templates filled from the columns of verdicts.csv. The page carries the same templates and
fills them for whichever plant is opened, so that page and terminal say the same.
A field is written {column|format}: n a count, m a number of markers, s a share, p a probability, x a power
of ten, t text.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from rich.console import Group
from rich.table import Table as RichTable
from rich.text import Text

from crossproof.errors import UsageError, error
from crossproof.model.arrays import Floats
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.plant_calls import PlantCalls, is_homozygote
from crossproof.model.results import Provable, Reason, Verdict
from crossproof.model.sentinels import MISSING
from crossproof.report.content import numbers as fmt
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS, VERDICT_MARKS, verdict_of
from crossproof.report.facts.plants import Pile, plant_fact
from crossproof.text import shown

TEMPLATES: dict[str, str] = {
    "hybrid": "{plant} is a hybrid of {mother} and {father}, as its tag says (probability {p_hybrid|p}).",
    "self": "{plant} is a self: {mother} was pollinated by its own pollen (probability {p_self|p}).",
    "outcross": "{plant} comes from {mother}, but the pollen was not that of {father} (probability "
    "{p_outcross|p}).",
    "off_pedigree": "{plant} is not a first-generation child of {mother} (probability {p_off_pedigree|p}). "
    "It may be seed of the father, a later generation, another line or another cross.",
    "undetermined": "{plant} has no verdict. The likeliest class is {leading_class}, but its probability is "
    "below the threshold.",
    "undetermined_sure": "{plant} has no verdict. The likeliest class is {leading_class}, but its calls "
    "cannot be relied on.",
    "undetermined_bare": "{plant} has no verdict.",
    "reason": "Reason: {reason}.",
    "settle": "What would settle it: {settle}",
    "source": "Likeliest origin: {likely_source} (probability {source_probability|p}). A line cannot always "
    "be told from its close relatives.",
    "contrast": "The parents are fixed for different alleles at {contrast_markers|m}. Scored in this "
    "plant: {contrast_scored|n}; heterozygous: {contrast_het|n}, a share of {het_share|s} (95\u00a0% "
    "interval {het_low|s} to {het_high|s}). A hybrid is heterozygous at nearly all of "
    "them, a self at nearly none.",
    "contrast_unscored": "The parents are fixed for different alleles at {contrast_markers|m}, but "
    "none of these was scored in this plant.",
    "contrast_none": "No marker is fixed for different alleles in {mother} and {father}; the only evidence "
    "comes from markers at which a parent is not fixed.",
    "contrast_untyped": "A parent of this cross is not typed, so the markers at which {mother} and {father} "
    "differ are not known; the only evidence comes from the typed parent and the other plants.",
    "foreign": "At the markers used, {foreign_calls|n} calls carry an allele found in neither parent.",
    "foreign_one": "At the markers used, one call carries an allele found in neither parent; a single one "
    "may be an assay error.",
    "foreign_none": "At the markers used, no call carries an allele found in neither parent.",
    "lod_for": "Its own calls are {lod|x} times as likely under hybrid as under the next best class. The "
    "probability also uses the other plants of the cross and how often each class occurs.",
    "lod_against": "Its own calls are {lod|x} times as likely under the best other class as under hybrid. "
    "The probability also uses the other plants of the cross and how often each class occurs.",
    "call_rate": "Call rate {call_rate|s} at the markers used.",
    "keep": "Decision: keep.",
    "cull": "Decision: cull. A verdict is a probability: keep remnant seed of whatever cannot be made again.",
    "sample_again": "Decision: retest. Take a fresh leaf sample; do not throw the plant away before that.",
    "wait": "Decision: retest, but wait: a second sample of this plant would not help. Leave it where it is.",
    "hold": "Decision: hold. Its plate, file, tag or parent sample is in doubt; neither keep nor cull until "
    "that is settled.",
    "flags": "Remarks: {flags}.",
}

BELOW_THRESHOLD = (Reason.CLASSES_CLOSE, Reason.WELLS_DISAGREE, Reason.PARENTS_UNRESOLVED)
"""Reasons of plants no class of which reaches the threshold."""
NOT_RELIED_ON = (Reason.LOW_CALL_RATE, Reason.MIXED_DNA)
"""Reasons of plants without a verdict whatever the probabilities."""

UNEXPECTED = (Verdict.OUTCROSS, Verdict.OFF_PEDIGREE)
"""Verdicts of which a reader asks where the plant came from; of a hybrid or self the verdict says it."""

_FIELD = re.compile(r"\{(\w+)(?:\|(\w))?\}")

ROUNDED = {
    "het_share": 4,
    "het_low": 4,
    "het_high": 4,
    "call_rate": 4,
    "source_probability": 4,
    "p_hybrid": 5,
    "p_self": 5,
    "p_outcross": 5,
    "p_off_pedigree": 5,
    "lod": 2,
}
"""Decimals that the page carries; the terminal rounds the same way first."""


def number(value: object) -> float:
    """A cell as a float, NaN where it is none."""
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return float("nan")


def template_keys(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Which sentences hold for a plant, in the order they are said."""
    verdict = verdict_of(shown(row.get("verdict")))
    keys = [verdict.value]
    if verdict is Verdict.UNDETERMINED:
        keys = [_undetermined_key(row)]
    if shown(row.get("reason")):
        keys.append("reason")
    keys += _marker_keys(row)
    if shown(row.get("likely_source")) and verdict in UNEXPECTED:
        keys.append("source")
    lod = number(row.get("lod"))
    if np.isfinite(lod):
        keys.append("lod_for" if lod >= 0 else "lod_against")
    if np.isfinite(number(row.get("call_rate"))):
        keys.append("call_rate")
    if shown(row.get("settle")):
        keys.append("settle")
    if shown(row.get("flags")):
        keys.append("flags")
    pile = _pile(row)
    if pile is not None:
        keys.append(pile.name.lower())
    return tuple(keys)


_WORDS_ASKED = ("verdict", "decision", "reason", "verifiable")
_TEXTS_ASKED = ("leading_class", "likely_source", "settle", "flags")
_NUMBERS_ASKED = ("contrast_markers", "contrast_scored", "foreign_calls", "lod", "call_rate")


def template_keys_of(frame: pd.DataFrame) -> list[tuple[str, ...]]:
    """`template_keys` of every row of verdicts; rows of which the same is asked share the answer.

    Of a text it is asked whether there is one, of a number its sign and whether it is 0, 1 or not known.
    """
    columns = [texts(frame, name) for name in _WORDS_ASKED]
    columns += [["x" if text else "" for text in texts(frame, name)] for name in _TEXTS_ASKED]
    columns += [_kinds(numbers(frame, name)) for name in _NUMBERS_ASKED]
    names = (*_WORDS_ASKED, *_TEXTS_ASKED, *_NUMBERS_ASKED)
    rows = list(zip(*columns, strict=True)) if len(frame) else []
    keys = {row: template_keys(dict(zip(names, row, strict=True))) for row in set(rows)}
    return [keys[row] for row in rows]


def _kinds(values: Floats) -> list[str]:
    """A number of each kind in place of the numbers themselves."""
    chosen = np.select(
        [np.isnan(values), values == np.inf, values == -np.inf, values == 0, values == 1, values > 0],
        ["", "inf", "-inf", "0", "1", "2"],
        default="-1",
    )
    kinds: list[str] = chosen.tolist()
    return kinds


def _marker_keys(row: Mapping[str, Any]) -> list[str]:
    """Sentences about contrast markers, and about alleles found in neither parent."""
    keys = []
    contrast, scored = number(row.get("contrast_markers")), number(row.get("contrast_scored"))
    if contrast == 0:
        untyped = shown(row.get("verifiable")) == Provable.UNTYPED
        keys.append("contrast_untyped" if untyped else "contrast_none")
    elif scored == 0:
        keys.append("contrast_unscored")
    elif contrast > 0:
        keys.append("contrast")
    foreign = number(row.get("foreign_calls"))
    if foreign >= 0 and number(row.get("call_rate")) > 0:
        keys.append({0.0: "foreign_none", 1.0: "foreign_one"}.get(foreign, "foreign"))
    return keys


def _pile(row: Mapping[str, Any]) -> Pile | None:
    cells = ("plant", "cross_id", "verdict", "decision", "reason", "parents_to_type")
    return plant_fact(*(shown(row.get(c)) for c in cells)).pile


def _undetermined_key(row: Mapping[str, Any]) -> str:
    reason = shown(row.get("reason"))
    if not shown(row.get("leading_class")):
        return "undetermined_bare"
    if reason in BELOW_THRESHOLD:
        return "undetermined"
    return "undetermined_sure" if reason in NOT_RELIED_ON else "undetermined_bare"


def fill(template: str, row: Mapping[str, Any]) -> str:
    """A template with the row's values in its fields."""

    def value(match: re.Match[str]) -> str:
        column, form = match.group(1), match.group(2) or "t"
        cell = row.get(column)
        if form == "t":
            text = shown(cell)
            return text.replace("_", " ") if column == "leading_class" else text.removesuffix(".")
        x = number(cell)
        x = round(x, ROUNDED.get(column, 6))
        return _FORMS[form](x)

    text = _FIELD.sub(value, template)
    return text if text.endswith((".", "!", "?")) else text + "."


def _markers(number: float) -> str:
    return fmt.noun(number, "marker")


_FORMS = {"n": fmt.count, "m": _markers, "s": fmt.share, "p": fmt.probability, "x": fmt.factor}


def sentences(row: Mapping[str, Any]) -> list[str]:
    """The evidence for one plant in words."""
    return [fill(TEMPLATES[key], row) for key in template_keys(row)]


@dataclass(frozen=True)
class MarkerRow:
    """One marker of one plant against both parents."""

    marker: str
    chrom: str
    pos: int
    mother: str
    father: str
    plant: str
    kind: str
    reading: str


def genotype_text(code: int, alleles: tuple[str, ...]) -> str:
    """A genotype number as its alleles, "A/G"; "-" where nothing is known."""
    if code == MISSING:
        return "-"
    a, b = genotype_alleles(len(alleles))[code]
    return f"{alleles[a]}/{alleles[b]}"


def marker_rows(calls: PlantCalls, plant: str, mother: str, father: str) -> list[MarkerRow]:
    """Every marker of one plant against both parents, in genome order."""
    m_codes, f_codes, p_codes = (
        calls.parent_codes(mother),
        calls.parent_codes(father),
        calls.plant_codes(plant),
    )
    contrast, shared = calls.contrast(mother, father), calls.shared(mother, father)
    rows = []
    for j, alleles in enumerate(calls.alleles):
        kind = "contrast" if contrast[j] else "shared" if shared[j] else "open"
        rows.append(
            MarkerRow(
                shown(calls.marker_ids[j]),
                shown(calls.chrom[j]),
                int(calls.pos[j]),
                genotype_text(int(m_codes[j]), alleles),
                genotype_text(int(f_codes[j]), alleles),
                genotype_text(int(p_codes[j]), alleles),
                kind,
                reading(int(m_codes[j]), int(f_codes[j]), int(p_codes[j]), len(alleles)),
            )
        )
    return rows


def reading(mother: int, father: int, plant: int, k: int) -> str:
    """What one call says, given both parents' genotype numbers."""
    if plant == MISSING:
        return "not scored"
    if mother == MISSING or father == MISSING:
        return "a parent is not known"
    pairs = genotype_alleles(k)
    seen, from_mother, from_father = set(pairs[plant]), set(pairs[mother]), set(pairs[father])
    if seen - (from_mother | from_father):
        return "allele of neither parent"
    fixed = bool(is_homozygote(np.array([mother, father], dtype=np.int8)).all())
    if not fixed:
        return "a parent is not fixed here"
    if mother == father:
        return "as both parents"
    if len(seen) == 2:
        return "one allele of each parent"
    return "mother's allele only" if seen <= from_mother else "father's allele only"


def find_plant(verdicts: pd.DataFrame, plant: str) -> dict[str, Any]:
    """The row of a plant, by plant name or by sample name.

    Raises UsageError, naming the nearest names, where there is none.
    """
    for column in ("plant", "sample_id", "samples"):
        if column in verdicts.columns:
            hit = verdicts[verdicts[column].astype(str) == plant]
            if len(hit):
                return {str(k): v for k, v in hit.iloc[0].to_dict().items()}
    known = {str(p).casefold(): str(p) for p in verdicts.get("plant", pd.Series(dtype=str))[:50_000]}
    near = [known[n] for n in difflib.get_close_matches(plant.casefold(), list(known), n=3)]
    of_cross = [] if "cross_id" not in verdicts else verdicts["plant"][verdicts["cross_id"] == plant].tolist()
    if of_cross:
        more = ", ..." if len(of_cross) > 5 else ""
        hint = f"This is a cross; its plants are {', '.join(map(str, of_cross[:5]))}{more}."
    else:
        hint = f"Did you mean {', '.join(near)}?" if near else "verdicts.csv lists every plant."
    raise UsageError(error("verdicts.csv", "No plant has this name.", hint, column="plant", value=plant))


def explain_text(inputs: ReportInputs, plant: str) -> str:
    """The evidence for one plant as plain text."""
    from rich.console import Console

    console = Console(width=110, color_system=None, force_terminal=False, highlight=False)
    with console.capture() as capture:
        console.print(explain_plant(inputs, plant))
    return capture.get()


def explain_plant(inputs: ReportInputs, plant: str) -> Group:
    """The evidence for one plant for a terminal: words, probabilities, and the markers that speak.

    Raises UsageError where no plant has this name.
    """
    row = find_plant(inputs.verdicts, plant)
    verdict = verdict_of(shown(row.get("verdict")))
    name, mother, father = shown(row.get("plant")), shown(row.get("mother")), shown(row.get("father"))
    head = Text()
    head.append(name, style="bold")
    head.append(f"   {mother or 'unknown'} x {father or 'unknown'}   cross {shown(row.get('cross_id'))}")
    if shown(row.get("place")):
        head.append(f"   {shown(row.get('place'))}")
    if shown(row.get("plate")):
        head.append(f"   plate {shown(row.get('plate'))}, well {shown(row.get('well'))}")
    mark = VERDICT_MARKS[verdict]
    verdict_line = Text(f"[{mark.letter}] {mark.label}", style="bold")
    pile = _pile(row)
    if pile is not None:
        verdict_line.append(f"   {PILE_WORDS[pile][0].lower()}")
    parts: list[Any] = [head, verdict_line, Text("")]
    parts += [Text(f"  {s}") for s in sentences(row)]
    parts += [Text(""), _probability_table(row)]
    if inputs.calls is not None and name in inputs.calls.plant_place:
        raw_mother, raw_father = str(row.get("mother")), str(row.get("father"))
        rows = marker_rows(inputs.calls, str(row.get("plant")), raw_mother, raw_father)
        parts += [Text(""), *_marker_part(rows, mother, father)]
    else:
        parts += [Text(""), Text("  No calls of this plant are stored.")]
    return Group(*parts)


def _probability_table(row: Mapping[str, Any]) -> RichTable:
    table = RichTable(box=None, show_header=False, pad_edge=False, padding=(0, 2))
    for verdict in (Verdict.HYBRID, Verdict.SELF, Verdict.OUTCROSS, Verdict.OFF_PEDIGREE):
        p = number(row.get(f"p_{verdict.value}"))
        bar = "#" * round(30 * p) if np.isfinite(p) else ""
        mark = VERDICT_MARKS[verdict]
        table.add_row(
            Text(f"  [{mark.letter}]"), Text(mark.label), Text(fmt.probability(p) or "-"), Text(bar)
        )
    return table


def _marker_part(rows: list[MarkerRow], mother: str, father: str) -> list[Any]:
    speaking = [r for r in rows if r.kind == "contrast" or r.reading == "allele of neither parent"]
    quiet = len(rows) - len(speaking)
    title = "Markers at which the parents differ, and alleles found in neither parent"
    if not speaking:
        return [Text(f"  {title}: none.")]
    table = RichTable(box=None, title=Text(title), title_justify="left", pad_edge=False, padding=(0, 2))
    for label in ("marker", "place", f"mother {mother}", f"father {father}", "plant", "reading"):
        table.add_column(Text(label), overflow="fold")
    for r in speaking:
        place = f"{r.chrom}:{r.pos}" if r.chrom else ""
        table.add_row(*(Text(t) for t in (r.marker, place, r.mother, r.father, r.plant, r.reading)))
    return [
        table,
        Text(f"  {fmt.noun(quiet, 'other marker')} not listed: shared by the parents, or not informative."),
    ]
