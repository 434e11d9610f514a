"""docs/questions.md: every word in code font is one that the program knows."""

from __future__ import annotations

import re
from pathlib import Path

from crossproof.cli import main
from crossproof.io.sheets.columns import CORRECTIONS, SAMPLES
from crossproof.model.results import Decision, NextStep, Reason, Verdict

PAGE = (Path(__file__).parents[2] / "docs" / "questions.md").read_text(encoding="utf-8")
FILES = {"corrections.csv", "config.yaml", "worklist.xlsx", "report.html", "results/"}
OTHER = {"PLATE:WELL", "cross:C012", "columns", "parent", "--dismiss WHY"}


def test_every_word_in_code_font_is_known() -> None:
    words = {w for kind in (Decision, NextStep, Reason, Verdict) for w in map(str, kind)}
    words |= {*SAMPLES.names, *CORRECTIONS.names, *FILES, *OTHER}
    for code in set(re.findall(r"`([^`]+)`", PAGE)):
        if code.startswith("crossproof "):
            assert code.split()[1] in main.commands, code
        else:
            assert code in words, code


def test_the_order_of_the_next_steps_is_that_of_the_program() -> None:
    """A cross is done where it has its hybrids, before anything else but a hold is asked for."""
    answer = PAGE.split("**Why am I not told to repeat a cross")[1].split("**")[1]
    said = re.findall(r"`([^`]+)`", answer)
    steps = [str(s) for s in NextStep]
    assert said == [steps[0], str(NextStep.DONE), *(s for s in steps[1:] if s != NextStep.DONE)]
