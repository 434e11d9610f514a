"""A self-contained page without a script: sections of words, drawings and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from crossproof.report.content.blocks import Column, Table
from crossproof.report.draw.html import STYLES, digest, page_environment, template_text
from crossproof.text import shown


@dataclass(frozen=True)
class Figure:
    """A drawing with its title, the sentence that reads it, and a key."""

    id: str
    title: str
    sentence: str
    svg: str
    key: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Section:
    """One part of the page. `notices`: (tone, text)."""

    id: str
    short: str
    title: str
    lead: str
    notices: tuple[tuple[str, str], ...] = ()
    drawings: tuple[Figure, ...] = ()
    plates: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Page:
    """Everything the template shows; `kind` is the class of the body."""

    title: str
    summary: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...] = field(default=())
    digest: str = ""
    kind: str = "plan"


def render_page(page: Page, *styles: str) -> str:
    """The page as HTML text, with further style sheets from templates/."""
    style = "".join(template_text(name) for name in (*STYLES, "plan.css", *styles))
    policy = (
        f"default-src 'none'; style-src '{digest(style)}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    template = page_environment().from_string(template_text("plan.html.j2"))
    return template.render(page=page, policy=policy, style=Markup(style))


def plain_table(
    name: str,
    caption: str,
    columns: Sequence[tuple[str, str]],
    rows: Sequence[tuple[str, ...]],
    total: int,
    file: str,
) -> Table:
    """A table of cells made safe to show; says how many of `total` rows are left in `file`."""
    more = f"{total - len(rows):,} more are in {file}." if total > len(rows) else ""
    safe = tuple(tuple(shown(cell) for cell in row) for row in rows)
    return Table(name, caption, tuple(Column(label, kind) for label, kind in columns), safe, more)
