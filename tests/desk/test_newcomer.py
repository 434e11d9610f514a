"""A whole season by somebody who has never seen a terminal, in a real browser, by mouse and by keyboard.

The season is invented (tests/io/laboratory): 140 plants of two plates, of which the second comes as an ugly
file, and two tags whose parents were exchanged. That exchange is the truth the finding is held against.
"""

from __future__ import annotations

import pandas as pd
import pytest
from served import SWAPPED, post, swapped_season

pytestmark = pytest.mark.browser


def send_sheet(person, field, path):
    """Choose a file for a sheet, look at it, use it."""
    person.part("Sheets")
    person.page.locator(field).evaluate("e => { const d = e.closest('details'); if (d) d.open = true; }")
    person.page.locator(field).set_input_files(path)
    person.page.locator(field).locator("xpath=ancestor::form").locator("button").click()
    assert person.says("Nothing is written yet.")
    person.press("Use it")


def answer_swap(person):
    """Say of the swapped tags that it is so."""
    person.page.get_by_role("link", name=f"Answer: tags swapped, cross {SWAPPED[0]}").first.click()
    said = person.text()
    assert "This is what the answer changes:" in said
    assert all(name in said for name in SWAPPED)
    person.press("It is so: write it")


def test_a_whole_season_by_mouse(people, tmp_path):
    mail = post(tmp_path / "mail")
    root = tmp_path / "nurseries"
    root.mkdir()
    person = people(people.serve(root))
    page = person.page
    assert person.says("There is no season in")
    page.get_by_label("Name of the season").fill("beans 2027")
    person.press("Make the season")
    assert person.says("The season is made.")

    card = "article:has(h3:has-text('{}')) input[type=file]"
    send_sheet(person, card.format("crosses.csv"), mail["crosses"])
    send_sheet(person, card.format("markers.csv"), mail["markers"])
    send_sheet(person, "#wells-file", mail["wells 1"])
    send_sheet(person, "#wells-file", mail["wells 2"])

    person.part("Laboratory files")
    page.locator("#file").set_input_files(mail["plate 1"])
    person.press("Look at what they hold")
    assert person.says("This is what was understood. Nothing is written yet.")
    person.press("Yes, take it in")
    person.part("Laboratory files")
    page.locator("#file").set_input_files(mail["plate 2"])
    person.press("Look at what they hold")
    assert person.says("zweifelhaft"), "what the laboratory means by its word is asked"
    page.get_by_label("A code that means: no call").fill("zweifelhaft")
    person.press("Look again")
    assert person.says("This is what was understood. Nothing is written yet.")
    person.press("Yes, take it in")
    assert person.says("The file was taken in.")
    assert person.says("No problem was found"), person.text()

    page.get_by_role("button", name="Run the season").click()
    person.wait_run()
    before = pd.read_csv(root / "beans 2027" / "results" / "verdicts.csv", dtype=str).set_index("plant")
    mine = before["cross_id"].isin(SWAPPED)
    assert set(before.loc[mine, "decision"]) == {"hold"}
    person.part("Findings")
    answer_swap(person)
    assert person.says("The answer is written.")
    person.part("Overview")
    assert person.says("1 file changed since the last run: corrections.csv")
    person.press("Run the season again")
    person.wait_run()
    person.part("Results")
    after = pd.read_csv(root / "beans 2027" / "results" / "verdicts.csv", dtype=str).set_index("plant")
    assert not after.loc[mine, "decision"].eq("hold").any(), "nobody waits once it is answered"
    changed = int((before["verdict"] != after["verdict"].reindex(before.index)).sum())
    assert changed > 0
    assert page.locator("table tbody tr").count() >= changed
    with page.expect_popup() as opened:
        page.get_by_role("link", name="Labels of kept plants").click()
    labels = opened.value
    labels.wait_for_load_state()
    text = labels.locator("body").inner_text()
    kept = after.index[after["decision"] == "keep"]
    assert len(kept) > 20
    assert [name for name in kept if name not in text] == []
    assert labels.pdf(format="A4").startswith(b"%PDF")
    assert [u for u in person.asked if not u.startswith((person.desk.address, "data:", "blob:"))] == []
    assert person.said == []


@pytest.mark.slow
def test_from_a_finding_to_the_labels_by_keyboard_alone(people, tmp_path):
    root = tmp_path
    season = swapped_season(root / "beans")
    person = people(people.serve(root))
    person.enter("beans")
    person.enter("Run the season")
    person.wait_run()
    person.enter("Findings")
    person.enter(f"Answer: tags swapped, cross {SWAPPED[0]}")
    person.enter("It is so: write it")
    person.enter("Take back")
    assert person.says("The answer is taken back.")
    person.enter(f"Answer: tags swapped, cross {SWAPPED[0]}")
    person.tab_to("Reason")
    person.page.keyboard.type("tags read again on the bench")
    with person.page.expect_navigation():
        person.page.keyboard.press("Enter")
    assert "tags read again on the bench" in (season / "corrections.csv").read_text(encoding="utf-8")
    person.enter("Field and print")
    person.enter("Make the labels")
    assert person.says("Labels of kept plants: done")
    assert (season / "field").is_dir()
    person.page.reload()
    person.page.keyboard.press("Tab")
    person.page.keyboard.press("Enter")
    assert person.page.evaluate("document.activeElement.id") == "content"
