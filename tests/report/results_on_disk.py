"""The files of a finished season as someone without the program reads them: tables, pages, sheets, words."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from html.parser import HTMLParser
from pathlib import Path

import openpyxl

Row = dict[str, str]
NUMBER = re.compile(r"\d+(?:,\d{3})*(?:\.\d+)?")
NAMED = re.compile(r"\b(?:[A-Z]{1,4}\d+(?:[-:][A-Z]?\d+)*|2\d{3}-W\d\d|\d\d:00)\b")
BLOCKS = frozenset(
    {"p", "li", "td", "th", "div", "h4", "h3", "h2", "small", "tr", "aside", "dt", "dd", "strong"}
)


@dataclass
class Node:
    """An element of a page and what stands in it."""

    tag: str
    attributes: dict[str, str]
    inside: list[Node | str] = field(default_factory=list)

    def all(self, *tags: str, kind: str = "") -> Iterator[Node]:
        """Elements below it of these tags, and of a class."""
        for part in self.inside:
            if isinstance(part, Node):
                if part.tag in tags and (not kind or kind in part.attributes.get("class", "").split()):
                    yield part
                yield from part.all(*tags, kind=kind)

    @property
    def text(self) -> str:
        """Its words, blanks made one."""
        return " ".join("".join(self._words()).split())

    def _words(self) -> Iterator[str]:
        for part in self.inside:
            if isinstance(part, str):
                yield part
            elif part.tag not in ("style", "script", "svg", "noscript"):
                apart = " " if part.tag in BLOCKS else ""
                yield apart
                yield from part._words()
                yield apart


class Tree(HTMLParser):
    """The elements of a page."""

    VOID = frozenset({"meta", "br", "use", "link", "img", "input", "hr", "col", "path", "rect", "circle"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.root = Node("", {})
        self._open = [self.root]
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """An element begins."""
        node = Node(tag, {k: v or "" for k, v in attrs})
        self._open[-1].inside.append(node)
        if tag not in self.VOID:
            self._open.append(node)

    def handle_endtag(self, tag: str) -> None:
        """An element ends."""
        if any(n.tag == tag for n in self._open[1:]):
            while self._open.pop().tag != tag:
                pass

    def handle_data(self, data: str) -> None:
        """Words."""
        self._open[-1].inside.append(data)


def numbers_in(text: str) -> set[str]:
    """Numbers of a text that are no part of a name."""
    return set(NUMBER.findall(NAMED.sub(" ", text)))


@dataclass(frozen=True)
class Files:
    """A season as it lies on disk; `said`: name and text of what else was said (terminal, explanations)."""

    folder: Path
    said: tuple[tuple[str, str], ...] = ()

    @cached_property
    def table(self) -> dict[str, list[Row]]:
        """Result tables by name."""
        out = {}
        for path in sorted((self.folder / "results").glob("*.csv")):
            with path.open(encoding="utf-8-sig", newline="") as lines:
                out[path.stem] = list(csv.DictReader(lines))
        return out

    @cached_property
    def page(self) -> Node:
        """The report."""
        return Tree((self.folder / "results" / "report.html").read_text(encoding="utf-8")).root

    @cached_property
    def brief(self) -> Node | None:
        """The page for whoever leads the team; None where there is none."""
        path = self.folder / "results" / "summary.html"
        return Tree(path.read_text(encoding="utf-8")).root if path.exists() else None

    @cached_property
    def sheets(self) -> dict[str, list[list[object]]]:
        """The workbook: rows of cells by sheet."""
        book = openpyxl.load_workbook(self.folder / "results" / "worklist.xlsx", read_only=True)
        return {s.title: [list(r) for r in s.iter_rows(values_only=True)] for s in book.worksheets}

    @cached_property
    def inputs(self) -> str:
        """Everything the user wrote and was given, as one text."""
        files = [
            p for p in sorted(self.folder.rglob("*")) if p.suffix in (".csv", ".vcf", ".tsv", ".yaml", ".txt")
        ]
        own = [p for p in files if not {"results", ".crossproof", ".snakemake"} & set(p.parts)]
        return "\n".join(p.read_text(encoding="utf-8-sig", errors="replace") for p in own)

    def section(self, name: str) -> Node | None:
        """A section of the report."""
        return next((s for s in self.page.all("section") if s.attributes.get("id") == name), None)

    def lead(self, name: str) -> str:
        """The opening sentence of a section."""
        section = self.section(name)
        return next((p.text for p in section.all("p", kind="lead")), "") if section else ""

    def rows(self, id: str) -> list[Row]:
        """A table of the report: cells by heading."""
        for table in self.page.all("table"):
            if table.attributes.get("id") == id:
                lines = [[c.text for c in tr.all("th", "td")] for tr in table.all("tr")]
                return [dict(zip(lines[0], line, strict=True)) for line in lines[1:]]
        return []

    def sheet(self, name: str, first: str) -> list[dict[str, object]]:
        """The rows of a sheet below the row of headings that holds the word `first`."""
        rows = self.sheets.get(name, [])
        at = next((k for k, row in enumerate(rows) if first in row), len(rows))
        heads = [str(h) for h in rows[at]] if at < len(rows) else []
        return [dict(zip(heads, row, strict=False)) for row in rows[at + 1 :]]

    @cached_property
    def texts(self) -> list[str]:
        """Every text, cells and paragraphs one by one."""
        parts = ("p", "li", "td", "th", "figcaption", "caption", "h1", "h2", "h3", "h4", "dt", "dd")
        pages = (self.page, self.brief) if self.brief else (self.page,)
        out = [n.text for page in pages for n in page.all(*parts)]
        for title, rows in self.sheets.items():
            if title not in ("Codes", "Scan"):
                out += [c for row in rows for c in row if isinstance(c, str) and not c.startswith("=")]
        for _, text in self.said:
            out += [part for line in text.splitlines() for part in re.split(r"\s{2,}", line)]
        return out


def integer(text: str) -> int:
    """A count as it is written."""
    return int(text.replace(",", "")) if text else 0
