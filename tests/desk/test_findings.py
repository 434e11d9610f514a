"""Findings answered at the desk: it is so, it is not so, taken back."""

from __future__ import annotations

import re
from urllib.parse import quote

import pytest
from desks import Visitor, copy_of_demo, words

from crossproof.steps.correct import list_findings, plan_answer


@pytest.fixture
def root(finished):
    return finished


@pytest.fixture
def visitor(root):
    yield Visitor(root)
    (root / "demo" / "corrections.csv").unlink(missing_ok=True)


def proposing(root):
    return next(f for f in list_findings(root / "demo") if f.corrections)


def test_findings_are_listed_with_what_to_do(visitor, root):
    page = visitor.get("/season/demo/findings")
    found = list_findings(root / "demo")
    assert page.text.count("<article") == len(found) > 1
    assert "Plants are held until this is answered." in words(page)


def test_it_is_so_says_first_what_changes_and_writes_what_the_command_writes(visitor, root):
    finding = proposing(root)
    expected = plan_answer(root / "demo", finding.name)
    page = visitor.get(f"/season/demo/findings/answer?finding={quote(finding.name)}")
    for row in expected.rows:
        assert row.sentence() in page.text
    assert not (root / "demo" / "corrections.csv").exists()
    answer = visitor.post("/season/demo/findings/answer", {"finding": finding.name, "what": "so"})
    assert answer.headers["location"] == "/season/demo/findings?said=ANSWERED"
    text = (root / "demo" / "corrections.csv").read_text(encoding="utf-8")
    assert all(row.kind.value in text and row.target in text for row in expected.rows)
    listed = words(visitor.get("/season/demo/findings"))
    assert "Answered. Run the season again" in listed
    assert "1 file changed since the last run: corrections.csv" in words(visitor.get("/season/demo"))


def test_it_is_not_so_needs_a_reason(visitor, root):
    finding = proposing(root)
    answer = visitor.post(
        "/season/demo/findings/answer", {"finding": finding.name, "what": "not", "reason": "  "}
    )
    assert answer.status_code == 422
    assert "A dismissal needs a reason." in words(answer)
    assert not (root / "demo" / "corrections.csv").exists()
    answer = visitor.post(
        "/season/demo/findings/answer", {"finding": finding.name, "what": "not", "reason": "tags\nchecked"}
    )
    assert answer.status_code == 303
    text = (root / "demo" / "corrections.csv").read_text(encoding="utf-8")
    assert "dismiss" in text
    assert "tags checked" in text


def test_an_answer_is_taken_back(visitor, root):
    finding = proposing(root)
    visitor.post("/season/demo/findings/answer", {"finding": finding.name, "what": "so"})
    page = visitor.get("/season/demo/findings")
    rows = re.findall(r'name="at" value="(\d+)"><input type="hidden" name="digest" value="(\w+)"', page.text)
    assert len(rows) == len(finding.corrections)
    at, digest = rows[0]
    old = visitor.post("/season/demo/findings/undo", {"at": at, "digest": "0" * 32})
    assert old.status_code == 409
    answer = visitor.post("/season/demo/findings/undo", {"at": at, "digest": digest})
    assert answer.headers["location"].endswith("said=UNDONE")
    lines = (root / "demo" / "corrections.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1 + len(rows) - 1


def test_a_finding_that_is_not_there_is_not_found(visitor):
    assert visitor.get("/season/demo/findings/answer?finding=none:X").status_code == 404
    assert (
        visitor.post("/season/demo/findings/answer", {"finding": "none:X", "what": "so"}).status_code == 404
    )
    assert not visitor.desk.root.joinpath("demo/corrections.csv").exists()


def test_before_the_first_run_there_is_nothing_to_answer(tmp_path):
    copy_of_demo(tmp_path / "demo")
    assert "has not been run" in words(Visitor(tmp_path).get("/season/demo/findings"))
