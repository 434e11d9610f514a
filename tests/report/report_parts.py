"""Names that try to do harm, and the parts of a finished report."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from crossproof.report.content.blocks import Row
from crossproof.report.content.content import Content

HOSTILE = (
    "<script>alert(1)</script>",
    "\"quoted\" & 'single' </script><!--",
    "\u202eright to left\u202c",
    "n" * 200,
    "seedling \U0001f331",
    "=cmd|'/c calc'!A1",
    "+1+1",
    "@SUM(A1)",
    "-2+3",
    "[bold]not markup[/]",
    "bell\x07 esc\x1b[31m nul\x00",
)
"""Names that a sheet may carry and that must be shown as the text they are."""


def flat(content: Content) -> Iterator[Any]:
    """Every block of every section, those of a row one by one."""
    for section in content.sections:
        for block in section.blocks:
            yield from block.blocks if isinstance(block, Row) else (block,)
