"""Messages as a technician reads them: full sentences without jargon, each with a remedy.

All texts of problems are collected from the source; interpolated values appear as {}.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[2] / "src" / "crossproof"
PLACES = {
    "error": (1, 2),
    "warning": (1, 2),
    "Fault": (0, 1),
    "Refused": (0, 1),
    "add": (0, 1),
    "fault": (3, 4),
}
"""Makers of problems and where their texts stand among the arguments."""

JARGON = re.compile(
    r"\b(dtype|nan|exception|traceback|null|codec|u?int\d*|float\d*|boolean|regex|std(err|in|out)"
    r"|schema|syntax|assert\w*|iterable|tuple|dict|dataframe|numpy|pandas|kwargs?|argv|enum|deserial\w*"
    r"|illegal|fatal|abort\w*|unexpected token)\b",
    re.IGNORECASE,
)
"""Words of programmers. NUL, UTF-8, VCF, BCF, GT, PL and ploidy name things of the files themselves."""


def text_of(node: ast.expr) -> str | None:
    """The text of an argument, {} for what is put in; None where it is no text."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        return "".join(str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = text_of(node.left), text_of(node.right)
        return None if left is None and right is None else (left or "{}") + (right or "{}")
    return None


def messages() -> list[tuple[str, str | None, str | None]]:
    """Place, problem and remedy of every problem that the source can make."""
    found = []
    for path in sorted(SOURCE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            method = isinstance(node.func, ast.Attribute)
            name = node.func.attr if method else getattr(node.func, "id", "")
            if name not in PLACES or (name == "add" and len(node.args) < 2):
                continue
            if name == "add" and path.parent.name == "receive":
                continue  # what was understood of a file: a topic and what is true of it
            first, second = (0, 1) if method and name in ("error", "warning") else PLACES[name]
            if len(node.args) <= second:
                continue
            place = f"{path.relative_to(SOURCE).as_posix()}:{node.lineno}"
            found.append((place, text_of(node.args[first]), text_of(node.args[second])))
    return found


MESSAGES = messages()


def test_the_messages_are_found() -> None:
    assert sum(problem is not None for _, problem, _ in MESSAGES) > 200
    assert JARGON.search("unexpected dtype")
    assert not JARGON.search("The header holds a NUL byte: the file is damaged or no text.")


def test_no_jargon() -> None:
    spoken = [(place, t) for place, *texts in MESSAGES for t in texts if t]
    assert [(place, t) for place, t in spoken if JARGON.search(t)] == []


def test_problems_are_sentences() -> None:
    texts = [(place, p) for place, p, _ in MESSAGES if p]
    assert [(place, p) for place, p in texts if not re.match(r"[A-Z{0-9'(]|rates_by ", p)] == []
    # A text that ends in something put in may get its full stop from there.
    assert [(place, p) for place, p in texts if not re.search(r"([.?!)]|\{\}|[:] )$", p.rstrip() + "")] == []


def test_every_problem_has_a_remedy() -> None:
    assert [(place, p) for place, p, remedy in MESSAGES if p and remedy is not None and len(remedy) < 6] == []


def test_remedies_tell_what_to_do() -> None:
    remedies = {r for _, _, r in MESSAGES if r and r[:1] != "{" and " " in r}
    assert [r for r in remedies if not re.match(r"[A-Z]", r)] == []


@pytest.mark.parametrize("name", ["cli/group.py", "runner/terminal.py"])
def test_the_terminal_shows_a_traceback_for_our_own_faults_only(name: str) -> None:
    text = (SOURCE / name).read_text(encoding="utf-8")
    for match in re.finditer(r"traceback\.format_exc\(\)", text):
        assert text[: match.start()].endswith("show_fault(")
