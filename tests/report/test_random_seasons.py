"""Statements of report, worklist and explanations that could contradict each other, over random seasons.

Every season is invented from its seed: none, one, two or many crosses and plants, every verdict, decision and
reason, findings of every kind.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, VerdictChange
from crossproof.model.results import CLASSES, PARENT_REASONS, Decision, NextStep, Reason, Verdict, decide
from crossproof.rates.tables.tally import RateOptions
from crossproof.report.content.blocks import FindingCards, Row, Section, Table
from crossproof.report.content.content import build_content
from crossproof.report.content.explain import sentences
from crossproof.report.content.explain_thing import ThingKind, explain_thing, find_thing
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.sheets import Sheet
from crossproof.report.content.worklist import build_sheets
from crossproof.report.facts.plants import Pile
from crossproof.steps.rates import cross_table

SEASONS = 24
"""Of the quick tests; the slow ones take MANY_SEASONS."""
MANY_SEASONS = 200
SIZES = (0, 1, 2, 7)
WAITING = (Reason.CLASSES_CLOSE, Reason.LOW_CALL_RATE, Reason.NO_PARENT_DATA, Reason.NO_DATA)
HELD = (Reason.PLATE_HELD, Reason.SAMPLE_HELD)


def invented(seed: int) -> ReportInputs:
    """A season as the report takes it; one in four has every size of nought, one, two and many."""
    rng = np.random.default_rng(seed)
    n_crosses = SIZES[seed % 4]
    names = [f"X{i + 1:03d}" for i in range(n_crosses)]
    lines = [f"Line{i}" for i in range(4)]
    crosses = pd.DataFrame(
        {
            "cross_id": names,
            "mother": rng.choice(lines[:2], n_crosses),
            "father": rng.choice(lines[2:], n_crosses),
            "operator": rng.choice(["Ada", "Ben"], n_crosses),
            "flowers": rng.integers(1, 6, n_crosses),
            "pods": rng.integers(0, 3, n_crosses),
            "seeds": rng.integers(0, 12, n_crosses),
            "target_hybrids": rng.integers(0, 4, n_crosses),
        }
    )
    plants = [p for c in crosses.to_dict("records") for p in _plants(rng, c, int(rng.choice(SIZES)))]
    verdicts = pd.DataFrame(plants, columns=list(PLANT))
    samples = pd.DataFrame(
        [
            {
                "sample_id": p["sample_id"], "plate": p["plate"], "well": p["well"], "role": "progeny",
                "line": "", "cross_id": p["cross_id"], "plant": p["plant"], "call_rate": p["call_rate"],
                "state": "used", "findings": "",
            }
            for p in plants
        ],
        columns=["sample_id", "plate", "well", "role", "line", "cross_id", "plant", "call_rate", "state",
                 "findings"],
    )  # fmt: skip
    typed = lines[: int(rng.integers(2, 5))]
    parents = pd.DataFrame({"role": "parent", "line": typed})
    config = SimpleNamespace(min_markers_scored=3, **vars(RateOptions()))
    plates = sorted(set(verdicts["plate"]))
    return ReportInputs(
        verdicts=verdicts,
        crosses=cross_table(crosses, parents, verdicts, config),  # type: ignore[arg-type]
        plates=pd.DataFrame({"plate": plates, "call_rate": 0.9, "state": "used", "findings": ""}),
        samples=samples,
        lines=pd.DataFrame({"line": lines, "versions": rng.integers(1, 3, 4), "findings": ""}),
        findings=tuple(_findings(rng, verdicts)),
    )


PLANT = (
    "plant", "sample_id", "samples", "cross_id", "mother", "father", "plate", "well", "pod", "place",
    "verdict", "decision", "reason", *(f"p_{c}" for c in CLASSES), "lod", "contrast_markers",
    "contrast_scored", "contrast_het", "het_share", "het_low", "het_high", "foreign_calls", "call_rate",
    "likely_source", "source_probability", "flags", "leading_class", "settle",
)  # fmt: skip


def _plants(rng: np.random.Generator, cross: dict[str, Any], n: int) -> Iterator[dict[str, Any]]:
    contrast = int(rng.choice([0, 1, 2, 9]))
    for i in range(n):
        verdict = rng.choice(np.array(list(Verdict), dtype=object))
        lead = verdict if verdict is not Verdict.UNDETERMINED else Verdict.OUTCROSS
        decision, reason = decide(verdict), Reason.NONE
        if verdict is Verdict.UNDETERMINED:
            reason = rng.choice(np.array(WAITING, dtype=object))
        elif rng.random() < 0.2:
            decision, reason = Decision.HOLD, rng.choice(np.array(HELD, dtype=object))
        sure = 0.6 if reason is Reason.CLASSES_CLOSE else 0.9996
        chance = {f"p_{c}": sure if c is lead else (1 - sure) / 3 for c in CLASSES}
        scored = int(rng.integers(0, contrast + 1))
        name = f"{cross['cross_id']}-{i + 1}"
        yield {
            "plant": name, "sample_id": f"s{name}", "samples": f"s{name}", "cross_id": cross["cross_id"],
            "mother": cross["mother"], "father": cross["father"], "plate": f"P{i % 2 + 1}",
            "well": f"A{i + 1}", "pod": "1", "place": str(rng.choice(["", "tray 2", "tray 10"])),
            "verdict": str(verdict), "decision": str(decision), "reason": str(reason), **chance,
            "lod": float(rng.normal(0, 3)), "contrast_markers": contrast, "contrast_scored": scored,
            "contrast_het": 0, "het_share": 0.0, "het_low": 0.0, "het_high": 0.3,
            "foreign_calls": int(rng.integers(0, 3)), "call_rate": 0.9, "likely_source": "",
            "source_probability": np.nan, "flags": "", "leading_class": str(lead), "settle": "",
        }  # fmt: skip


def _findings(rng: np.random.Generator, verdicts: pd.DataFrame) -> Iterator[Finding]:
    for kind in rng.permutation(np.array(list(FindingKind), dtype=object))[: int(rng.integers(0, 5))]:
        if verdicts.empty:
            return
        some = verdicts.sample(
            min(len(verdicts), int(rng.integers(1, 4))), random_state=int(rng.integers(99))
        )
        held = some[some["decision"] == Decision.HOLD]
        subject = str(some["cross_id"].iloc[0])
        yield Finding(
            kind, Scope.CROSS, str(some["plate"].iloc[0]), subject, f"Plants of {subject} look odd.",
            "Look again.", samples=tuple(some["sample_id"]), log10_odds=float(rng.normal(5, 3)),
            hold=Hold.SAMPLES if len(held) else Hold.NOTHING,
            corrections=(Correction(CorrectionKind.REVERSE_CROSS, subject),) if rng.random() < 0.5 else (),
            changes=tuple(VerdictChange(p, Verdict.SELF, Verdict.HYBRID) for p in some["plant"]),
        )  # fmt: skip


def texts_of(content: Any) -> Iterator[str]:
    """Every sentence of a report."""
    yield content.summary
    for section in content.sections:
        assert isinstance(section, Section)
        yield section.lead
        for block in section.blocks:
            for part in block.blocks if isinstance(block, Row) else (block,):
                yield from (getattr(part, name, "") for name in ("text", "sentence", "title"))
                for card in getattr(part, "cards", ()):
                    yield f"{card.number}\u00a0{card.sentence}"
                if isinstance(part, FindingCards):
                    yield from (t for f in part.rows for t in (f.sentence, f.would_change))
                if isinstance(part, Table):
                    yield from (cell for row in part.rows for cell in row)


NOUNS = ("plant", "cross", "flower", "seed", "pod", "marker", "line", "person", "plate", "verdict", "hybrid",
         "test", "stored seed", "tested cross")  # fmt: skip
MANY = {
    n: {"cross": "crosses", "person": "people", "tested cross": "tested crosses"}.get(n, n + "s")
    for n in NOUNS
}
ONE_OF_MANY = re.compile(rf"(?<![\d.,])1[\u00a0 ]({'|'.join(MANY.values())})\b")
MANY_OF_ONE = re.compile(rf"(?<![\d.,])(?:0|[2-9]|\d\d+)[\u00a0 ]({'|'.join(NOUNS)})(?![\w-])(?! markers?)")


@pytest.fixture(
    scope="module",
    params=[SEASONS, pytest.param(MANY_SEASONS, marks=[pytest.mark.slow, pytest.mark.timeout(1200)])],
)
def seasons(request: pytest.FixtureRequest) -> list[tuple[ReportInputs, Any]]:
    made = [invented(seed) for seed in range(request.param)]
    return [(inputs, build_content(inputs)) for inputs in made]


def steps_table(content: Any) -> dict[str, tuple[str, str]]:
    """Next step and detail by cross, as the report shows them."""
    tables = [b for b in content.sections[0].blocks if isinstance(b, Table) and b.id == "steps"]
    out = {}
    for table in tables:
        at = {c.label: k for k, c in enumerate(table.columns)}
        for row in table.rows:
            assert row[0] not in out, "a cross has one next step"
            out[row[0]] = (row[at["next step"]], row[at["what it needs"]])
    return out


def test_each_cross_has_one_next_step_and_it_is_the_same_everywhere(seasons) -> None:
    for inputs, content in seasons:
        frame = inputs.crosses
        listed = {
            c: (s, d)
            for c, s, d in zip(frame["cross_id"], frame["next_step"], frame["next_step_detail"], strict=True)
            if s != NextStep.DONE
        }
        assert steps_table(content) == listed
        sheet = next(s for s in build_sheets(inputs) if isinstance(s, Sheet) and s.name == "Next steps")
        assert {r[0]: (r[3], r[4]) for r in sheet.rows} == listed
        for cross, (_, detail) in listed.items():
            assert detail[1:] in explained(inputs, cross)


def explained(inputs: ReportInputs, cross: str) -> str:
    console = Console(width=250, color_system=None)
    with console.capture() as capture:
        console.print(explain_thing(inputs, find_thing(inputs, f"{ThingKind.CROSS}:{cross}")))
    return capture.get()


def test_no_two_statements_about_a_cross_contradict_each_other(seasons) -> None:
    for inputs, _ in seasons:
        for row in inputs.crosses.to_dict("records"):
            plants = inputs.verdicts[inputs.verdicts["cross_id"] == row["cross_id"]]
            decisions = plants["decision"].tolist()
            where = (row["cross_id"], row["next_step"], decisions)
            flowers = 0 if pd.isna(row["flowers_to_repeat"]) else row["flowers_to_repeat"]
            counts = [row[str(v)] for v in Verdict] + [row["held"]]
            assert sum(counts) == row["tested"] == len(plants), where
            assert (row["next_step"] == NextStep.HOLD) == (Decision.HOLD in decisions), where
            assert row["next_step"] == NextStep.REPEAT or not flowers, where
            assert row["next_step"] == NextStep.TEST_SEED or not row["seeds_to_test"], where
            if row["next_step"] in (NextStep.TEST_SEED, NextStep.REPEAT):
                assert Decision.RETEST not in decisions, where
                assert row["hybrid"] < row["target"], where
            if row["verifiable"] == "no":
                assert Decision.KEEP not in decisions, where
            if row["next_step"] == NextStep.DONE:
                assert row["hybrid"] >= row["target"], where


def test_counts_in_sentences_are_those_of_the_tables(seasons) -> None:
    for inputs, content in seasons:
        counts = inputs.verdicts["decision"].value_counts().to_dict()
        retest = inputs.verdicts[inputs.verdicts["decision"] == Decision.RETEST]
        wait = retest["reason"].isin([str(r) for r in (*PARENT_REASONS, Reason.FEW_CONTRASTS)]).sum()
        counts |= {Pile.WAIT: wait, Pile.SAMPLE_AGAIN: len(retest) - wait}
        for card in content.sections[0].blocks[0].cards:
            if card.pick:
                assert int(card.number) == counts.get(card.pick, 0)
            else:
                assert int(card.number) == (inputs.crosses["next_step"] == NextStep.REPEAT).sum()
        versions = (inputs.lines["versions"] > 1).sum()
        said = re.search(r"(\d+)\u00a0lines? ha(?:s|ve) samples that contradict", content.sections[5].lead)
        assert (int(said.group(1)) if said else 0) == (versions if len(inputs.markers) else 0)


def test_what_is_said_of_a_plant_does_not_contradict_its_numbers(seasons) -> None:
    for inputs, _ in seasons:
        for row in inputs.verdicts.to_dict("records"):
            text = " ".join(sentences(row))
            sure = max(row[f"p_{c}"] for c in CLASSES)
            assert ("below the threshold" in text) <= (sure < 0.95), text
            assert ("no call carries" in text) == (row["foreign_calls"] == 0), text
            assert ("Decision: keep" in text) == (row["decision"] == Decision.KEEP), text
            assert not ("Decision: hold" in text and "Decision: cull" in text), text


def test_singular_and_plural_agree(seasons) -> None:
    assert ONE_OF_MANY.search("1 plants")
    assert MANY_OF_ONE.search("2\u00a0cross ")
    for inputs, content in seasons:
        said = [
            *texts_of(content),
            *(t for c in inputs.crosses["cross_id"] for t in explained(inputs, c).split("  ")),
        ]
        for text in said:
            assert not ONE_OF_MANY.search(text), text
            assert not MANY_OF_ONE.search(text), text


def test_no_plant_is_named_that_the_season_does_not_have(seasons) -> None:
    for inputs, content in seasons:
        known = set(inputs.verdicts["plant"])
        named = {n for text in texts_of(content) for n in re.findall(r"\bX\d{3}-\d+\b", text)}
        assert named <= known
