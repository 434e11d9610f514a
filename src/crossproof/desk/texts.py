"""The desk's templates, style and script."""

from __future__ import annotations

from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined

from crossproof.report.draw.html import STYLES, template_text
from crossproof.text import count_of, shown


def desk_templates() -> Environment:
    """Jinja with escaping everywhere, and names shown as harmless text."""
    environment = Environment(
        loader=PackageLoader("crossproof.desk", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["shown"] = shown
    environment.globals["count_of"] = count_of
    return environment


def own_text(name: str) -> str:
    """One of the desk's own templates, style sheets and scripts."""
    return resources.files("crossproof.desk").joinpath("templates", name).read_text(encoding="utf-8")


def style_text() -> str:
    """The style of every page: the report's, and what the desk has beyond it."""
    return "".join(template_text(name) for name in STYLES) + own_text("desk.css")
