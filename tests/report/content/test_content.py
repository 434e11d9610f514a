"""What the report says, before anything is drawn."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_season import PEOPLE
from report_parts import flat

from crossproof.model.findings import Finding, FindingKind, Scope, VerdictChange
from crossproof.model.results import PARENT_REASONS, Verdict
from crossproof.report.content.blocks import (
    Chart,
    Drawing,
    FindingCards,
    Live,
    Notice,
    Prose,
    Table,
    Tone,
    table_of,
)
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.sections.method import drift_sentence
from crossproof.report.sections.plates import would_change

ORDER = ["do", "plates", "crosses", "crossing", "people", "panel", "plant", "method", "inputs"]


def section(content, name):
    return next(s for s in content.sections if s.id == name)


def test_sections_stand_in_the_order_a_reader_needs(content):
    assert [s.id for s in content.sections] == ORDER


def test_every_chart_has_a_sentence_and_a_table_behind_it(content):
    charts = [b for b in flat(content) if isinstance(b, Chart | Drawing)]
    assert len(charts) >= 8
    for chart in charts:
        assert chart.sentence.endswith("."), chart.id
        assert chart.table is not None, chart.id
        assert chart.table.rows, chart.id


def test_ids_are_unique(content):
    ids = [b.id for b in flat(content) if isinstance(b, Chart | Drawing | Table)]
    ids += [b.table.id for b in flat(content) if isinstance(b, Chart | Drawing) and b.table]
    assert len(ids) == len(set(ids))


def test_cards_count_what_the_verdict_table_says(season, content):
    cards = section(content, "do").blocks[0].cards
    counts = season.verdicts["decision"].value_counts().to_dict()
    parents = season.verdicts["reason"].isin([str(r) for r in PARENT_REASONS])
    counts["wait"] = int(((season.verdicts["decision"] == "retest") & parents).sum())
    counts["sample again"] = counts["retest"] - counts["wait"]
    for card in cards:
        if card.pick:
            assert card.number == str(counts.get(card.pick, 0)), card.key
    assert {c.key for c in cards} - {"wait"} == {"keep", "cull", "sample_again", "hold", "repeat"}


def test_tally_covers_every_plant(season, content):
    assert sum(n for _, n in content.tally) == len(season.verdicts)


def test_cautions_stand_where_they_are_needed(content):
    first_of_people = section(content, "people").blocks[0]
    assert isinstance(first_of_people, Notice), "the caution comes before any number about a person"
    assert "never a judgement" in first_of_people.text
    lead = section(content, "people").lead
    assert not any(name in lead for name in PEOPLE), "nobody is named before the caution"
    method = " ".join(b.text for b in section(content, "method").blocks if isinstance(b, Notice))
    for word in ("remnant seed", "quarantine", "biosafety", "certification"):
        assert word in method
    assert any("remnant seed" in b.text for b in section(content, "do").blocks if isinstance(b, Notice))


def test_serious_findings_come_first_and_show_their_wells(content):
    findings = next(b for b in section(content, "plates").blocks if isinstance(b, FindingCards)).rows
    assert [f.tone for f in findings] == [Tone.STOP, Tone.CARE]
    assert findings[1].place == "sample B0, plate P01"
    assert findings[1].svg.count('class="ring"') == 1, "H12 alone is ringed"
    assert "10⁴¹ to 1" in findings[0].odds


def test_proposed_corrections_are_shown_as_the_line_to_add(content):
    serious = next(b for b in section(content, "plates").blocks if isinstance(b, FindingCards)).rows[0]
    assert serious.proposed == ('rotate plate,P02,,,"turned, as its notch shows"',)


def test_a_proposal_says_what_it_would_change_and_what_writes_it(season, content):
    serious = next(b for b in section(content, "plates").blocks if isinstance(b, FindingCards)).rows[0]
    plant = season.verdicts["plant"].iloc[-1]
    assert serious.would_change == f"1\u00a0verdict changes: {plant} from self to hybrid."
    assert serious.command == "crossproof correct DIR rotated:P02"


@pytest.mark.parametrize(("changed", "said"), [(None, ""), (0, "no verdict changes."), (9, "; and 1 more.")])
def test_what_a_proposal_would_change(changed, said):
    made = None
    if changed is not None:
        made = tuple(VerdictChange(f"p{i}", Verdict.SELF, Verdict.OFF_PEDIGREE) for i in range(changed))
    words = would_change(replace(EXCHANGED, changes=made))
    assert words.endswith(said)
    assert bool(words) == bool(said)
    if changed == 9:
        assert words.startswith("9\u00a0verdicts change: p0 from self to off pedigree; p1 ")


EXCHANGED = Finding(FindingKind.EXCHANGED, Scope.PLATE, "P1", "P1", "seen", "look")


def test_small_remarks_go_to_a_table_however_many(season):
    many = [
        Finding(FindingKind.LOW_CALL_SAMPLE, Scope.SAMPLE, "P01", f"S{i}", "few", "look") for i in range(300)
    ]
    content = build_content(replace(season, findings=(*season.findings, *many)))
    blocks = section(content, "plates").blocks
    assert len(next(b for b in blocks if isinstance(b, FindingCards)).rows) == 2
    remarks = next(b for b in blocks if isinstance(b, Table) and b.id == "remarks")
    assert len(remarks.rows) == 200
    assert remarks.more == "The first 200 of 300 rows. All are in problems.csv."


def test_rates_sentence_says_when_a_difference_may_be_chance(content):
    sentences = [b.sentence for b in flat(content) if isinstance(b, Chart) and b.id.startswith("by-")]
    assert sentences
    assert all(("may be chance" in s) != ("do not touch" in s) for s in sentences)


def test_an_empty_season_still_has_a_report():
    content = build_content(ReportInputs(pd.DataFrame()))
    assert [s.id for s in content.sections] == ORDER
    assert section(content, "do").lead == "No progeny plant has been genotyped yet."
    assert not [b for b in flat(content) if isinstance(b, Chart)]


def test_a_season_without_crosses_people_or_plates(season):
    content = build_content(ReportInputs(season.verdicts.drop(columns=["operator", "plate", "well", "date"])))
    assert section(content, "people").lead == "Tags carry no operator, so nothing is said about anyone."
    assert not any(isinstance(b, Live) and b.view == "plates" for b in section(content, "plates").blocks)


def test_settings_in_force_are_shown(content):
    table = next(b for b in section(content, "method").blocks if isinstance(b, Table))
    assert ("min_posterior", "0.95", "probability that a verdict must reach") in table.rows


def test_the_input_digest_is_part_of_the_words(season, content):
    assert content.digest == season.run["run_digest"]
    assert content.digest[:16] in section(content, "inputs").lead


def test_changed_verdicts_are_told_before_the_list(season, content):
    notices = [b for b in section(content, "do").blocks if isinstance(b, Notice)]
    plant, now = season.changes["plant"].iloc[0], season.changes["verdict_now"].iloc[0]
    assert any(f"{plant} was undetermined and is now {now}" in n.text for n in notices)


@pytest.mark.parametrize(
    ("drift", "said"),
    [
        (None, ""),
        ({"first": True}, "later runs use the same"),
        ({"first": False, "verdicts_that_would_change": []}, "would change 0\u00a0verdicts. The option"),
        (
            {"first": False, "verdicts_that_would_change": [["N_1", "hybrid", "off_pedigree"]]},
            "would change 1\u00a0verdict (N_1 from hybrid to off pedigree).",
        ),
    ],
)
def test_drift_of_the_run_wide_estimates_is_said(drift, said):
    assert said in drift_sentence(drift)
    assert bool(said) == bool(drift_sentence(drift))


def test_progress_is_told(season):
    said = []
    build_content(season, said.append)
    assert len(said) >= len(ORDER)


def test_a_table_drops_columns_that_say_nothing_and_says_when_it_is_cut():
    table = table_of(
        "t",
        "c",
        [("a", "name"), ("b", "text"), ("c", "text")],
        [("1", "", "x"), ("2", "", ""), ("3", "", "z")],
        most=2,
    )
    assert [c.label for c in table.columns] == ["a", "c"]
    assert table.rows == (("1", "x"), ("2", ""))
    assert table.more == "The first 2 of 3 rows."


@pytest.mark.parametrize("column", ["hybrid_rate", "true_success", "tested"])
def test_unknown_numbers_do_not_stop_the_report(season, column):
    crosses = season.crosses.assign(**{column: np.nan})
    content = build_content(ReportInputs(season.verdicts, crosses=crosses))
    assert section(content, "crosses").lead.startswith("20\u00a0crosses")


def test_the_markers_that_carry_the_verdicts_are_those_not_set_aside(season, content):
    aside = int((season.markers["used"] == "no").sum())
    lead = section(content, "panel").lead
    assert f"{len(season.markers) - aside}\u00a0markers." in lead
    assert f"{aside}\u00a0markers were set aside" in lead


def test_lines_are_said_to_contradict_themselves_only_where_their_samples_do(season):
    lines = season.lines.assign(findings="made with another line")
    lead = section(build_content(replace(season, lines=lines)), "panel").lead
    assert "1\u00a0line has samples that contradict each other." in lead
    said = {
        2: "The samples of every line agree.",
        1: "No line has two samples with calls",
    }
    for typed, words in said.items():
        lines = season.lines.assign(versions=1, wells_with_calls=typed)
        assert words in section(build_content(replace(season, lines=lines)), "panel").lead
    some = season.lines.assign(versions=1, wells_with_calls=[2, *[1] * (len(lines) - 1)])
    lead = section(build_content(replace(season, lines=some)), "panel").lead
    assert "1\u00a0line has several samples with calls, and they agree" in lead


def test_nobody_outside_the_limits_is_not_said_to_mean_that_nobody_differs(season):
    inside = season.operators.assign(funnel="within", judgement="")
    text = section(build_content(replace(season, operators=inside)), "people").blocks[1].text
    assert text.startswith(
        "Nobody lies outside the limits of chance. That does not show that people are alike"
    )


@pytest.mark.parametrize("plants", [0, 1, 2])
def test_one_and_many_agree_with_their_verbs(season, plants):
    verdicts = season.verdicts.head(max(plants, 1)).assign(decision="retest" if plants else "keep")
    lead = section(build_content(ReportInputs(verdicts)), "do").lead
    assert ("it needs a second sample" in lead) == (plants == 1)
    assert ("2 need a second sample" in lead) == (plants == 2)


def test_selfing_by_seed_and_by_flower_stand_side_by_side(season: ReportInputs) -> None:
    rates = season.rates_by.copy()
    of = rates["factor"] == "season"
    for name, value in (("selfed_seed_share", 0.31), ("selfed_flower_share", 0.22)):
        for end, shift in (("", 0.0), ("_low", -0.05), ("_high", 0.05)):
            rates.loc[of, f"{name}{end}"] = value + shift
    rates.loc[of, "pods_with_several_typed"] = 3
    said = " ".join(
        b.text for b in flat(build_content(replace(season, rates_by=rates))) if isinstance(b, Prose)
    )
    assert "31\u00a0% of the seed harvested is selfed" in said
    assert "22\u00a0% of the flowers that set a pod were selfed" in said
    assert "type all seeds of every tenth pod" in said
