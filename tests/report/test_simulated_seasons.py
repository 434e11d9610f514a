"""What the report, workbook, explanations and terminal say of small random seasons, judged as real ones are.

Held for every season: a number in a sentence is in the table behind it; no two statements of the written list
contradict each other; singular and plural agree; nothing is named that the season does not have.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from rich.console import Console
from simulated_season import simulated
from test_random_seasons import MANY_OF_ONE, ONE_OF_MANY

from crossproof.model.results import Decision, Need, NextStep, Provable, Verdict
from crossproof.report.content.blocks import (
    Cards,
    Chart,
    Drawing,
    FindingCards,
    Heading,
    Notice,
    Prose,
    Row,
    Table,
    Terms,
)
from crossproof.report.content.content import Content, build_content
from crossproof.report.content.explain import explain_text, sentences
from crossproof.report.content.explain_thing import ThingKind, explain_thing, find_thing
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.content.sheets import Grid, Sheet
from crossproof.report.content.worklist import build_sheets
from crossproof.report.draw.summary_page import summary_page
from crossproof.runner.summary import season_summary

SEASONS = 8
"""Of the quick tests; the slow ones take MANY_SEASONS."""
MANY_SEASONS = 120


@dataclass(frozen=True)
class Said:
    """A season and everything that is said of it."""

    seed: int
    inputs: ReportInputs
    content: Content
    terminal: str

    @cached_property
    def blocks(self) -> list[tuple[str, Any]]:
        """Section and block, those of rows one by one."""
        return [
            (section.id, part)
            for section in self.content.sections
            for block in section.blocks
            for part in (block.blocks if isinstance(block, Row) else (block,))
        ]

    @cached_property
    def report(self) -> list[str]:
        """Every text of the report but those of one plant."""
        texts = [self.content.summary]
        for section in self.content.sections:
            texts += [section.lead, section.title]
        for _, block in self.blocks:
            texts += list(texts_of(block))
        return texts

    @cached_property
    def workbook(self) -> list[str]:
        """Every text of the workbook."""
        texts = []
        for sheet in build_sheets(self.inputs):
            texts += [sheet.title, sheet.note]
            rows = [r for _, grid in sheet.plates for r in grid] if isinstance(sheet, Grid) else sheet.rows
            texts += [cell for row in rows for cell in row if isinstance(cell, str)]
        return texts

    @cached_property
    def brief(self) -> str:
        """The page for whoever leads the team, as text."""
        page = re.sub(r"(?s)<(style|script|svg)\b.*?</\1>", " ", summary_page(self.inputs))
        return html.unescape(re.sub(r"\s*<[^>]+>\s*", "\n", page))

    @cached_property
    def wells(self) -> dict[str, str]:
        """The explanation of the wells of some plants, by PLATE:WELL."""
        out = {}
        for row in self.inputs.samples.tail(4).to_dict("records"):
            if row.get("plate") and row.get("well"):
                name = f"{row['plate']}:{row['well']}"
                out[name] = printed(explain_thing(self.inputs, find_thing(self.inputs, f"well:{name}")))
        return out

    @cached_property
    def explained(self) -> dict[tuple[ThingKind, str], str]:
        """The explanation of every plant, cross, line and plate, and of some samples."""
        out = {}
        frames = {
            ThingKind.PLANT: self.inputs.verdicts["plant"],
            ThingKind.CROSS: self.inputs.crosses["cross_id"],
            ThingKind.LINE: self.inputs.lines["line"],
            ThingKind.PLATE: self.inputs.plates["plate"],
            ThingKind.SAMPLE: self.inputs.samples["sample_id"].head(4),
        }
        for kind, names in frames.items():
            for name in names.astype(str):
                if kind is ThingKind.PLANT:
                    out[kind, name] = explain_text(self.inputs, name)
                elif name:
                    out[kind, name] = printed(
                        explain_thing(self.inputs, find_thing(self.inputs, f"{kind}:{name}"))
                    )
        return out

    @property
    def everything(self) -> Iterator[str]:
        """All texts, lines of the terminal one by one."""
        yield from self.report
        yield from self.workbook
        for text in (self.terminal, self.brief, *self.explained.values(), *self.wells.values()):
            yield from (part for line in text.splitlines() for part in re.split(r"\s{2,}", line))


def texts_of(block: Any) -> Iterator[str]:
    """Texts of one block of the report."""
    if isinstance(block, Prose | Heading):
        yield block.text
    elif isinstance(block, Notice):
        yield f"{block.title}. {block.text}"
    elif isinstance(block, Cards):
        yield from (f"{c.label}: {c.number} {c.sentence}" for c in block.cards)
    elif isinstance(block, FindingCards):
        for f in block.rows:
            yield from (f.place, f.title, f.sentence, f.odds, f.remedy, f.would_change)
    elif isinstance(block, Terms):
        yield from (f"{k}: {v}" for k, v in block.pairs)
    elif isinstance(block, Table):
        yield from (block.caption, block.more, *(cell for row in block.rows for cell in row))
    elif isinstance(block, Chart | Drawing):
        yield from (block.title, block.sentence)
        yield from texts_of(block.table)


def printed(what: Any) -> str:
    console = Console(width=250, color_system=None)
    with console.capture() as capture:
        console.print(what)
    return capture.get()


def terminal_of(inputs: ReportInputs, folder: Path) -> str:
    for name in ("verdicts", "crosses", "operators", "plates", "lines", "samples"):
        getattr(inputs, name).to_csv(folder / f"{name}.csv", index=False)
    return printed(season_summary(folder))


@pytest.fixture(
    scope="module",
    params=[SEASONS, pytest.param(MANY_SEASONS, marks=[pytest.mark.slow, pytest.mark.timeout(1200)])],
)
def seasons(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> list[Said]:
    made = []
    for seed in range(request.param):
        folder = tmp_path_factory.mktemp(f"season{seed}")
        inputs = simulated(seed, folder / "season")
        if inputs is not None:
            made.append(Said(seed, inputs, build_content(inputs), terminal_of(inputs, folder)))
    assert len(made) > 0.7 * request.param, "few are refused: the test would say little"
    return made


def test_the_seasons_are_of_every_kind(seasons: list[Said]) -> None:
    if len(seasons) < MANY_SEASONS / 2:
        pytest.skip("of the many seasons")
    sizes = {len(s.inputs.verdicts) for s in seasons}
    assert {0, 1, 2} <= sizes
    assert max(sizes) > 15
    column = {
        c: {v for s in seasons for v in s.inputs.verdicts[c]} for c in ("verdict", "decision", "reason")
    }
    assert column["verdict"] == {str(v) for v in Verdict}
    assert column["decision"] == {str(d) for d in Decision}
    assert len(column["reason"]) >= 8, column["reason"]
    assert {v for s in seasons for v in s.inputs.crosses["next_step"]} == {str(s) for s in NextStep}
    assert len({f.kind for s in seasons for f in s.inputs.findings}) >= 10


NUMBER = re.compile(r"\d+(?:,\d{3})*(?:\.\d+)?")
NAMED = re.compile(r"\b(?:C\d{3}(?:-\d+)?|LN\d+|P\d{3}|B\d{3}|[MF]\d\d|2026-W\d\d|\d\d:00)\b")
CONSTANT = {"95", "99.8"}
"""Numbers that belong to the words: interval levels."""


def numbers_in(text: str) -> set[str]:
    return set(NUMBER.findall(NAMED.sub(" ", text)))


def test_a_number_in_the_sentence_of_a_chart_is_in_the_table_behind_it(seasons: list[Said]) -> None:
    for said in seasons:
        for where, block in said.blocks:
            if isinstance(block, Chart | Drawing) and block.table is not None:
                table = " | ".join(texts_of(block.table)) + " ".join(c.label for c in block.table.columns)
                count = str(len(block.table.rows))
                missing = numbers_in(block.sentence) - numbers_in(table) - CONSTANT - {count}
                assert not missing, (said.seed, where, block.id, block.sentence, table)


def totals(inputs: ReportInputs) -> set[str]:
    """Every count of the result tables, worked out from the tables and from nothing of the report."""
    v, c = inputs.verdicts, inputs.crosses
    counted = v[(v["decision"] != "hold") & (v["verdict"] != "undetermined")]
    hybrids = int((counted["verdict"] == "hybrid").sum())
    out = [len(v), len(c), len(counted), hybrids, len(inputs.plates), len(inputs.lines), len(inputs.markers)]
    out += [len(inputs.operators), len(inputs.findings), (c["operator"].replace("", None)).nunique()]
    for frame, columns in (
        (v, ("verdict", "decision", "reason", "waits_for")),
        (c, ("next_step", "verifiable")),
    ):
        for column in columns:
            out += frame[column].value_counts().tolist()
    out.append(v["waits_for"].isin([str(Need.PARENT), str(Need.MARKERS)]).sum())
    counted_verdicts = v[v["decision"] != "hold"]["verdict"].value_counts().tolist()
    out += counted_verdicts
    wanted = c["target"] > 0
    out += [wanted.sum(), (wanted & (c["hybrid"] >= c["target"])).sum(), (c["tested"] > 0).sum()]
    out += [((c["tested"] > 0) & (c["hybrid"] == 0) & (c["held"] == 0)).sum(), c["tests_needed"].sum()]
    out += [c["flowers_to_repeat"].fillna(0).sum(), c["seeds_to_test"].sum()]
    out += [
        (inputs.lines["versions"] > 1).sum(),
        ((inputs.lines["versions"] <= 1) & (inputs.lines["wells_with_calls"] > 1)).sum(),
        (~inputs.markers["used"]).sum(),
        inputs.markers["used"].sum(),
    ]
    for column in ("flowers", "pods", "seeds"):
        if column in c:
            out.append(pd.to_numeric(c[column], errors="coerce").sum())
    shares = []
    if len(counted):
        shares.append(f"{100 * hybrids / len(counted):.0f}")
    return {f"{int(x):,}" for x in out} | set(shares) | {"0"}


LEADS = ("do", "crosses", "panel")


def test_a_number_in_an_opening_sentence_is_a_count_of_the_tables(seasons: list[Said]) -> None:
    for said in seasons:
        known = totals(said.inputs)
        sections = {s.id: s for s in said.content.sections}
        for text in (said.content.summary, *(sections[name].lead for name in LEADS)):
            assert numbers_in(text) <= known, (said.seed, text, numbers_in(text) - known)
        cards = next(b for _, b in said.blocks if isinstance(b, Cards))
        for card in cards.cards:
            assert numbers_in(f"{card.number} {card.sentence}") <= known, (said.seed, card)
        first = said.terminal.split("Selfed, by person")[0].split("Look at these")[0]
        assert numbers_in(first) <= known, (said.seed, first)


PLANT_NEVER = (
    (r"Decision: keep", r"Decision: (?:cull|hold|retest)"),
    (r"Decision: keep", r"Cross .* cannot be proven|has no verdict"),
    (r"below the threshold", r"probability > 0\.999"),
    (r"no call carries", r"[1-9]\d* calls carry|one call carries|allele of neither parent"),
    (r"No marker is fixed for different alleles", r"fixed for different alleles at [1-9]"),
    (r"take a fresh leaf|Take a fresh leaf", r"a second sample of this plant would not help"),
    (r"has no verdict", r"is a hybrid of|is a self:"),
    (r"Its own calls are \S+ times as likely under hybrid", r"as likely under the best other class"),
)
"""Pairs of statements of which one plant's evidence never has both."""

CROSS_NEVER = (
    (r"next step\s+hold", r"ollinate \d+ flower"),
    (r"next step\s+retest", r"ollinate \d+ flower|est (?:all|the|\d+).* stored seed"),
    (r"next step\s+type the parent", r"ollinate \d+ flower|est (?:all|the|\d+).* stored seed"),
    (r"next step\s+repeat", r"\bretest\b|sample again|on hold"),
    (r"next step\s+done", r"What to do\s+(?!Nothing)[A-Z].*ollinate"),
    (r"can be proven\s+no\b", r"\s{2}keep\s{2}"),
    (r"can be proven\s+parent not typed", r"next step\s+(?:repeat|test stored seed)"),
    (r"Nothing against it\.", r"tags swapped|To write the proposed row"),
)
"""Pairs of statements of which the explanation of one cross never has both."""

THING_NEVER = (
    (r"samples agree\s+no\b", r"Nothing against it\."),
    (r"samples agree\s+yes", r"(?:one|no) sample of it has calls|It has no calls|samples contradict"),
    (r"state\s+(?:set aside|no calls|held)", r"Nothing against it\."),
    (r"no sample has calls", r"What to do\s+Nothing"),
    (r"on hold", r"Nothing against it\."),
    (r"sample again|\bcull\b|\bretest\b", r"What to do\s+Nothing\."),
    (r"call rate\s+0\s%", r"heterozygous calls\s+[1-9]"),
    (r"To write the proposed row", r"Nothing against it\."),
)
"""Pairs of statements of which the explanation of one line, plate, sample or well never has both."""

BRIEF_NEVER = (
    (r"No cross has a target\.", r"reached the target"),
    (r"No cross needs more flowers\.", r"must be pollinated again"),
    (r"No hybrid yet\.", r"A hybrid took"),
    (r"nothing that keeps verdicts back", r"on hold until|Findings to answer first"),
)
"""Pairs of statements of which the page for whoever leads the team never has both."""

SEASON_NEVER = (
    (r"against (?:it|any of them|the samples)\.", r"FINDING-CARD|Wells, markers and lines to look at"),
    (r"The samples of every line agree", r"lines? ha(?:s|ve) samples that contradict|LINE-WITH-ONE-SAMPLE"),
    (r"No marker could be used", r"\b[1-9]\d* can be kept as (?:a )?proven"),
    (r"gave no proven hybrid so far", r"\b[1-9]\d* can be kept"),
    (r"too few plants or tags to compare", r"(?:lies|lie) (?:outside|inside) the limits"),
    (r"No plate positions are recorded", r"on the weakest"),
    (r"Nobody lies outside the limits", r"(?:person lies|people lie) outside the limits"),
    (r"Everyone lies inside the limits", r"Outside the limits: "),
    (r"The checks found nothing", r"FINDING-CARD"),
    (r"none holds a plant", r"Some plants are held"),
    (r"none has to be repeated", r"ollinate \d+ flowers?\b(?! too)"),
    (r"the samples of every line agree", r"lines? ha(?:s|ve) samples that contradict"),
    (r"No marker was set aside", r"Markers set aside and why"),
    (r"No progeny plant has been genotyped", r"can be kept as"),
    (r"No operator is recorded", r"made the crosses"),
    (r"No term is beyond chance", r"Beyond chance:"),
)
"""Pairs of statements of which one report never has both."""


def contradiction(text: str, never: tuple[tuple[str, str], ...]) -> tuple[str, str] | None:
    for one, other in never:
        if re.search(one, text) and re.search(other, text):
            return one, other
    return None


def test_no_two_statements_about_a_plant_contradict_each_other(seasons: list[Said]) -> None:
    for said in seasons:
        for row in said.inputs.verdicts.to_dict("records"):
            text = " ".join(sentences(row))
            assert contradiction(text, PLANT_NEVER) is None, (said.seed, text)
            sure = max((row[f"p_{c}"] for c in ("hybrid", "self", "outcross", "off_pedigree")), default=0)
            assert ("below the threshold" in text) <= (not sure >= 0.95), (said.seed, text)
            if row["verifiable"] == Provable.NO:
                assert row["decision"] != Decision.KEEP, (said.seed, text)


def test_no_two_statements_about_a_cross_contradict_each_other(seasons: list[Said]) -> None:
    for said in seasons:
        held = set(said.inputs.verdicts.loc[said.inputs.verdicts["decision"] == "hold", "cross_id"])
        for (kind, name), text in said.explained.items():
            if kind is ThingKind.CROSS:
                assert contradiction(text, CROSS_NEVER) is None, (said.seed, text)
                assert bool(re.search(r"next step\s+hold", text)) == (name in held), (said.seed, text)


def test_no_two_statements_of_a_report_contradict_each_other(seasons: list[Said]) -> None:
    for said in seasons:
        text = "\n".join(said.report)
        if any(isinstance(b, FindingCards) for _, b in said.blocks):
            text += "\nFINDING-CARD"
        if (said.inputs.lines["wells_with_calls"] < 2).any():
            text += "\nLINE-WITH-ONE-SAMPLE"
        assert contradiction(text, SEASON_NEVER) is None, (said.seed, contradiction(text, SEASON_NEVER))


def test_no_two_statements_about_a_thing_contradict_each_other(seasons: list[Said]) -> None:
    for said in seasons:
        kinds = (ThingKind.LINE, ThingKind.PLATE, ThingKind.SAMPLE)
        texts = [text for (kind, _), text in said.explained.items() if kind in kinds]
        for text in (*texts, *said.wells.values()):
            assert contradiction(text, THING_NEVER) is None, (
                said.seed,
                contradiction(text, THING_NEVER),
                text,
            )


def test_the_page_for_the_leader_says_what_the_tables_say(seasons: list[Said]) -> None:
    for said in seasons:
        text, crosses = said.brief, said.inputs.crosses
        assert contradiction(text, BRIEF_NEVER) is None, (said.seed, contradiction(text, BRIEF_NEVER))
        repeat = int((crosses["next_step"] == NextStep.REPEAT).sum())
        assert (f"{repeat} must be pollinated again" in text) == (
            repeat > 0 and "No cross has a target" not in text
        )
        for step, label in STEP_LABELS.items():
            n = int((crosses["next_step"] == step).sum())
            shown = re.search(rf"{label}\n+(\d+)", text)
            assert (int(shown.group(1)) if shown else 0) == n, (said.seed, step, text)
        operators = set(said.inputs.operators["operator"]) - {""}
        assert not operators & set(re.findall(r"\w+", text)), "no person is named on it"


STEP_LABELS = {
    NextStep.HOLD: "on hold until a finding is answered",
    NextStep.TYPE_PARENT: "a parent must be typed first",
    NextStep.RETEST: "plants need a second sample, or more markers",
    NextStep.TEST_SEED: "seed in store to test",
    NextStep.REPEAT: "pollinate again",
}


def test_a_cell_of_the_workbook_is_a_cell_of_its_table(seasons: list[Said]) -> None:
    for said in seasons:
        v = said.inputs.verdicts
        sheets = {s.name: s for s in build_sheets(said.inputs) if isinstance(s, Sheet)}
        piles = v["decision"].value_counts()
        for name, decision in (("Keep", Decision.KEEP), ("Cull", Decision.CULL), ("Hold", Decision.HOLD)):
            assert sheets[name].listed == piles.get(decision, 0), said.seed
        labels = [c.label for c in sheets["By cross"].columns]
        at = {label: labels.index(label) for label in ("Plant", "Cross", "Verdict")}
        rows = {
            (r[at["Plant"]], r[at["Cross"]], str(r[at["Verdict"]]).replace(" ", "_"))
            for r in sheets["By cross"].rows
        }
        assert rows == set(zip(v["plant"], v["cross_id"], v["verdict"], strict=True)), said.seed
        steps = sheets["Next steps"]
        labels = [c.label for c in steps.columns]
        for column, words in (("Flowers to pollinate", "flower"), ("Seeds to test", "stored seed")):
            total = sum(
                r[labels.index(column)]
                for r in steps.rows
                if r[labels.index(column)] == r[labels.index(column)]
            )
            found = re.search(rf"([\d,]+)\u00a0{words}", steps.note)
            assert (int(found.group(1).replace(",", "")) if found else 0) == total, (said.seed, steps.note)


def test_the_next_step_of_a_cross_is_the_same_everywhere(seasons: list[Said]) -> None:
    for said in seasons:
        frame = said.inputs.crosses
        want = {
            c: (s, d)
            for c, s, d in zip(frame["cross_id"], frame["next_step"], frame["next_step_detail"], strict=True)
        }
        open_ = {c: x for c, x in want.items() if x[0] != NextStep.DONE}
        tables = [b for _, b in said.blocks if isinstance(b, Table) and b.id == "steps"]
        rows = tables[0].rows if tables else ()
        labels = [c.label for c in tables[0].columns] if tables else []
        at = [labels.index(x) for x in ("cross", "next step", "what it needs")] if rows else []
        assert {r[at[0]]: (r[at[1]], r[at[2]]) for r in rows} == open_, said.seed
        sheet = next(s for s in build_sheets(said.inputs) if s.name == "Next steps")
        assert {r[0]: (r[3], r[4]) for r in sheet.rows} == open_, said.seed
        for cross, (step, detail) in want.items():
            text = said.explained[ThingKind.CROSS, cross]
            assert f"{step}: {detail}" in text, (said.seed, text)
        counts = frame["next_step"].value_counts()
        for step, n in counts.items():
            assert f"{step} {n}" in said.terminal, (said.seed, said.terminal)


GAP = re.compile(r"\bnan\b|NaN|<NA>|\{\w|\(\)| ,|,,|\.\.$|  ")


ONE_WITH_MANY = re.compile(r"\b1\u00a0\w+ (?:are|have|need|wait|carry|change)\b")


ONE_PLURAL = re.compile(
    r"(?<![\d.,/-])1[ \u00a0](?:proven|genotyped|other|stored|tested|parent) "
    r"(?:hybrids|lines|markers|seeds|crosses|wells)\b|\b1 of \w+ [\w ]{0,30}? (?:are|have)\b"
)
"""One of something with a word between."""
NOUGHT = re.compile(r"\b(?:Only|In all|gave) 0\b")
"""Nought is said as no or none."""


def test_singular_and_plural_agree(seasons: list[Said]) -> None:
    assert ONE_WITH_MANY.search("1\u00a0plant wait")
    for said in seasons:
        for text in said.everything:
            assert not ONE_OF_MANY.search(text), (said.seed, text)
            assert not MANY_OF_ONE.search(text), (said.seed, text)
            assert not ONE_WITH_MANY.search(text), (said.seed, text)
            assert not ONE_PLURAL.search(text.replace("\u00a0", " ")), (said.seed, text)
            assert not NOUGHT.search(text), (said.seed, text)


def test_no_sentence_has_a_gap_or_a_foreign_word(seasons: list[Said]) -> None:
    for said in seasons:
        for text in said.report:
            assert not re.search(
                r"\bnan\b|\bNone\b(?= (?:of|and|,|\.))|NaN|<NA>|\{\w|\(\)| ,|,,|\.\.$|  ", text
            ), (
                said.seed,
                text,
            )


def test_nothing_is_named_that_the_season_does_not_have(seasons: list[Said]) -> None:
    for said in seasons:
        i = said.inputs
        crosses = set(i.crosses["cross_id"])
        lines = set(i.lines["line"]) | set(i.crosses["mother"]) | set(i.crosses["father"])
        plates = set(i.plates["plate"]) | set(i.samples.get("plate", ()))
        samples = set(i.samples["sample_id"]) | set(i.verdicts["plant"])
        # samples of a genotype file that no sheet lists: the check of the records names them
        samples |= {name for cell in i.problems["value"] for name in re.split(r"[,;… ]+", cell)}
        patterns = (
            (r"(?<![\w-])C\d{3}(?![\w-])", crosses),
            (r"(?<![\w-])LN\d+(?![\w-])", lines | samples),
            (r"(?<![\w-])P\d{3}(?![\w-])", plates | samples),
            (r"(?<![\w-])C\d{3}-\d+(?![\w-])", samples),
        )
        for text in said.everything:
            for pattern, known in patterns:
                named = set(re.findall(pattern, text))
                assert named <= known, (said.seed, text, named - known)
