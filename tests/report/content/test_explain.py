"""The evidence of one plant: words, markers, terminal."""

import io
import re

import numpy as np
import pandas as pd
import pytest
from report_parts import HOSTILE
from rich.console import Console

from crossproof.errors import UsageError
from crossproof.model.plant_calls import PlantCalls
from crossproof.model.results import Reason
from crossproof.report.content.explain import (
    explain_plant,
    explain_text,
    marker_rows,
    reading,
    sentences,
    template_keys,
    template_keys_of,
)
from crossproof.report.content.inputs import ReportInputs
from crossproof.text import shown

ROW = {
    "plant": "N3-1", "mother": "Hazel", "father": "Otter", "verdict": "self", "decision": "cull",
    "reason": "",
    "p_hybrid": 0.001, "p_self": 0.98, "p_outcross": 0.015, "p_off_pedigree": 0.004, "lod": -6.4,
    "contrast_markers": 20, "contrast_scored": 18, "contrast_het": 1, "het_share": 1 / 18, "het_low": 0.0099,
    "het_high": 0.2576, "foreign_calls": 0, "call_rate": 0.9, "likely_source": "", "flags": "", "settle": "",
}  # fmt: skip


def store() -> PlantCalls:
    """Five markers, worked by hand: contrast, contrast, shared, mother unknown, three alleles."""
    return PlantCalls(
        np.array(["m1", "m2", "m3", "m4", "m5"], dtype=object),
        np.array(["1", "1", "2", "2", "2"], dtype=object),
        np.array([5, 9, 3, 4, 8]),
        (("A", "G"), ("C", "T"), ("A", "T"), ("C", "G"), ("150", "152", "160")),
        ("N3-1",),
        np.array([[1], [0], [1], [2], [4]], dtype=np.int8),
        ("Hazel", "Otter"),
        np.array([[0, 2], [0, 2], [0, 0], [-1, 0], [0, 2]], dtype=np.int8),
    )


def test_words_of_a_self():
    assert sentences(ROW) == [
        "N3-1 is a self: Hazel was pollinated by its own pollen (probability 0.980).",
        "The parents are fixed for different alleles at 20\u00a0markers. Scored in this plant: 18; "
        "heterozygous: 1, a share of 6\u00a0% (95\u00a0% interval 1.0\u00a0% to 26\u00a0%). A hybrid is "
        "heterozygous at nearly all of them, a self at nearly none.",
        "At the markers used, no call carries an allele found in neither parent.",
        "Its own calls are 10⁶ times as likely under the best other class as under hybrid. The probability "
        "also uses the other plants of the cross and how often each class occurs.",
        "Call rate 90\u00a0% at the markers used.",
        "Decision: cull. A verdict is a probability: keep remnant seed of whatever cannot be made again.",
    ]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"contrast_markers": 0}, "contrast_none"),
        ({"contrast_scored": 0}, "contrast_unscored"),
        ({"foreign_calls": 1}, "foreign_one"),
        ({"foreign_calls": 7}, "foreign"),
        ({"likely_source": "pollen of Comet", "verdict": "outcross"}, "source"),
        ({"verdict": "undetermined", "leading_class": "hybrid", "decision": "retest"}, "sample_again"),
        ({"verdict": "undetermined", "decision": "retest", "reason": "no parent data"}, "wait"),
        ({"verdict": "undetermined", "leading_class": ""}, "undetermined_bare"),
        ({"verdict": "hybrid", "decision": "hold", "reason": "plate held"}, "hold"),
        ({"lod": 3.0}, "lod_for"),
    ],
)
def test_each_state_of_a_plant_has_its_sentence(change, key):
    assert key in template_keys({**ROW, **change})
    assert key not in template_keys(ROW)


@pytest.mark.parametrize("reason", [str(r) for r in Reason])
def test_a_threshold_is_spoken_of_only_where_no_class_reaches_it(reason):
    """A plant with a low call rate may have a class beyond doubt, which is not "below the threshold"."""
    row = {**ROW, "verdict": "undetermined", "leading_class": "outcross", "reason": reason}
    said = sentences(row)[0]
    below = reason in ("two classes close", "wells disagree", "parents unresolved")
    assert ("below the threshold" in said) == below
    assert ("cannot be relied on" in said) == (reason in ("low call rate", "mixed DNA"))


def test_a_plant_without_numbers_says_only_what_is_known():
    assert sentences({"plant": "X", "verdict": "undetermined"}) == ["X has no verdict."]


@pytest.mark.parametrize(
    ("mother", "father", "plant", "said"),
    [
        (0, 2, 1, "one allele of each parent"), (0, 2, 0, "mother's allele only"),
        (0, 2, 2, "father's allele only"), (0, 0, 0, "as both parents"),
        (0, 0, 1, "allele of neither parent"),
        (0, 2, -1, "not scored"), (-1, 2, 1, "a parent is not known"),
        (1, 2, 1, "a parent is not fixed here"),
        (0, 2, 5, "allele of neither parent"), (0, 5, 3, "one allele of each parent"),
    ],
)  # fmt: skip
def test_reading_of_one_call(mother, father, plant, said):
    """Genotypes in VCF order of three alleles: 0/0, 0/1, 1/1, 0/2, 1/2, 2/2."""
    assert reading(mother, father, plant, 3) == said


def test_markers_of_one_plant_by_hand():
    rows = marker_rows(store(), "N3-1", "Hazel", "Otter")
    assert [(r.mother, r.father, r.plant, r.kind, r.reading) for r in rows] == [
        ("A/A", "G/G", "A/G", "contrast", "one allele of each parent"),
        ("C/C", "T/T", "C/C", "contrast", "mother's allele only"),
        ("A/A", "A/A", "A/T", "shared", "allele of neither parent"),
        ("-", "C/C", "G/G", "open", "a parent is not known"),
        ("150/150", "152/152", "152/160", "contrast", "allele of neither parent"),
    ]


def test_contrast_mask_is_the_same_for_the_reciprocal_cross():
    calls = store()
    assert calls.contrast("Hazel", "Otter").tolist() == [True, True, False, False, True]
    assert np.array_equal(calls.contrast("Hazel", "Otter"), calls.contrast("Otter", "Hazel"))
    assert not calls.contrast("Hazel", "nobody").any()


def test_terminal_lists_contrast_and_foreign_markers_only():
    inputs = ReportInputs(pd.DataFrame([ROW]), calls=store())
    text = explain_text(inputs, "N3-1")
    assert "[S] self   cull" in text
    for marker in ("m1", "m2", "m3", "m5"):
        assert marker in text
    assert "m4" not in text
    assert "1\u00a0other marker not listed" in text


def test_sample_name_finds_the_plant_too(season):
    sample = season.verdicts["sample_id"].iloc[4]
    assert str(season.verdicts["plant"].iloc[4]) in explain_text(season, sample)


def test_unknown_plant_names_the_nearest(season):
    with pytest.raises(UsageError, match="Did you mean C0001-0"):
        explain_plant(season, "C0001-O1")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_reach_the_terminal_as_text(name):
    row = {**ROW, "plant": name, "mother": name, "father": name, "cross_id": name}
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=400, color_system="standard")
    console.print(explain_plant(ReportInputs(pd.DataFrame([row]), calls=store()), name))
    text = out.getvalue()
    assert "\x07" not in text
    assert "\x00" not in text
    assert "\x1b[31m" not in text, "a name must not colour the terminal"
    plain = re.sub(r"\x1b\[[\d;]*m", "", text)
    assert plain.startswith(shown(name)), "brackets are part of the name, not markup"


def test_a_table_is_answered_row_by_row(season):
    frame = season.verdicts
    odd = frame.head(3).assign(
        lod=["inf", "", "-0.0"], foreign_calls=["0", "1", "-1"], call_rate=["0", "", "1"]
    )
    for rows in (frame, odd, frame.drop(columns=["lod", "flags"]), frame.head(0)):
        assert template_keys_of(rows) == [template_keys(row) for row in rows.to_dict("records")]
