"""Labels for the plants that are kept: the mother first, then place, cross, pod and season, and the code."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from crossproof.field.codes import LONGEST, code_of_plant
from crossproof.field.qr import CODE_MM, least_width, qr_svg
from crossproof.field.sheets import LabelSize, Paper, Sheet, pages_of, render, sheet_of
from crossproof.model.results import Decision
from crossproof.model.tag_numbers import is_season
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import VERDICT_MARKS, symbol_svg, verdict_of
from crossproof.report.content.numbers import probability
from crossproof.report.content.sheets import natural
from crossproof.text import shown

DEFAULT_SIZE = LabelSize(63.0, 36.0)
"""Three in a row and seven rows on A4."""

LEAST_SIZE = LabelSize(50.0, 25.0)
"""What place, cross, pod, season and code need to be read."""

MOST_CODES = 2000
"""Codes drawn in a run, some 2.6 ms each; `crossproof labels` draws them all."""

_SPECIAL = re.compile("[&<>'\"]")


@dataclass(frozen=True)
class Label:
    """What one label says; `code` is empty where there is none, or no room for it."""

    mother: str
    father: str
    plant: str
    cross: str
    pod: str
    verdict: str
    key: str
    chance: str
    date: str
    place: str
    well: str
    code: Markup


def default_sheet() -> Sheet:
    """The sheet that a run prints labels for."""
    return sheet_of(Paper.A4, DEFAULT_SIZE)


def build_labels(
    inputs: ReportInputs, season: str = "", sheet: Sheet | None = None, *, codes: int | None = MOST_CODES
) -> tuple[Label, ...]:
    """Labels of all plants with decision keep, in the order of their places; without places, by cross.

    season: four to six digits, else no label has a code. codes: at most so many have one, None for all.
    """
    sheet = sheet or default_sheet()
    frame = inputs.verdicts
    t = {c: texts(frame, c) for c in (
            "mother", "father", "plant", "cross_id", "pod", "verdict", "decision", "date", "place", "plate",
            "well",
        )
    }  # fmt: skip
    chance = numbers(frame, "p_hybrid")
    kept = [i for i in range(len(frame)) if t["decision"][i] == Decision.KEEP.value]
    kept.sort(
        key=lambda i: (
            t["place"][i] == "", natural(t["place"][i]), natural(t["cross_id"][i]), natural(t["plant"][i]),
        )
    )  # fmt: skip
    out = []
    for number, i in enumerate(kept):
        mark = VERDICT_MARKS[verdict_of(t["verdict"][i])]
        drawn = is_season(season) and (codes is None or number < codes)
        out.append(
            Label(
                t["mother"][i] or "unknown",
                t["father"][i] or "unknown",
                t["plant"][i],
                t["cross_id"][i],
                t["pod"][i],
                mark.label,
                mark.key,
                probability(float(chance[i])),
                t["date"][i],
                t["place"][i],
                f"{t['plate'][i]} {t['well'][i]}".strip(),
                _code(season, t["cross_id"][i], t["plant"][i], sheet) if drawn else Markup(""),
            )
        )
    return tuple(out)


def _code(season: str, cross: str, plant: str, sheet: Sheet) -> Markup:
    """The code of a plant, of the usual width or of what it needs; empty where the label has no room."""
    if not cross or not plant:
        return Markup("")
    code = code_of_plant(season, cross, plant)
    if len(code.text) > LONGEST:
        return Markup("")
    least = least_width(code.text)
    most = min(sheet.label.height - 4, 0.45 * sheet.label.width)
    return qr_svg(code, max(least, min(CODE_MM, most))) if least <= most else Markup("")


def kept_labels_page(
    labels: Sequence[Label], *, title: str, season: str, digest: str, sheet: Sheet | None = None
) -> str:
    """The page of labels as HTML text, without any script."""
    sheet = sheet or default_sheet()
    used = {label.key for label in labels}
    small = sheet.label.height < DEFAULT_SIZE.height or sheet.label.width < DEFAULT_SIZE.width
    symbols = "".join(symbol_svg(m) for m in VERDICT_MARKS.values() if m.key in used)
    return render(
        "kept_labels.html.j2",
        ("plant_label.css", "kept_labels.css"),
        more_style=sheet.style(),
        title=f"Labels of kept plants: {title}".rstrip(": "),
        season=season,
        digest=digest,
        pages=[_on_page(page, season, small) for page in pages_of(labels, sheet.per_page)],
        count=len(labels),
        without_code=sum(not label.code for label in labels),
        coded=is_season(season),
        small=small,
        symbols=Markup(symbols),
    )


def _on_page(labels: Sequence[Label], season: str, small: bool) -> Markup:
    """The labels of one page. Joined here: a template takes ten times as long for each of them."""
    of_season = f" · season {_safe(season)}" if season else ""
    return Markup("\n".join([_markup(label, of_season, small) for label in labels]))


def _markup(label: Label, of_season: str, small: bool) -> str:
    """A label: plant, parents, place, tag, verdict, and the well that it was typed from.

    Long names are set tighter; `small` ones have no room for all of it.
    """
    plant, mother, father, place = label.plant, label.mother, label.father, label.place
    tag = f"cross {_safe(label.cross)}" if label.cross else ""
    if label.pod:
        tag += f" · pod {_safe(label.pod)}"
    where = f'<p class="where{_tight(len(place) > 22)}">{_safe(place)}</p>' if place else ""
    well = ""
    if label.well and not small:
        date = f"{_safe(label.date)} · " if label.date else ""
        well = f'<p class="foot">{date}{_safe(label.well)}</p>'
    return (
        f'<li class="label plant-label kept">{label.code}<div>'
        f'<p class="name{_tight(len(plant) > 12)}">{_safe(plant)}</p>\n'
        f'<p class="parents{_tight(len(mother) + len(father) > 20)}">'
        f"<b>{_safe(mother)}</b> × {_safe(father)}</p>\n"
        f'{where}<p class="foot">{tag}</p>\n'
        f'<p class="foot"><svg class="m" aria-hidden="true"><use href="#m-{label.key}"/></svg>{label.verdict}'
        f"{'' if small else ' ' + _safe(label.chance)}{of_season}</p>\n"
        f"{well}</div></li>"
    )


def _tight(long: bool) -> str:
    return " tight" if long else ""


def _safe(text: str) -> str:
    """A name as harmless text of the page; most need only to be looked at."""
    if text.isascii() and text.isprintable() and _SPECIAL.search(text) is None:
        return text
    return str(escape(shown(text)))
