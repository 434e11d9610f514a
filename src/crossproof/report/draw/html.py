"""Content drawn as one self-contained page that asks no network for anything."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from crossproof.report.content.blocks import Chart, Row
from crossproof.report.content.content import Content
from crossproof.report.content.marks import VERDICT_MARKS, all_marks, symbol_svg
from crossproof.report.content.payload import to_json
from crossproof.report.draw import charts

STYLES = ("tokens.css", "layout.css", "parts.css", "print.css")
SCRIPTS = (
    "base.js",
    "table.js",
    "scan.js",
    "plants.js",
    "crosses.js",
    "plates.js",
    "strip.js",
    "plant.js",
    "start.js",
)


def template_text(name: str) -> str:
    """One of the files in templates/."""
    return resources.files("crossproof.report").joinpath("templates", name).read_text(encoding="utf-8")


def render(content: Content, progress: Callable[[str], None] | None = None) -> str:
    """The page as HTML text; `progress` is called with a few words for every chart."""
    tell = progress or (lambda text: None)
    shown = charts_of(content)
    drawn = charts.draw_all(
        [chart.spec for chart in shown],
        before=lambda k: tell(f"report: drawing {shown[k].title.lower()}"),
    )
    drawings = {chart.id: Markup(unique_ids(svg, chart.id)) for chart, svg in zip(shown, drawn, strict=True)}
    style = _squeezed_style("".join(template_text(name) for name in STYLES))
    script = "(()=>{'use strict';\n" + "\n".join(template_text(name) for name in SCRIPTS) + "\n})();"
    policy = (
        f"default-src 'none'; script-src '{digest(script)}'; style-src '{digest(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    environment = page_environment()
    return environment.from_string(template_text("page.html.j2")).render(
        content=content,
        policy=policy,
        style=Markup(style),
        script=Markup(script),
        data=Markup(to_json(content.payload)),
        symbols=Markup("".join(symbol_svg(m) for m in all_marks())),
        verdict_marks=list(VERDICT_MARKS.values()),
        tally=tally_segments(content),
        draw=lambda chart: drawings[chart.id],
    )


def charts_of(content: Content) -> list[Chart]:
    """The statistical charts of a report in the order of the page."""
    blocks = [block for section in content.sections for block in section.blocks]
    single = [b for block in blocks for b in (block.blocks if isinstance(block, Row) else (block,))]
    return [block for block in single if isinstance(block, Chart)]


def page_environment() -> Environment:
    """Jinja with escaping everywhere; only what this package drew itself is marked as markup."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["svg"] = Markup
    return environment


def digest(text: str) -> str:
    """The hash by which a Content-Security-Policy knows an inline script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def unique_ids(svg: str, prefix: str) -> str:
    """Ids and references to them made unique to one chart: a page may not carry an id twice."""
    svg = re.sub(r'\bid="([\w-]+)"', rf'id="{prefix}-\1"', svg)
    svg = re.sub(r"url\(#([\w-]+)\)", rf"url(#{prefix}-\1)", svg)
    return re.sub(r'href="#([\w-]+)"', rf'href="#{prefix}-\1"', svg)


def tally_segments(content: Content) -> list[dict[str, object]]:
    """Places of the bar that shows all plants by verdict, in hundredths of its width."""
    total = sum(n for _, n in content.tally)
    segments: list[dict[str, object]] = []
    start = 0.0
    for mark, n in content.tally:
        width = 100 * n / total if total else 0.0
        segments.append(
            {
                "key": mark.key,
                "label": mark.label,
                "n": f"{n:,}",
                "x": round(start, 2),
                "width": round(width, 2),
                "letter": mark.letter,
                "middle": round(start + width / 2, 2),
                "means": mark.means,
                "share": n / total if total else 0.0,
            }
        )
        start += width
    return segments


def _squeezed_style(css: str) -> str:
    css = re.sub(r"/\*.*?\*/", "", css, flags=re.S)
    return re.sub(r"\s*\n\s*", "\n", css).strip()
