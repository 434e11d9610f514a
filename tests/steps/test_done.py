"""Scanned lists of what was done, compared with the decisions: every outcome, every mistake."""

from __future__ import annotations

import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

from crossproof.cli import main
from crossproof.errors import InputError, Severity, UsageError
from crossproof.field.codes import code_of_plant
from crossproof.field.returned import outcome_of
from crossproof.model.bench import BenchAction, Outcome
from crossproof.model.tag_numbers import TagNumber
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import CODES, ReportInputs
from crossproof.report.draw.xlsx import worklist_bytes
from crossproof.report.facts.plants import Pile
from crossproof.steps.done import compare_lists

T = [str(TagNumber("2025", i)) for i in range(1, 4)]
PLANTS = {
    f"{T[0]}-1": "keep", f"{T[0]}-2": "cull", f"{T[0]}-3": "keep", f"{T[1]}-1": "cull", f"{T[1]}-2": "retest",
    f"{T[1]}-3": "hold", "odd name": "keep",
}  # fmt: skip


def verdicts() -> pd.DataFrame:
    rows = [
        {"plant": p, "cross_id": p.split("-")[0] if p.startswith("0") else T[2], "mother": "Lark",
         "father": "Wren", "verdict": {"keep": "hybrid", "cull": "self"}.get(d, "undetermined"),
         "decision": d, "reason": "", "place": f"tray 1, pot {i}", "plate": "P1", "well": f"A{i}"}
        for i, (p, d) in enumerate(PLANTS.items(), start=1)
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    (folder / "results").mkdir(parents=True)
    (folder / "crosses.csv").write_text("cross_id,mother,father\n", encoding="utf-8")
    (folder / "config.yaml").write_text(
        "crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes: []\nseason: '2025'\n", encoding="utf-8"
    )
    verdicts().to_csv(folder / "results" / "verdicts.csv", index=False)
    crosses = pd.DataFrame(
        {"cross_id": T, "seeds_left": ["5", "0", "0"], "next_step": ["done", "repeat", ""]}
    )
    crosses.to_csv(folder / "results" / "crosses.csv", index=False)
    return folder


def code(plant: str) -> str:
    cross = plant.split("-")[0] if plant.startswith("0") else T[2]
    return code_of_plant("2025", cross, plant).text


def scanned(
    tmp_path: Path, *rows: tuple[str, ...], name: str = "list.csv", head="plant,action,place"
) -> Path:
    path = tmp_path / name
    path.write_text(
        "\n".join([head, *(",".join(f'"{c}"' for c in r) for r in rows)]) + "\n", encoding="utf-8"
    )
    return path


ALL_RIGHT = [
    (code(f"{T[0]}-1"), "keep", ""),
    (code(f"{T[0]}-2"), "cull", ""),
    (code(f"{T[0]}-3"), "kept", ""),
    (code(f"{T[1]}-1"), "Culled", ""),
    (code(f"{T[1]}-2"), "sample", ""),
    (code("odd name").lower(), "keep", ""),
]


def outcomes(season: Path) -> dict[str, str]:
    table = pd.read_csv(season / "results" / "done.csv", dtype=str, keep_default_na=False)
    return dict(zip(table["plant"], table["outcome"], strict=True))


def test_every_decision_with_every_action():
    # Written out by hand: rows are decisions, columns keep, cull, sample, gone, nothing.
    right, gone = Outcome.AS_DECIDED, Outcome.GONE
    lost, stands = Outcome.CULLED_NOT_TO_BE, Outcome.KEPT_NOT_CULLED
    expected = {
        Pile.KEEP: (right, lost, right, gone, Outcome.NOT_TOUCHED),
        Pile.CULL: (stands, right, stands, gone, Outcome.NOT_TOUCHED),
        Pile.SAMPLE_AGAIN: (Outcome.NOT_SAMPLED, lost, right, gone, Outcome.NOT_TOUCHED),
        Pile.HOLD: (right, lost, right, gone, right),
        Pile.WAIT: (right, lost, right, gone, right),
    }
    assert set(expected) == set(Pile)
    for pile, row in expected.items():
        assert tuple(outcome_of(pile, a) for a in (*BenchAction, None)) == row


def test_all_done_as_decided(season, tmp_path):
    done = CliRunner().invoke(main, ["done", str(season), str(scanned(tmp_path, *ALL_RIGHT))])
    assert done.exit_code == 0, done.output
    assert "7  as decided" in done.output
    assert set(outcomes(season).values()) == {"as decided"}


def test_what_went_wrong_comes_first_and_says_what_is_left(season, tmp_path):
    rows = [
        (code(f"{T[0]}-1"), "cull", ""),
        (code(f"{T[0]}-2"), "keep", ""),
        (code(f"{T[1]}-2"), "keep", ""),
        (code(f"{T[1]}-1"), "gone", ""),
        (code("odd name"), "cull", ""),
    ]
    done = CliRunner().invoke(main, ["done", str(season), str(scanned(tmp_path, *rows))])
    assert done.exit_code == 1
    said = " ".join(done.output.split())
    assert f"2 culled, and not to be culled: {T[0]}-1, odd name" in said
    assert f"1 kept, and to be culled: {T[0]}-2" in said
    assert f"1 touched by nobody: {T[0]}-3" in said
    assert "cannot be undone" in said
    table = pd.read_csv(season / "results" / "done.csv", dtype=str, keep_default_na=False)
    assert list(table["outcome"]) == [
        "was culled and was not to be", "was culled and was not to be", "was to be culled and was kept",
        "was to be sampled again and was not", "nobody touched it", "is gone", "as decided",
    ]  # fmt: skip
    now = dict(zip(table["plant"], table["what_now"], strict=True))
    assert now[f"{T[0]}-1"] == "a proven hybrid is lost; 5 seeds of the cross are in store"
    assert now["odd name"] == "a proven hybrid is lost, and the cross has no seed left: repeat it"
    assert now[f"{T[1]}-2"] == "take a leaf sample of it again"
    assert now[f"{T[1]}-3"] == ""


@pytest.mark.parametrize(
    ("row", "column", "problem", "remedy"),
    [
        ((f"{T[0]}-9", "cull"), "plant", "The results have no such plant", "Scan the label again"),
        ((code_of_plant("2025", T[0], f"{T[0]}-9").text, "cull"), "plant", "no plant", "sampled since"),
        (
            (code_of_plant("2024", "X1", "X1-1").text, "cull"),
            "plant",
            "of season 2024, not of 2025",
            "list of",
        ),
        ((f"2025.{T[0][:-1]}{'A' if T[0][-1] != 'A' else 'B'}.1", "cull"), "plant", "check letter", "Scan"),
        ((f"2025.{T[0]}", "cull"), "plant", "code of a tag", "Scan the label of the plant"),
        ((T[0], "cull"), "plant", "a tag, not a plant", "Scan the label of the plant"),
        (("zzz", "cull"), "plant", "The results have no such plant", "Scan the label again"),
        (("", "cull"), "plant", "No plant is named", "delete the row"),
        ((f"{T[0]}-1", ""), "action", "It does not say what was done", "keep, cull, sample, gone"),
        ((f"{T[0]}-1", "cul"), "action", "not something that can be done", "Did you mean 'cull'?"),
        ((f"{T[0]}-1", "burn"), "action", "not something that can be done", "keep, cull, sample, gone"),
    ],
)
def test_a_row_that_cannot_be_right_is_refused_with_its_place(season, tmp_path, row, column, problem, remedy):
    path = scanned(tmp_path, (f"{T[0]}-2", "cull", ""), (*row, ""))
    with pytest.raises(InputError) as refused:
        compare_lists(season, [path])
    (found,) = refused.value.problems
    assert (found.file, found.row, found.column) == ("list.csv", 3, column)
    assert problem in found.problem
    assert remedy in found.remedy
    assert not (season / "results" / "done.csv").exists()


def test_two_actions_for_one_plant_are_refused_wherever_they_stand(season, tmp_path):
    first = scanned(tmp_path, (code(f"{T[0]}-1"), "keep", ""), name="monday.csv")
    second = scanned(tmp_path, (f"{T[0]}-1", "cull", ""), name="tuesday.csv")
    with pytest.raises(InputError) as refused:
        compare_lists(season, [first, second])
    (found,) = refused.value.problems
    assert (found.file, found.row) == ("tuesday.csv", 2)
    assert "two actions; monday.csv, row 2 says keep" in found.problem


def test_a_plant_scanned_twice_alike_counts_once(season, tmp_path):
    made = compare_lists(season, [scanned(tmp_path, *ALL_RIGHT, ALL_RIGHT[0])])
    assert [(w.severity, w.row) for w in made.warnings] == [(Severity.WARNING, 8)]
    assert len(made.table) == len(PLANTS)


def test_exchanged_labels_are_noticed_by_the_places(season, tmp_path):
    rows = [
        (f"{T[0]}-1", "keep", "tray 1, pot 2"),
        (f"{T[0]}-2", "cull", "Tray 1,  pot 1"),
        (f"{T[0]}-3", "keep", "tray 1, pot 9"),
        (f"{T[1]}-1", "cull", "tray 1, pot 3"),
        (f"{T[1]}-2", "sample", "TRAY 1, pot 5"),
    ]
    made = compare_lists(season, [scanned(tmp_path, *rows)])
    assert [(w.row, w.column) for w in made.warnings] == [
        (2, "place"),
        (3, "place"),
        (4, "place"),
        (5, "place"),
    ]
    assert f"and {T[0]}-2 were each found at the other's place" in made.warnings[0].problem
    assert "before either is culled" in made.warnings[0].remedy
    assert "on record it stands at 'tray 1, pot 3'" in made.warnings[2].problem
    assert f"the place of {T[0]}-3" in made.warnings[3].problem


def test_other_headings_extra_columns_and_their_order(season, tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        f"Scanned;By;Action;Position\n{code(f'{T[0]}-1')};AB;keep;tray 1, pot 1\n", encoding="utf-8"
    )
    made = compare_lists(season, [path])
    assert made.warnings == ()
    assert made.table["outcome"].tolist().count("as decided") == 2


@pytest.mark.parametrize("text", ["plant,place\nx,y\n", "plant,action\n", "", "\x00\x01"])
def test_a_list_without_column_or_row_is_refused(season, tmp_path, text):
    path = tmp_path / "list.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError):
        compare_lists(season, [path])
    assert not (season / "results" / "done.csv").exists()


def test_a_season_without_results_is_told_to_run(season, tmp_path):
    (season / "results" / "verdicts.csv").unlink()
    with pytest.raises(UsageError, match="no results yet"):
        compare_lists(season, [scanned(tmp_path, *ALL_RIGHT)])


def test_the_scanning_sheet_of_the_worklist_is_a_list(season, tmp_path):
    frame = verdicts()
    frame[CODES] = [code(p) for p in frame["plant"]]
    book = openpyxl.load_workbook(io.BytesIO(worklist_bytes(build_content(ReportInputs(frame)))))
    sheet = book["Scan"]
    for r, (plant, action, _) in enumerate(ALL_RIGHT, start=4):
        sheet.cell(r, 1).value, sheet.cell(r, 5).value = plant, action.lower()
    path = tmp_path / "worklist.xlsx"
    book.save(path)
    assert set(compare_lists(season, [path]).table["outcome"]) == {"as decided"}


def test_names_twice_in_the_season_need_the_label(season, tmp_path):
    frame = verdicts()
    frame.loc[len(frame)] = {**frame.iloc[0].to_dict(), "cross_id": T[1]}
    frame.to_csv(season / "results" / "verdicts.csv", index=False)
    with pytest.raises(InputError, match="Several crosses have a plant of this name"):
        compare_lists(season, [scanned(tmp_path, (f"{T[0]}-1", "keep", ""))])
    made = compare_lists(season, [scanned(tmp_path, (code(f"{T[0]}-1"), "keep", ""))])
    kept = made.table[made.table["action"] == "keep"]
    assert list(kept["cross_id"]) == [T[0]]
