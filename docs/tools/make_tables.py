"""Write the tables of the documentation from the declarations in the code.

    python docs/tools/make_tables.py            # bring the pages up to date
    python docs/tools/make_tables.py --check    # say which are not, and exit 1

A page holds `<!-- made: NAME -->` and `<!-- end -->`; what stands between them is written here. The table of
mistakes is made by making each mistake in a new season and reading what the checks say.
"""

from __future__ import annotations

import ast
import inspect
import itertools
import re
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from api_reference import api_text

from crossproof.errors import CrossproofError, InputError, Problem
from crossproof.io.results.columns import RESULT_COLUMNS, ResultColumn
from crossproof.io.sheets.columns import TABLES, TAGS, Table
from crossproof.io.tables.call_notation import MISSING_TEXTS
from crossproof.model import corrections
from crossproof.model.corrections import CorrectionKind
from crossproof.model.declaration import GENOTYPE_KEYS, SETTINGS, Setting, ValueKind
from crossproof.season.templates import new_season
from crossproof.steps.checking import check_season

DOCS = Path(__file__).parents[1]


def table(header: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table; bars inside cells are escaped."""
    head = list(header)
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(_cell(c) for c in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ").strip()


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def sheet_table(sheet: Table) -> str:
    """The columns of one input sheet."""
    return table(
        ("column", "what it holds", "allowed", "example", "other headings that are understood"),
        (
            (
                _code(c.name) + (" (needed)" if c.required else ""),
                c.meaning,
                c.allowed + (f" (also: {', '.join(c.words)})" if c.words else ""),
                _code(c.example),
                ", ".join(c.also),
            )
            for c in sheet.columns
        ),
    )


def settings_table(settings: Iterable[Setting]) -> str:
    """Keys of config.yaml."""
    return table(
        ("key", "meaning", "value", "where left out"),
        (
            (
                _code(s.name) + (" (needed)" if s.required else ""),
                s.meaning,
                s.allowed,
                "" if s.required else _default(s),
            )
            for s in settings
        ),
    )


def _default(setting: Setting) -> str:
    value = setting.default
    if setting.kind is ValueKind.YES_NO:
        return _code(str(value).lower())
    if value in ("", None, (), {}):
        return "none"
    if isinstance(value, tuple):
        return _code(", ".join(f"{v:g}" for v in value))
    return _code(f"{value:g}" if isinstance(value, float) else str(value))


def result_table(columns: Iterable[ResultColumn]) -> str:
    """Columns of one results table."""
    return table(("column", "meaning", "unit"), ((_code(c.name), c.meaning, c.unit) for c in columns))


def missing_codes() -> str:
    """Spellings of a missing call."""
    shown = sorted((m for m in MISSING_TEXTS if m), key=lambda m: (len(m), m))
    return "An empty cell, " + ", ".join(_code(m) for m in shown) + ".\n"


def correction_table() -> str:
    """Kinds of rows in corrections.csv."""
    tree = ast.parse(inspect.getsource(corrections))
    body = next(n for n in tree.body if isinstance(n, ast.ClassDef) and n.name == "CorrectionKind").body
    told: dict[str, str] = {}
    for name, text in itertools.pairwise(body):
        if isinstance(name, ast.Assign) and isinstance(text, ast.Expr):
            told[ast.unparse(name.targets[0])] = ast.literal_eval(text.value)
    return table(
        ("kind", "what to write in the other columns"),
        ((_code(k.value), " ".join(told[k.name].split())) for k in CorrectionKind),
    )


# ---- mistakes ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mistake:
    """Something people do: in words, the file, the text there and what they write instead."""

    done: str
    file: str
    there: str
    instead: str


MISTAKES = (
    Mistake("a date the local way", "crosses.csv", "2025-06-04", "04.06.2025"),
    Mistake("a date that a spreadsheet ate", "crosses.csv", "2025-06-04", "45812"),
    Mistake("a unit in a column of numbers", "crosses.csv", ",24.5,", ",24.5 C,"),
    Mistake("Fahrenheit", "crosses.csv", ",24.5,", ",76,"),
    Mistake("more anthers than a flower has", "crosses.csv", ",24.5,10,", ",24.5,12,"),
    Mistake("seeds, but no pods", "crosses.csv", ",2,1,4,", ",2,0,4,"),
    Mistake("an operator's time of 25 hours", "crosses.csv", ",09:30,", ",25:30,"),
    Mistake("a heading misspelt", "crosses.csv", ",operator,", ",operater,"),
    Mistake("a mother that was never genotyped", "crosses.csv", "X001,Lark,", "X001,Linnet,"),
    Mistake("a name with another capital letter", "crosses.csv", "X001,Lark,", "X001,lark,"),
    Mistake("a plant of a tag that is not in the book", "samples/plate1.csv", ",,X001,1", ",,X0O1,1"),
    Mistake("a word that is not a role", "samples/plate1.csv", "E1,progeny", "E1,child"),
    Mistake("the same well twice", "samples/plate1.csv", "B01,plate1,B1", "B01,plate1,A1"),
    Mistake("a well that no plate has", "samples/plate1.csv", "B01,plate1,F1,", "B01,plate1,F123,"),
    Mistake("a sample that is not in the file", "samples/plate1.csv", "S05,", "S50,"),
    Mistake("a setting misspelt", "config.yaml", "#min_posterior: 0.95", "min_posteriour: 0.95"),
    Mistake("a file that is not there", "config.yaml", "genotypes/plate1.csv", "genotypes/plate_1.csv"),
    Mistake("one call in another notation", "genotypes/plate1.csv", "S05,A/G", "S05,1"),
    Mistake("letters that are not alleles", "genotypes/plate1.csv", "S05,A/G", "S05,fail"),
)  # fmt: skip


def problems_of(mistake: Mistake, folder: Path) -> tuple[Problem, ...]:
    """What the checks say of a new season in which this mistake was made."""
    new_season(folder)
    path = folder / mistake.file
    text = path.read_text(encoding="utf-8")
    if text.count(mistake.there) < 1:
        raise ValueError(f"{mistake.file} does not hold {mistake.there!r}")
    path.write_text(text.replace(mistake.there, mistake.instead, 1), encoding="utf-8")
    try:
        return tuple(check_season(folder))
    except InputError as refused:
        return tuple(refused.problems)
    except CrossproofError as known:
        raise ValueError(f"{mistake.done}: {known}") from known


def mistake_table() -> str:
    """Each mistake with the first thing that is said of the file it was made in."""
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        for number, mistake in enumerate(MISTAKES):
            found = problems_of(mistake, Path(scratch) / f"season{number}")
            if not found:
                raise ValueError(f"nothing is said of: {mistake.done}")
            first = next((p for p in found if p.file == mistake.file), found[0])
            place = first.file + (f", row {first.row}" if first.row is not None else "")
            place += f", column {first.column}" if first.column else ""
            rows.append((mistake.done, f"{first.severity.value}: {place}", first.problem, first.remedy))
    return table(("what was done", "place", "what is said", "how to fix it"), rows)


def blocks() -> dict[str, Callable[[], str]]:
    """What can stand in a page, by name."""
    made: dict[str, Callable[[], str]] = {
        "settings": lambda: settings_table(SETTINGS),
        "genotype-keys": lambda: settings_table(GENOTYPE_KEYS),
        "missing-codes": missing_codes,
        "corrections-kinds": correction_table,
        "mistakes": mistake_table,
        "api": api_text,
    }
    for name, sheet in {**TABLES, TAGS.name: TAGS}.items():
        made[f"sheet-{name}"] = lambda sheet=sheet: sheet_table(sheet)
    for name, columns in RESULT_COLUMNS.items():
        made[f"results-{name.replace('_', '-')}"] = lambda columns=columns: result_table(columns)
    return made


def renewed(text: str, known: Mapping[str, Callable[[], str]], tag: str = "made") -> str:
    """A page's text with every block of this tag as it should be. KeyError for a block of unknown name."""
    block = re.compile(rf"(<!-- {tag}: ([a-z0-9-]+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)
    return block.sub(lambda m: m.group(1) + known[m.group(2)]() + m.group(4), text)


def renew_pages(known: Mapping[str, Callable[[], str]], tag: str, check: bool) -> int:
    """Renew the blocks of this tag in all pages, or only say which are out of date."""
    stale = []
    for page in sorted(DOCS.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        new = renewed(text, known, tag)
        if new != text:
            stale.append(page.name)
            if not check:
                page.write_text(new, encoding="utf-8")
    print(("Out of date: " if check else "Renewed: ") + (", ".join(stale) or "none"))
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(renew_pages(blocks(), "made", "--check" in sys.argv[1:]))
