"""The page on tags and the crossing book: its files are written, its commands run, what it shows is said."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.field.tags import TAG_SIZES

PAGE = Path(__file__).parents[2] / "docs" / "tags_and_book.md"
TEXT = PAGE.read_text(encoding="utf-8")


def test_the_page_runs_from_top_to_bottom(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    assert runner.invoke(main, ["new", "nursery_2027"]).exit_code == 0
    said = ""
    ran = 0
    pattern = r"(?:<!-- file: (\S+) -->\n)?^```(\w+)\n(.*?)^```"
    for file, language, text in re.findall(pattern, TEXT, flags=re.M | re.S):
        if file:
            Path(file).write_text(text, encoding="utf-8")
        elif language == "sh":
            for command in text.strip().splitlines():
                done = runner.invoke(main, shlex.split(command)[1:])
                assert done.exit_code == 0, done.output
                said, ran = done.output, ran + 1
        elif language == "text":
            assert said == text
    assert ran == 3
    assert {p.name for p in Path("nursery_2027/field").iterdir()} == {
        *("tags_0001D-0003B.html", "book.html", "book.xlsx"),
    }


@pytest.mark.parametrize("size", TAG_SIZES)
def test_the_sizes_that_were_tried_are_named(size):
    assert size in TEXT


@pytest.mark.parametrize("options", re.findall(r"\| `(--[^`]+)`", TEXT) + re.findall(r", `(--[^`]+)`", TEXT))
def test_the_options_of_the_table_work(tmp_path, monkeypatch, options):
    monkeypatch.chdir(tmp_path)
    runner = CliRunner()
    runner.invoke(main, ["new", "n"])
    Path("n/planned.csv").write_text("mother,father,flowers\nLark,Wren,5\nWren,Robin,2\n", encoding="utf-8")
    if "--again" in options:
        runner.invoke(main, ["tags", "n", "--season", "2027"])
    done = runner.invoke(main, ["tags", "n", "--season", "2027", *shlex.split(options)])
    assert done.exit_code == 0, done.output
