"""The documentation is true: commands and snippets run, links lead somewhere, what is shown is current."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import pytest

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
sys.path.insert(0, str(DOCS / "tools"))

import make_examples  # noqa: E402  (it lives with the documentation)
import make_tables  # noqa: E402

from crossproof.cli import main  # noqa: E402

PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
READ_BY_USERS = [ROOT / "README.md", *sorted(DOCS.glob("*.md"))]

RUN = (
    "crossproof new nursery_2027",
    "crossproof check nursery_2027",
    "crossproof run nursery_2027",
    "crossproof explain nursery_2027 X001-1",
    "crossproof run demo_genotypes",
    "crossproof explain demo_genotypes C001-01",
    "crossproof score demo_genotypes demo_genotypes/truth.csv",
    "crossproof check demo_genotypes",
)
"""Run here in this order, in one folder."""
RUN_SLOWLY = (
    "crossproof simulate trial --preset clean60 --seed 7",
    "crossproof run trial",
    "crossproof score trial trial/truth.csv",
)
STATUS = {"crossproof run demo_genotypes": 1}
"""Exit statuses other than 0: the demo has plates to look at."""


@dataclass(frozen=True)
class Block:
    """A fenced block of a page."""

    page: Path
    language: str
    text: str


def blocks_of(page: Path) -> Iterator[Block]:
    for match in re.finditer(r"^```(\w*)[^\n]*\n(.*?)^```", page.read_text(encoding="utf-8"), re.M | re.S):
        yield Block(page, match.group(1), match.group(2))


def commands_of(block: Block) -> Iterator[str]:
    """Command lines of a block, without a prompt, a comment or a line break in the middle."""
    for line in block.text.replace("\\\n", " ").split("\n"):
        command = line.strip().removeprefix("$ ").split(" #")[0].strip()
        if re.match(r"(crossproof|make|snakemake) ", command + " ") and block.language != "text":
            yield " ".join(command.split())


def fenced_commands(pages: list[Path]) -> set[str]:
    return {c for page in pages for block in blocks_of(page) for c in commands_of(block)}


NOT_RUN = {
    "make demo": "installs packages; the demo's run is the one above, and its recipe is read by make",
    "make test": "would run this test; its recipe is read by make",
    "make docs": "the strict build is a test of its own",
    "snakemake --cores 2 --configfile demo_genotypes/config.yaml": "run by tests/workflow",
    "crossproof desk nurseries": "serves until it is closed; run by tests/desk/test_serve.py",
    **dict.fromkeys(fenced_commands([DOCS / "exchange.md"]), "need a server; run by tests/exchange"),
    **dict.fromkeys(
        fenced_commands([DOCS / "bench.md"]),
        "a season happens between them; run by tests/field/test_whole_chain.py",
    ),
    **dict.fromkeys(fenced_commands([DOCS / "tags_and_book.md"]), "run by tests/docs/test_tags_and_book.py"),
    **{
        c: "needs a laboratory's file; run by tests/io/laboratory"
        for c in fenced_commands(sorted(DOCS.glob("*.md")))
        if c.startswith("crossproof receive ")
    },
}
"""Commands that no test here runs, with the reason. They are still parsed."""


def inline_commands(pages: list[Path]) -> set[str]:
    """Commands in the running text, such as `crossproof run DIR`."""
    text = "\n".join(
        re.sub(r"^```.*?^```", "", p.read_text(encoding="utf-8"), flags=re.M | re.S) for p in pages
    )
    return set(re.findall(r"`(crossproof [a-z][^`\n]*)`", text))


def targets_of(page: Path) -> set[str]:
    """Link and picture targets of a page, those inside code left out."""
    text = re.sub(r"^```.*?^```|`[^`\n]*`", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    return set(re.findall(r"\]\(([^)\s]+)\)", text))


def anchors_of(page: Path) -> set[str]:
    """Anchors of a page's headings, as the pages' builder makes them."""
    heads = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.M)
    return {re.sub(r"[-\s]+", "-", re.sub(r"[^\w\s-]", "", h).strip().lower()) for h in heads}


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> make_examples.Scratch:
    """One folder for all documented commands; nothing is run twice."""
    return make_examples.Scratch(tmp_path_factory.mktemp("docs"))


# ---- commands ---------------------------------------------------------------------------------------------


def test_every_fenced_command_is_run_or_has_a_reason() -> None:
    known = {*RUN, *RUN_SLOWLY, *NOT_RUN}
    assert fenced_commands(READ_BY_USERS) - known == set()


@pytest.mark.parametrize("command", sorted(fenced_commands(PAGES) | inline_commands(PAGES)))
def test_every_command_exists_with_its_options(command: str) -> None:
    words = shlex.split(command)
    if words[0] != "crossproof":
        if words[0] == "make":
            read = subprocess.run(
                ["make", "--dry-run", *words[1:]], cwd=ROOT, capture_output=True, text=True, timeout=60
            )
            assert read.returncode == 0, read.stderr
        return
    if words[1].startswith("-"):
        return
    known = main.commands[words[1]]
    options = {name for p in known.params if isinstance(p, click.Option) for name in p.opts} | {
        "--help",
        "-h",
    }
    used = {w.split("=")[0].rstrip("].") for w in words[2:] if w.lstrip("[").startswith("-")}
    assert {u.lstrip("[") for u in used} <= options


@pytest.mark.parametrize("command", RUN)
def test_documented_command_runs(scratch: make_examples.Scratch, finished_demo: Path, command: str) -> None:
    words = shlex.split(command)[1:]
    if words[1] == "demo_genotypes" and not (scratch.folder / words[1]).exists():
        # It was run once in these tests; the command finds what that run left.
        shutil.copytree(finished_demo, scratch.folder / words[1])
    scratch.run(*words)
    assert scratch.status[tuple(words)] == STATUS.get(command, 0)


@pytest.mark.slow
def test_longer_documented_commands_run(scratch: make_examples.Scratch) -> None:
    for command in RUN_SLOWLY:
        words = shlex.split(command)[1:]
        scratch.run(*words)
        # 1: a plant of the invented season was held by a plate check.
        assert scratch.status[tuple(words)] in ((0, 1) if words[0] == "run" else (0,)), command
    said = scratch.run("score", "trial", "trial/truth.csv")
    plants, determined, wrong = (
        int(re.search(rf"^{word} +(\d+)", said, re.M)[1]) for word in ("plants", "determined", "wrong")
    )
    # Invented: 60 good markers and no fault planted, so that nearly every plant gets its right verdict.
    assert determined >= 0.98 * plants
    assert wrong <= 0.01 * plants


@pytest.mark.slow
def test_python_snippets_run(scratch: make_examples.Scratch) -> None:
    scratch.results("nursery_2027")
    failed = {}
    for page in READ_BY_USERS:
        code = "\n".join(b.text for b in blocks_of(page) if b.language in ("python", "py"))
        if not code:
            continue
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", code],
            cwd=scratch.folder,
            capture_output=True,
            text=True,
            timeout=250,
        )
        if done.returncode:
            failed[page.name] = done.stderr[-2000:]
    assert failed == {}


# ---- what the pages show ----------------------------------------------------------------------------------


def test_tables_are_those_of_the_declarations() -> None:
    known = make_tables.blocks()
    for page in sorted(DOCS.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        assert make_tables.renewed(text, known) == text, (
            f"{page.name} is out of date: python docs/tools/make_tables.py"
        )


def test_every_input_and_result_column_is_documented() -> None:
    pages = ("sheets", "tags_and_book", "results", "verdicts", "api")
    text = "\n".join((DOCS / f"{page}.md").read_text("utf-8") for page in pages)
    made = set(re.findall(r"<!-- made: ([a-z-]+) -->", text))
    assert set(make_tables.blocks()) - made == set()


@pytest.mark.parametrize("block", ["explain-hold", "explain-hybrid", "explain-undetermined"])
def test_verdicts_shown_are_those_of_the_demo(scratch: make_examples.Scratch, block: str) -> None:
    shown = re.search(
        rf"<!-- shown: {block} -->\n```text\n(.*?)\n\n", (DOCS / "verdicts.md").read_text("utf-8"), re.S
    )
    assert shown is not None
    now = make_examples.explained(scratch, "demo_genotypes", make_examples.PLANTS[block])
    assert now.removeprefix("```text\n").split("\n\n")[0] == shown.group(1)


@pytest.mark.slow
def test_output_shown_is_what_the_program_says(scratch: make_examples.Scratch) -> None:
    known = make_examples.blocks(scratch)
    stale = [
        page.name
        for page in sorted(DOCS.glob("*.md"))
        if make_tables.renewed(text := page.read_text("utf-8"), known, "shown") != text
    ]
    assert stale == [], "python docs/tools/make_examples.py"


# ---- links, build, words ----------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    broken = []
    for target in targets_of(page):
        if re.match(r"https?:", target):
            continue
        path, _, anchor = target.partition("#")
        file = (page.parent / path).resolve() if path else page
        if not file.exists() or (anchor and file.suffix == ".md" and anchor not in anchors_of(file)):
            broken.append(target)
    assert broken == []


def test_pictures_are_small_and_used() -> None:
    used = {
        (page.parent / t).resolve() for page in READ_BY_USERS for t in targets_of(page) if t.endswith(".png")
    }
    there = {p.resolve(): p.stat().st_size for p in (DOCS / "images").glob("*.png")}
    assert set(there) == used
    assert {p.name: size for p, size in there.items() if size > 250_000} == {}


def test_strict_build_without_network(tmp_path: Path) -> None:
    pytest.importorskip("mkdocs", reason="mkdocs is not installed: pip install .[docs]")
    pytest.importorskip("material", reason="mkdocs-material is not installed: pip install .[docs]")
    built = subprocess.run(
        [
            sys.executable,
            "-m",
            "mkdocs",
            "build",
            "--strict",
            "-f",
            DOCS / "tools" / "mkdocs.yml",
            "-d",
            tmp_path,
        ],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, "NO_MKDOCS_2_WARNING": "1"},
    )
    assert built.returncode == 0, built.stderr
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) >= len(list(DOCS.glob("*.md")))
    loaded = re.compile(r"<(?:script|link|img|iframe|source)\b[^>]*\b(?:src|href)=[\"']?(?:https?:)?//", re.I)
    assert [p.name for p in pages if loaded.search(p.read_text("utf-8"))] == []
    # Styles are the theme's own files; none of them asks another host for a font.
    assert [
        p.name for p in tmp_path.rglob("*.css") if re.search(r"url\(['\"]?https?:", p.read_text("utf-8"))
    ] == []


def test_no_address_leads_out_of_the_project() -> None:
    found = {
        page.name: sorted(addresses)
        for page in PAGES
        if (
            addresses := {
                a
                for a in re.findall(r"https?://[^\s)`>\"]+", page.read_text("utf-8"))
                if not re.match(
                    r"https?://(localhost|127\.0\.0\.1|[\w.-]*example\.(org|com|net)|[\w.-]+\.example)", a
                )
            }
        )
    }
    assert found == {}


PRAISE = re.compile(
    r"\b(utilize|leverag\w+|cutting[- ]edge|state[- ]of[- ]the[- ]art|seamless(ly)?|revolutionary|blazing\w*"
    r"|game[- ]chang\w+|effortless(ly)?|world[- ]class|simply)\b",
    re.I,
)
"""Words of praise, and words that make light of what the reader finds hard."""
UNFINISHED = re.compile(r"(?<!`)\b(T[O]DO|FIXM[E]|TBD|X{3})\b|lorem ipsum")


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_no_words_that_do_not_belong_here(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    found = [m.group(0) for m in [*PRAISE.finditer(text), *UNFINISHED.finditer(text)]]
    assert found == []


def test_citation_file() -> None:
    import yaml

    from crossproof import __version__

    cited = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    assert cited["cff-version"] == "1.2.0"
    assert {"message", "title", "authors"} <= set(cited)
    assert cited["version"] == __version__
    assert cited["authors"] == [{"name": "The crossproof developers"}]
