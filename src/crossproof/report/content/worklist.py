"""The sheets of the workbook: the same decisions as the page, in the orders in which people work."""

from __future__ import annotations

from crossproof.model.results import Need
from crossproof.report.content import numbers as fmt
from crossproof.report.content.inputs import CODES, ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS
from crossproof.report.content.plant_lists import PlantLists
from crossproof.report.content.retest_plates import retest_sheets
from crossproof.report.content.sheets import SIGN, Grid, ScanSheet, Sheet, SheetColumn, natural
from crossproof.report.facts.crosses import crosses_facts
from crossproof.report.facts.plants import Pile, plant_facts

SCAN_SHEET = "Scan"
"""Sheet of the worklist that a scanner types into, and `crossproof done` reads."""
SCAN_HEADER_ROW = 3
"""Row of its headings, as a spreadsheet shows it."""


def scan_sheet(inputs: ReportInputs) -> ScanSheet:
    """Every plant by the code of its label and by its name."""
    frame = inputs.verdicts
    codes, plants, places = (texts(frame, c) for c in (CODES, "plant", "place"))
    words = ["" if p.pile is None else PILE_WORDS[p.pile][0] for p in plant_facts(frame).rows]
    rows = [
        (key, plants[i], words[i], places[i]) for keys in (codes, plants) for i, key in enumerate(keys) if key
    ]
    return ScanSheet(
        SCAN_SHEET,
        "Scan a label: its decision appears beside it",
        "Put the cursor into the first free cell of the first column and scan; the scanner types the code "
        "and goes on to the next row. Choose what you did in the last column, save, and give this workbook "
        "to crossproof done.",
        tuple(rows),
    )


def build_sheets(inputs: ReportInputs) -> tuple[Sheet | Grid | ScanSheet, ...]:
    """Every sheet, in the order of the workbook."""
    plants = PlantLists(inputs)
    retest, grid = retest_sheets(plants)
    return (
        plants.walk(),
        plants.sheet(
            "By cross", "Every plant by cross", "Crosses in the order of their names.", plants.by_cross()
        ),
        plants.sheet("Keep", "Plants to keep", "Proven hybrids.", plants.by_place(Pile.KEEP)),
        plants.sheet(
            "Cull",
            "Plants to cull",
            "A verdict is a probability: keep remnant seed of whatever cannot be made again.",
            plants.by_place(Pile.CULL),
        ),
        plants.sheet(
            "Hold",
            "Plants to hold",
            "Plate, file, tag or parent sample is in doubt: neither keep nor cull.",
            plants.by_place(Pile.HOLD),
        ),
        parents_to_type(inputs, plants),
        retest,
        grid,
        cross_sheet(inputs),
        scan_sheet(inputs),
    )


def parents_to_type(inputs: ReportInputs, plants: PlantLists) -> Sheet:
    """Lines that plants wait for: a tube of each settles what a second sample of the plants cannot."""
    tubes = numbers(inputs.lines, "wells_with_calls")
    typed = {line for line, n in zip(texts(inputs.lines, "line"), tubes, strict=True) if n > 0}
    crosses: dict[str, set[str]] = {}
    waiting: dict[str, int] = {}
    for i in plants.by_cross():
        fact = plants.facts[i]
        if fact.need is not Need.PARENT:
            continue
        mother, father = plants.text["mother"][i], plants.text["father"][i]
        untyped = tuple(x for x in dict.fromkeys((mother, father)) if x and x not in typed)
        for line in fact.parents_to_type or untyped:
            crosses.setdefault(line, set()).add(fact.cross)
            waiting[line] = waiting.get(line, 0) + 1
    order = sorted(waiting, key=lambda line: (-waiting[line], line))
    rows = tuple(
        (
            line,
            "typed, but its progeny disagree with it" if line in typed else "no calls yet",
            len(crosses[line]),
            waiting[line],
            ", ".join(sorted(crosses[line], key=natural)),
            "",
        )
        for line in order
    )
    return Sheet(
        "Parents to type",
        "Parent lines that plants wait for",
        "Put one plant of each line, preferably two, on the next plate, ideally the plant that was crossed. "
        "The "
        "waiting plants themselves need no second sample.",
        (
            SheetColumn("Line", 18),
            SheetColumn("So far", 32),
            SheetColumn("Crosses", 9, "0"),
            SheetColumn("Plants waiting", 14, "0"),
            SheetColumn("Tags", 50),
            SIGN,
        ),
        rows,
    )


def cross_sheet(inputs: ReportInputs) -> Sheet:
    """Every cross with something left to do, in the order of the steps."""
    facts = crosses_facts(inputs.crosses)
    rows = tuple(
        (
            c.cross,
            c.mother,
            c.father,
            str(c.step),
            c.detail,
            c.tested,
            c.hybrids,
            c.held,
            c.target,
            c.seeds,
            c.flowers,
            "",
        )
        for c in facts.left
    )
    columns = (
        SheetColumn("Cross", 14),
        SheetColumn("Mother", 18),
        SheetColumn("Father", 18),
        SheetColumn("Next step", 16),
        SheetColumn("What it needs", 58),
        SheetColumn("Tested", 8, "0"),
        SheetColumn("Hybrids", 8, "0"),
        SheetColumn("On hold", 8, "0"),
        SheetColumn("Wanted", 8, "0"),
        SheetColumn("Seeds to test", 12, "0"),
        SheetColumn("Flowers to pollinate", 18, "0"),
        SIGN,
    )
    asked = [
        f"{fmt.noun(number, noun)} to {verb}"
        for number, noun, verb in (
            (facts.flowers, "flower", "pollinate"),
            (facts.seeds, "stored seed", "test"),
        )
        if number
    ]
    note = f"In all {' and '.join(asked)}." if asked else ""
    return Sheet("Next steps", "Crosses with something left to do", note, columns, rows)
