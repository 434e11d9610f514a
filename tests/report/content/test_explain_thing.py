"""What `explain` says of samples, crosses, lines, plates and wells of an invented season."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.console import Console

from crossproof.errors import UsageError
from crossproof.report.content.explain_thing import Thing, ThingKind, explain_thing, find_thing


@pytest.fixture
def named(season):
    """The season with the samples that its verdicts name."""
    verdicts = season.verdicts.assign(samples=season.verdicts["sample_id"] + ";extra")
    return type(season)(**{**vars(season), "verdicts": verdicts})


def said(inputs, thing: Thing) -> str:
    console = Console(width=200, color_system=None)
    with console.capture() as capture:
        console.print(explain_thing(inputs, thing, "nursery"))
    return capture.get()


@pytest.mark.parametrize(
    ("text", "kind", "name"),
    [
        ("C0001-01", ThingKind.PLANT, "C0001-01"),
        ("S000000", ThingKind.SAMPLE, "S000000"),
        ("extra", ThingKind.PLANT, "C0001-01"),
        ("C0001", ThingKind.CROSS, "C0001"),
        ("cross:C0001", ThingKind.CROSS, "C0001"),
        ("Hazel-01", ThingKind.LINE, "Hazel-01"),
        ("P02", ThingKind.PLATE, "P02"),
        ("P01:h12", ThingKind.WELL, "P01:H12"),
        ("P01 A01", ThingKind.WELL, "P01:A1"),
    ],
)
def test_names_are_found(named, text, kind, name):
    found = find_thing(named, text)
    assert (found.kind, found.name) == (kind, name)


def test_a_name_that_nothing_has_gets_the_nearest(season):
    with pytest.raises(UsageError, match="Did you mean C0001"):
        find_thing(season, "c0001")
    with pytest.raises(UsageError, match="Nothing in this season"):
        find_thing(season, "P01:Z99")


def test_two_things_of_one_name_are_told_apart(season):
    inputs = type(season)(**{**vars(season), "lines": season.lines.assign(line="C0001")})
    found = find_thing(inputs, "C0001")
    assert (found.kind, found.also) == (ThingKind.CROSS, (ThingKind.LINE,))
    assert "crossproof explain nursery line:C0001" in said(inputs, found)
    assert find_thing(inputs, "line:C0001").kind is ThingKind.LINE


def test_a_cross_shows_its_record_its_counts_its_next_step_and_its_plants(season):
    cross = season.crosses.iloc[0]
    text = said(season, Thing(ThingKind.CROSS, cross["cross_id"]))
    for expected in (cross["mother"], cross["father"], f"by {cross['operator']}", cross["next_step_detail"]):
        assert expected in text
    assert text.count(f"{cross['cross_id']}-") == (season.verdicts["cross_id"] == cross["cross_id"]).sum()


def test_a_plate_shows_what_was_found_and_the_command_that_answers_it(season):
    text = said(season, Thing(ThingKind.PLATE, "P02"))
    assert "turned by 180 degrees" in text
    assert "crossproof correct nursery rotated:P02" in text
    assert "Nothing against it." not in text
    assert "The blank in H12" not in text, "that is another plate's"


def test_a_line_shows_its_samples_and_crosses(season):
    line = season.lines["line"].iloc[3]
    text = said(season, Thing(ThingKind.LINE, line))
    made = season.crosses.loc[season.crosses["mother"] == line, "cross_id"]
    assert all(cross in text for cross in made)
    assert "samples agree" in text
    assert "L0003" in text


def test_a_well_shows_its_sample_and_what_was_found_there(season):
    blank = said(season, Thing(ThingKind.WELL, "P01:H12"))
    assert "role" in blank
    assert "blank" in blank
    assert "The blank in H12 has calls" in blank
    assert "no sample is listed in this well" in said(season, Thing(ThingKind.WELL, "P02:H9"))
    plant = season.verdicts.iloc[0]
    assert plant["plant"] in said(season, Thing(ThingKind.SAMPLE, plant["sample_id"]))


def test_a_line_whose_samples_contradict_each_other_has_something_against_it(season):
    line = season.lines["line"].iloc[0]
    for versions, typed, agree, found in (
        (2, 2, "samples agree no", "Its samples contradict each other. Odd: S1."),
        (1, 2, "samples agree yes", "Nothing against it."),
        (1, 1, "only one sample has calls", "Nothing against it."),
        (0, 0, "no sample has calls", "It has no calls."),
    ):
        lines = season.lines.assign(
            versions=versions, wells_with_calls=typed, odd_tubes="S1" if versions > 1 else "", findings=""
        )
        text = said(replace(season, lines=lines, findings=()), find_thing(season, f"line:{line}"))
        assert agree in " ".join(text.split())
        assert found in text


def test_a_plate_without_calls_has_something_against_it(season):
    plate = season.plates["plate"].iloc[0]
    aside = replace(season, plates=season.plates.assign(state="set aside"), findings=())
    text = said(aside, find_thing(season, f"plate:{plate}"))
    assert "It has no calls: its genotype file is missing or was set aside." in text
    assert "Nothing against it." not in text


def test_the_plants_of_a_well_are_what_there_is_to_do(season):
    row = season.verdicts[season.verdicts["decision"] == "cull"].iloc[0]
    text = said(replace(season, findings=()), find_thing(season, f"well:{row['plate']}:{row['well']}"))
    assert f"Cull {row['plant']}." in text.split("What to do")[1]
