"""Labels for the plants that are kept: one page to print, the mother first."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from crossproof.model.results import Decision
from crossproof.report.content.content import Content
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import VERDICT_MARKS, symbol_svg, verdict_of
from crossproof.report.content.numbers import probability
from crossproof.report.content.sheets import natural
from crossproof.report.draw.html import digest, page_environment, template_text


@dataclass(frozen=True)
class Label:
    """What one label says."""

    mother: str
    father: str
    plant: str
    cross: str
    verdict: str
    key: str
    chance: str
    date: str
    place: str
    well: str


def build_labels(inputs: ReportInputs) -> tuple[Label, ...]:
    """Labels of all plants with decision keep, in the order of their places; without places, by cross."""
    frame = inputs.verdicts
    t = {c: texts(frame, c) for c in (
            "mother", "father", "plant", "cross_id", "verdict", "decision", "date", "place", "plate", "well",
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
    for i in kept:
        mark = VERDICT_MARKS[verdict_of(t["verdict"][i])]
        out.append(
            Label(
                t["mother"][i] or "unknown",
                t["father"][i] or "unknown",
                t["plant"][i],
                t["cross_id"][i],
                mark.label,
                mark.key,
                probability(float(chance[i])),
                t["date"][i],
                t["place"][i],
                f"{t['plate'][i]} {t['well'][i]}".strip(),
            )
        )
    return tuple(out)


def render(content: Content) -> str:
    """The page of labels as HTML text: three in a row on A4, without any script."""
    labels = build_labels(content.inputs)
    style = template_text("tokens.css") + template_text("labels.css")
    used = {label.key for label in labels}
    symbols = "".join(symbol_svg(m) for m in VERDICT_MARKS.values() if m.key in used)
    return (
        page_environment()
        .from_string(template_text("labels.html.j2"))
        .render(
            content=content,
            labels=labels,
            style=Markup(style),
            symbols=Markup(symbols),
            policy=f"default-src 'none'; style-src '{digest(style)}'; img-src data:; base-uri 'none'; "
            "form-action 'none'",
        )
    )
