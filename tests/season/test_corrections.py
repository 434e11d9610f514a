"""Corrections applied to invented records: what moves, what stays, what is refused."""

from __future__ import annotations

import pandas as pd
import pytest

from crossproof.model.corrections import CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Scope
from crossproof.season.correction_rows import read_kind
from crossproof.season.corrections import apply_corrections, undismissed


@pytest.fixture
def samples() -> pd.DataFrame:
    rows = [
        ("s1", "P1", "A1", "parent", "Ada", "", "s1"),
        ("s2", "P1", "A2", "progeny", "", "C1", "s2"),
        ("s3", "P1", "H11", "progeny", "", "C2", "tray 7"),
        ("s4", "P1", "H12", "blank", "", "", "s4"),
        ("t1", "P2", "A1", "progeny", "", "C2", "t1"),
        ("t2", "P2", "A2", "parent", "Bea", "", "t2"),
    ]
    frame = pd.DataFrame(rows, columns=["sample_id", "plate", "well", "role", "line", "cross_id", "plant"])
    frame["batch"], frame["bench"] = "B1", [f"bench {i}" for i in range(6)]
    frame["_file"], frame["_row"] = "samples.csv", range(2, 8)
    return frame


@pytest.fixture
def crosses() -> pd.DataFrame:
    return pd.DataFrame({"cross_id": ["C1", "C2"], "mother": ["Ada", "Bea"], "father": ["Bea", "Cleo"]})


def rows(*items: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        [(*i, *[""] * (5 - len(i))) for i in items], columns=["kind", "target", "other", "detail", "note"]
    )


def test_rotation_moves_contents_and_leaves_data_in_place(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("rotate plate", "P1")))
    after = done.samples.set_index("sample_id")
    # Hand: A1 holds what the sheet lists at H12, A2 what it lists at H11.
    assert after.loc["s1", "role"] == "blank"
    assert after.loc["s2", ["cross_id", "plant", "bench"]].tolist() == ["C2", "tray 7", "bench 2"]
    assert after.loc["s3", "plant"] == "s2"
    assert after.loc["s4", "line"] == "Ada"
    assert after["well"].tolist() == samples["well"].tolist()
    assert after.loc["t1", "cross_id"] == "C2"
    assert done.applied[0].effect == "plate P1 read as rotated by 180 degrees: 4 wells re-labelled"
    assert samples.loc[0, "role"] == "parent"  # the user's own records stay as they are


def test_rotating_twice_is_a_repeated_row(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("rotate plate", "P1"), ("Rotate-Plate", "P1")))
    assert len(done.applied) == 1
    assert "repeats row 2" in done.problems[0].problem


def test_shift_says_what_fell_off(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("shift plate", "P1", "", "right")))
    after = done.samples.set_index("sample_id")
    assert after.loc["s2", "line"] == "Ada"
    assert after.loc["s4", "cross_id"] == "C2"
    assert "s1" not in after.index
    assert "s3" not in after.index
    assert done.applied[0].effect.endswith("without a well now: what the sheet lists as s2, s4")
    # The plant stays known, under a sample whose calls are of nobody knows what, and in no well.
    kept = done.without_data[["cross_id", "plant", "bench", "sample_id", "plate", "well"]]
    assert kept.to_numpy().tolist() == [["C1", "s2", "bench 1", "s1", "", ""]]
    assert done.left_out == {"s1", "s3"}


def test_plates_exchange_where_both_list_a_well(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("exchange plates", "P1", "P2")))
    after = done.samples.set_index("sample_id")
    assert after.loc["s1", "cross_id"] == "C2"
    assert after.loc["t2", "cross_id"] == "C1"
    assert after.loc["t2", "plant"] == "s2"
    assert sorted(after.index) == ["s1", "s2", "t1", "t2"]


def test_wells_tags_crosses_lines_and_samples(samples, crosses):
    answers = rows(
        ("swap wells", "P1:A2", "P2:A02"),
        ("swap tags", "C1", "C2"),
        ("reverse cross", "C1"),
        ("line is", "Cleo", "Ada", "crosses"),
        ("sample is", "s1", "Bea"),
        ("ignore sample", "s4"),
    )
    done = apply_corrections(samples, crosses, answers)
    after = done.samples.set_index("sample_id")
    assert done.problems == ()
    assert after.loc["s2", "line"] == "Bea"
    assert after.loc["t2", "cross_id"] == "C2"
    assert after.loc["t1", "cross_id"] == "C1"
    assert done.crosses.values.tolist() == [["C1", "Bea", "Ada"], ["C2", "Bea", "Ada"]]
    assert after.loc["s1", "line"] == "Bea"
    assert "s4" not in after.index
    assert [a.row for a in done.applied] == [2, 3, 4, 5, 6, 7]


def test_one_parent_of_one_cross_is_another_line(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("mother is", "C1", "Cleo"), ("father is", "C2", "Ada")))
    assert done.crosses.values.tolist() == [["C1", "Cleo", "Bea"], ["C2", "Bea", "Ada"]]
    assert [a.effect for a in done.applied] == [
        "mother of C1 taken as Cleo, not Ada",
        "father of C2 taken as Ada, not Cleo",
    ]
    refused = apply_corrections(samples, crosses, rows(("father is", "C2", "Adda")))
    assert "Did you mean 'Ada'?" in refused.problems[0].sentence()


@pytest.mark.parametrize(
    ("row", "column", "text"),
    [
        (("rotate plate", "P10"), "target", "no plate is called 'P10'. Did you mean 'P1'?"),
        (
            ("rotat plate", "P1"),
            "kind",
            "'rotat plate' is not a kind of correction. Did you mean 'rotate plate'?",
        ),
        (
            ("mirror plate", "P1", "", "sideways"),
            "detail",
            "'sideways' is none of 'left-right', 'top-bottom'.",
        ),
        (("swap wells", "P1-A1", "P1:A2"), "target", "this is not a plate and well. Write it as PLATE:WELL"),
        (("swap wells", "P1:B1", "P1:A2"), "target", "plate P1 lists no sample in well B1."),
        (("swap tags", "C1", "C1"), "other", "a tag cannot be swapped with itself."),
        (("line is", "Ada", "Bea", ""), "detail", "Write one of tubes, crosses, both."),
        (("sample is", "s2", "Ada"), "target", "this sample is not a parent sample."),
    ],
)
def test_refused_rows_say_where_and_what(samples, crosses, row, column, text):
    done = apply_corrections(samples, crosses, rows(row))
    assert done.applied == ()
    assert done.problems[0].column == column
    assert done.problems[0].row == 2
    assert text in f"{done.problems[0].problem} {done.problems[0].remedy}"


def test_without_corrections_records_are_copies(samples, crosses):
    done = apply_corrections(samples, crosses, None)
    assert done.samples.equals(samples)
    assert done.samples is not samples


def test_dismissed_findings_go(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("dismiss", "P1", "", "rotated")))
    found = tuple(
        Finding(kind, Scope.PLATE, plate, plate, "", "")
        for kind, plate in [
            (FindingKind.ROTATED, "P1"),
            (FindingKind.MIRRORED, "P1"),
            (FindingKind.ROTATED, "P2"),
        ]
    )
    assert undismissed(found, done.dismissed) == found[1:]


def test_every_kind_can_be_read_back():
    assert all(read_kind(k.value.upper().replace(" ", "_")) is k for k in CorrectionKind)


def test_leaving_out_what_is_left_out_already_is_no_error(samples, crosses):
    """`exclude well` and `ignore sample` of one sample, as two findings may propose them."""
    done = apply_corrections(
        samples, crosses, rows(("exclude well", "P1:A02"), ("ignore sample", "s2"), ("exclude well", "P1:A2"))
    )
    assert done.problems == ()
    assert "s2" not in set(done.samples["sample_id"])
    assert [a.effect for a in done.applied] == [
        "data of s2 not used",
        "data of s2 not used, as a row above says already",
        "data of P1:A2 not used, as a row above says already",
    ]


def test_a_plant_whose_data_are_left_out_stays_known_unless_another_sample_is_of_it(samples, crosses):
    again = samples.iloc[[1]].assign(sample_id="s2b", well="A3")
    samples = pd.concat([samples, again], ignore_index=True)
    one = apply_corrections(samples, crosses, rows(("exclude well", "P1:A2"), ("exclude well", "P1:H11")))
    assert one.without_data[["cross_id", "plant", "_before"]].to_numpy().tolist() == [["C2", "tray 7", 1]]
    both = apply_corrections(samples, crosses, rows(("exclude well", "P1:A2"), ("ignore sample", "s2b")))
    assert both.without_data[["plant", "_before"]].to_numpy().tolist() == [["s2", 1], ["s2", 5]]
    tube = apply_corrections(samples, crosses, rows(("ignore sample", "s1")))
    assert not len(tube.without_data)


def test_tags_of_plants_without_data_change_as_all_others(samples, crosses):
    done = apply_corrections(samples, crosses, rows(("exclude well", "P1:A2"), ("swap tags", "C1", "C2")))
    assert done.without_data["cross_id"].tolist() == ["C2"]
    assert done.samples.set_index("sample_id")["cross_id"].tolist() == ["", "C1", "", "C1", ""]


def test_pods_change_tags(samples, crosses):
    samples["pod"] = ["", "1", "1", "", "2", ""]
    done = apply_corrections(samples, crosses, rows(("swap pods", "C1:1", "C2:2")))
    after = done.samples.set_index("sample_id")
    assert after.loc[["s2", "s3", "t1"], "cross_id"].tolist() == ["C2", "C2", "C1"]
    assert after.loc[["s2", "s3", "t1"], "pod"].tolist() == ["2", "1", "1"]
    assert done.applied[0].effect == "pods C1:1 and C2:2 swapped: 1 sample and 1 sample re-labelled"
    refused = apply_corrections(
        samples, crosses, rows(("swap pods", "C1:7", "C2:2"), ("swap pods", "C1", "C2:2"))
    )
    assert [p.problem for p in refused.problems] == [
        "cross C1 has no plants of a pod '7'.",
        "this is not a cross and a pod.",
    ]


def test_a_part_of_a_plate_moves(samples, crosses):
    """Halves exchanged: A1 holds what the sheet lists at A7, which is nothing; nothing stays of A1."""
    done = apply_corrections(
        samples, crosses, rows(("part of plate", "P1", "", "column 2 shifted up by a well"))
    )
    assert "s2" not in set(done.samples["sample_id"])
    wrong = apply_corrections(samples, crosses, rows(("part of plate", "P1", "", "third half rotated")))
    assert "names no part of this plate" in wrong.problems[0].problem


def test_a_sheet_sorted_as_text_is_read_by_number(samples, crosses):
    """P1 lists T10 in A2 and T2 in H11; the plants stand by their numbers, along columns."""
    samples.loc[1, "plant"], samples.loc[2, "plant"] = "T10", "T2"
    detail = "filled in the order of plant names by number along columns, from A2 on"
    samples = pd.concat(
        [
            samples,
            samples.iloc[[1, 2]].assign(sample_id=["x1", "x2"], well=["H9", "H10"], plant=["T30", "T4"]),
        ],
        ignore_index=True,
    )
    done = apply_corrections(samples, crosses, rows(("part of plate", "P1", "", detail)))
    after = done.samples.set_index("sample_id")
    assert after.loc[["s2", "x1", "x2", "s3"], "plant"].tolist() == ["T2", "T4", "T10", "T30"]
