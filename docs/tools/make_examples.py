"""Write into the documentation what the program really says.

    python docs/tools/make_examples.py            # runs the demo season twice: a few minutes
    python docs/tools/make_examples.py --check

A page holds `<!-- shown: NAME -->` and `<!-- end -->`; what stands between them is written here. Times and
the folder of the run are left out, so that the text is the same on every machine.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pandas as pd
from make_tables import renew_pages, table

ROOT = Path(__file__).parents[2]
LEFT_BEHIND = ("results", ".crossproof", ".snakemake", "calibration.json")

PLANTS = {
    "explain-hybrid": "C001-01",
    "explain-self": "C012-03",
    "explain-outcross": "C012-02",
    "explain-off": "C005-02",
    "explain-undetermined": "C003-08",
    "explain-hold": "C024-01",
}
"""Plants of the demo season whose explanation is shown."""

CORRECTIONS = """\
kind,target,other,detail,note
swap tags,C011,C024,,Bo: both packets were open on the table when the tags were tied on
sample is,LN05-2,LN09,,pipetting list of P002: the LN09 tube was used twice
"""
"""What the story writes into corrections.csv; the notes are invented."""
DISMISSED = """\
dismiss,C005,,pods exchanged,the two pods were picked and bagged on different days
"""
"""What the story adds to it after the second run."""


@dataclass
class Scratch:
    """A folder in which the documented commands are run; nothing is run twice."""

    folder: Path
    said: dict[tuple[str, ...], str] = field(default_factory=dict)
    status: dict[tuple[str, ...], int] = field(default_factory=dict)

    def run(self, *arguments: str) -> str:
        """What `crossproof ARGUMENTS` prints there, times and folder left out."""
        if arguments not in self.said:
            done = subprocess.run(
                [sys.executable, "-m", "crossproof.cli", *arguments],
                cwd=self.folder,
                capture_output=True,
                text=True,
                timeout=900,
                env={**os.environ, "COLUMNS": "100", "OMP_NUM_THREADS": "1"},
            )
            self.status[arguments] = done.returncode
            if done.returncode == 3:
                raise RuntimeError(done.stdout + done.stderr)
            text = done.stdout.strip("\n").replace(f"{self.folder}/", "")
            text = re.sub(r"Done in [\d.]+ s", "Done in a minute or so", text)
            self.said[arguments] = "\n".join(line.rstrip() for line in text.split("\n"))
        return self.said[arguments]

    def season(self, name: str) -> Path:
        """A season there; made when first asked for. `demo_corrected` is the demo with corrections.csv,
        `demo_settled` that with one finding dismissed."""
        path = self.folder / name
        if name == "nursery_2027" and not path.exists():
            self.run("new", name)
        if name == "demo_genotypes" and not path.exists():
            shutil.copytree(ROOT / "demo_genotypes", path, ignore=shutil.ignore_patterns(*LEFT_BEHIND))
        return path

    def results(self, name: str) -> Path:
        """The results of a season after its run."""
        before = {
            "demo_corrected": ("demo_genotypes", CORRECTIONS),
            "demo_settled": ("demo_corrected", CORRECTIONS + DISMISSED),
        }
        if name in before:
            earlier, corrections = before[name]
            first = self.results(earlier)
            path = self.folder / name
            if not path.exists():
                shutil.copytree(first.parent, path)
                (path / "corrections.csv").write_text(corrections, encoding="utf-8")
        else:
            path = self.season(name)
        self.run("run", name)
        return path / "results"


def fenced(text: str) -> str:
    """Output as a block of text."""
    return f"```text\n{text}\n```\n"


def explained(scratch: Scratch, season: str, plant: str, markers: int = 5) -> str:
    """What `explain` says of a plant: everything but most of the marker table."""
    scratch.results(season)
    lines = scratch.run("explain", season, plant).split("\n")
    head = next(i for i, line in enumerate(lines) if line.startswith("marker "))
    shown, left = lines[: head + 1 + markers], lines[head + 1 + markers :]
    more = sum(bool(re.match(r"[A-Za-z]+\d+ ", line)) for line in left)
    rest = [line for line in left if "other markers" in line]
    return fenced("\n".join([*shown, f"  ... ({more} more)", *rest]))


def findings(scratch: Scratch, season: str) -> str:
    """The warnings of problems.csv: what each is about, what is said, what is proposed."""
    frame = pd.read_csv(scratch.results(season) / "problems.csv", dtype=str, keep_default_na=False)
    rows = []
    for _, row in frame[frame["severity"] == "warning"].iterrows():
        remedy, _, proposed = row["remedy"].partition(" Proposed for corrections.csv: ")
        rows.append((row["value"], row["problem"], remedy, f"`{proposed.rstrip('.')}`" if proposed else ""))
    return table(("about", "what is said", "what to do", "row proposed"), rows)


def changes(scratch: Scratch) -> str:
    """changes.csv of the second run, plants of one cross and change together."""
    frame = pd.read_csv(scratch.results("demo_corrected") / "changes.csv", dtype=str, keep_default_na=False)
    keys = ["cross_id", "verdict_before", "verdict_now", "cause"]
    rows = [(keys_[0], str(len(part)), *keys_[1:]) for keys_, part in frame.groupby(keys, sort=True)]
    return table(("tag", "plants", "before", "now", "cause"), rows)


def decisions(scratch: Scratch) -> str:
    """Plants by decision before and after the corrections, and at last."""
    counted = {
        name: pd.read_csv(scratch.results(season) / "verdicts.csv", dtype=str)["decision"].value_counts()
        for name, season in (
            ("first run", "demo_genotypes"),
            ("second run", "demo_corrected"),
            ("third run", "demo_settled"),
        )
    }
    rows = [
        (decision, *(str(int(c.get(decision, 0))) for c in counted.values()))
        for decision in ("keep", "cull", "retest", "hold")
    ]
    return table(("decision", *counted), rows)


def plants(scratch: Scratch, verdict: str, columns: tuple[str, ...]) -> str:
    """Plants of one verdict in the third run."""
    frame = pd.read_csv(scratch.results("demo_settled") / "verdicts.csv", dtype=str, keep_default_na=False)
    frame = frame[frame["verdict"] == verdict].sort_values("plant")
    return table(columns, (tuple(row[c] for c in columns) for _, row in frame.iterrows()))


def people(scratch: Scratch) -> str:
    """Selfing rate of each person in the third run, with what may be said."""
    frame = pd.read_csv(scratch.results("demo_settled") / "operators.csv", dtype=str, keep_default_na=False)
    rows = [
        (
            row["operator"],
            row["tags"],
            row["determined"],
            row["self"],
            f"{float(row['selfing_rate']):.0%} ({float(row['selfing_rate_low']):.0%} to "
            f"{float(row['selfing_rate_high']):.0%})",
            row["judgement"],
        )
        for _, row in frame.iterrows()
    ]
    return table(
        ("person", "tags", "plants with a verdict", "selfs", "share (95 % limits)", "judgement"), rows
    )


def check_date(scratch: Scratch) -> str:
    """What `check` says of a date written the local way."""
    folder = scratch.folder / "wrong_date"
    if not folder.exists():
        scratch.run("new", "wrong_date")
        sheet = folder / "crosses.csv"
        text = sheet.read_text(encoding="utf-8")
        sheet.write_text(
            text.replace("X001,Lark,Wren,2025-06-04", "X001,Lark,Wren,04.06.2025"), encoding="utf-8"
        )
    return fenced(scratch.run("check", "wrong_date"))


def said_by_run(scratch: Scratch, season: str) -> str:
    """What `run` prints."""
    scratch.results(season)
    return fenced(scratch.run("run", season).replace("demo_corrected", "demo_genotypes"))


def said_after_run(scratch: Scratch, *arguments: str) -> str:
    """What a command prints once the demo has been run."""
    scratch.results("demo_genotypes")
    return fenced(scratch.run(*arguments))


def blocks(scratch: Scratch) -> Mapping[str, Callable[[], str]]:
    """What can stand in a page, by name."""
    made: dict[str, Callable[[], str]] = {
        name: partial(explained, scratch, "demo_genotypes", plant) for name, plant in PLANTS.items()
    }
    return made | {
        "check-date": partial(check_date, scratch),
        "run-new": partial(said_by_run, scratch, "nursery_2027"),
        "explain-new": partial(explained, scratch, "nursery_2027", "X001-1"),
        "story-run1": partial(said_by_run, scratch, "demo_genotypes"),
        "story-findings1": partial(findings, scratch, "demo_genotypes"),
        "story-corrections": lambda: f"```text\n{CORRECTIONS}```\n",
        "story-dismissed": lambda: f"```text\n{DISMISSED}```\n",
        "story-run2": partial(said_by_run, scratch, "demo_corrected"),
        "story-findings2": partial(findings, scratch, "demo_corrected"),
        "story-check": lambda: said_after_run(scratch, "check", "demo_genotypes"),
        "story-off": partial(
            plants, scratch, "off_pedigree", ("plant", "mother", "father", "likely_source", "foreign_calls")
        ),
        "story-outcross": partial(
            plants, scratch, "outcross", ("plant", "mother", "father", "likely_source", "source_probability")
        ),
        "story-undetermined": partial(
            plants, scratch, "undetermined", ("plant", "reason", "call_rate", "leading_class", "settle")
        ),
        "story-people": partial(people, scratch),
        "story-score": lambda: said_after_run(scratch, "score", "demo_genotypes", "demo_genotypes/truth.csv"),
        "story-changes": partial(changes, scratch),
        "story-decisions": partial(decisions, scratch),
        "story-explain": partial(explained, scratch, "demo_corrected", "C024-01", 3),
    }


def main(check: bool) -> int:
    """Renew all pages, or only say which are out of date."""
    with tempfile.TemporaryDirectory() as folder:
        return renew_pages(blocks(Scratch(Path(folder).resolve())), "shown", check)


if __name__ == "__main__":
    sys.exit(main("--check" in sys.argv[1:]))
