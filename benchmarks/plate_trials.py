"""Trials of the plate checks: one fault each, put into a plate of `plate_simulator`, and looked for.

`plate_faults.py` counts them.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from plate_simulator import (
    Nursery,
    Sheet,
    make_parent_plate,
    make_plate,
    make_sheet,
    move,
    season_tables,
)

from crossproof.inference.plates.checks import CheckSettings, Finding, FindingKind, Plate, examine_plates
from crossproof.model.corrections import CorrectionKind
from crossproof.model.layouts import strip_layouts, whole_plate_layouts

QUIET = {FindingKind.LOW_CALL_SAMPLE, FindingKind.EMPTY_SAMPLES, FindingKind.LOW_CALL_MARKER}
"""Reported in samples.csv and markers.csv; a failed well is no alarm about the plate."""


@dataclass(frozen=True)
class Trial:
    """One simulated season with a fault: its findings, whether the fault was found, named, and could be."""

    found: bool
    eligible: bool
    others: int
    narrow: bool = False
    """Swapped plants only: whether both are hybrids or selfs of their tags."""


def parent_plates(nursery: Nursery) -> list[Plate]:
    """In half of the seasons every line also has two tubes on a plate of parents; else one on its own
    plate."""
    return [make_parent_plate(nursery, 2)] if nursery.rng.random() < 0.5 else []


def examine(nursery: Nursery, plates: list[Plate]) -> tuple[Finding, ...]:
    return tuple(
        f
        for f in examine_plates(plates, season_tables(nursery), CheckSettings(remarks=False))
        if f.kind not in QUIET
    )


def new_sheet(nursery: Nursery) -> Sheet:
    return make_sheet(nursery, filled=float(nursery.rng.choice([1.0, 1.0, 0.9, 0.7])))


def names_it(f: Finding, correction: CorrectionKind, detail: str, words: str) -> bool:
    """Whether a finding names this layout, alone or among those the calls cannot tell apart."""
    named = any(c.kind is correction and c.detail == detail for c in f.corrections)
    return named or words in f.same_as


def layout_trial(layout_index: int, strips: bool) -> Callable[[Nursery], Trial]:
    def run(nursery: Nursery) -> Trial:
        sheet = new_sheet(nursery)
        layouts = strip_layouts(sheet.format) if strips else whole_plate_layouts(sheet.format)
        layout = layouts[int(nursery.rng.integers(len(layouts))) if layout_index < 0 else layout_index]
        moved = move(sheet, layout.source)
        at = np.full(sheet.format.wells, -1)
        at[sheet.position] = np.arange(len(sheet.position))
        source = layout.source[sheet.position]
        well = np.where(source >= 0, at[source], -1)
        after = np.where(well >= 0, sheet.identity[well], -1)
        differ = int(((after != sheet.identity) & (well >= 0 if strips else True)).sum())
        plate = make_plate(nursery, moved)
        found = examine(nursery, [plate, *parent_plates(nursery)])
        hit = any(names_it(f, layout.correction, layout.detail, layout.words) for f in found)
        explained = [f for f in found if names_it(f, layout.correction, layout.detail, layout.words)]
        return Trial(hit, differ >= 6, len(found) - len(explained))

    return run


def parents_of(nursery: Nursery, identity: int) -> set[int]:
    n = len(nursery.lines)
    if identity < 0:
        return set()
    if identity < n:
        return {identity}
    return {int(nursery.mother[identity - n]), int(nursery.father[identity - n])}


def swap_trial(tubes: bool) -> Callable[[Nursery], Trial]:
    def run(nursery: Nursery) -> Trial:
        """Two wells of crosses without a common parent that called and whose plants truly differ.

        Eligible if each plant descends from a parent of its tag, and from none of the other's: a plant of a
        third line, or an outcross with the other cross's parent, does not tell the two tags apart.
        """
        rng = nursery.rng
        nursery.rates = replace(nursery.rates, swapped_seed=0.0)
        sheet = new_sheet(nursery)
        n = len(nursery.lines)
        pool = np.arange(len(sheet.identity)) if tubes else np.flatnonzero(sheet.identity >= n)
        for _ in range(500):
            a, b = (int(x) for x in rng.choice(pool, 2, replace=False))
            if tubes and not (0 <= sheet.identity[a] < n and sheet.identity[b] >= n):
                continue
            shared = parents_of(nursery, int(sheet.identity[a])) & parents_of(nursery, int(sheet.identity[b]))
            if not shared:
                break
        source = np.arange(sheet.format.wells)
        pa, pb = sheet.position[a], sheet.position[b]
        source[pa], source[pb] = pb, pa
        plate = make_plate(nursery, move(sheet, source))
        found = examine(nursery, [plate, make_parent_plate(nursery, 2)])
        pair = {plate.samples[a], plate.samples[b]}
        hits = [f for f in found if f.kind is FindingKind.WELLS_SWAPPED and set(f.samples) == pair]
        called = bool((plate.n_called[[a, b]] >= 0.5 * plate.n_markers).all())
        differ = float((sheet.genotype[a] != sheet.genotype[b]).mean()) > 0.1
        others = [f for f in found if f not in hits and not pair.issuperset(f.samples)]
        of_tag = [parents_of(nursery, int(sheet.identity[w])) for w in (a, b)]
        made_of = [set(sheet.lines[w]) or of_tag[i] for i, w in enumerate((a, b))]
        tells = all(made_of[i] & of_tag[i] and not made_of[i] & of_tag[1 - i] for i in (0, 1))
        right = bool(sheet.true_to_tag[[a, b]].all())
        eligible = called and differ and tells and not shared
        return Trial(bool(hits), eligible, len(others), eligible and right)

    return run


def tags_trial(mutual: bool, apart: bool) -> Callable[[Nursery], Trial]:
    def run(nursery: Nursery) -> Trial:
        """The seed of two crosses changes bags; eligible if both have 3 called plants and no common
        parent."""
        rng = nursery.rng
        crosses = list(range(len(nursery.mother)))
        half = len(crosses) // 2
        a = int(rng.integers(half))
        b = int(rng.integers(half, len(crosses)))
        for _ in range(200):
            n = len(nursery.lines)
            if not parents_of(nursery, n + a) & parents_of(nursery, n + b):
                break
            a, b = int(rng.integers(half)), int(rng.integers(half, len(crosses)))
        truth = {a: b, b: a} if mutual else {a: b}
        swapped = replace(nursery)
        swapped.mother_plant, swapped.father_plant = nursery.mother_plant.copy(), nursery.father_plant.copy()
        for tag, real in truth.items():
            swapped.mother_plant[tag] = nursery.mother_plant[real]
            swapped.father_plant[tag] = nursery.father_plant[real]
        groups = [crosses[:half], crosses[half:]] if apart else [crosses]
        plates = [
            make_plate(nursery, make_sheet(swapped, crosses=g, prefix=f"P{i}"), f"P{i + 1}")
            for i, g in enumerate(groups)
        ]
        found = examine(nursery, [*plates, make_parent_plate(nursery, 2)])
        kind = FindingKind.TAGS_SWAPPED if mutual else FindingKind.TAG_WRONG
        names = {f"C{a + 1}", f"C{b + 1}"}
        hits = [f for f in found if f.kind is kind and {f.subject, f.other} == names]
        n_lines = len(nursery.lines)
        plants = {
            c: sum(
                int(((p.identity == n_lines + c) & (p.n_called >= 0.5 * p.n_markers)).sum()) for p in plates
            )
            for c in truth
        }
        shared = parents_of(nursery, n_lines + a) & parents_of(nursery, n_lines + b)
        return Trial(bool(hits), min(plants.values()) >= 3 and not shared, len(found) - len(hits))

    return run


def exchange_trial(nursery: Nursery) -> Trial:
    """Two plates of different crosses delivered under each other's name."""
    crosses = list(range(len(nursery.mother)))
    half = len(crosses) // 2
    sheets = [make_sheet(nursery, crosses=crosses[:half]), make_sheet(nursery, crosses=crosses[half:])]
    by_place = []
    for sheet in sheets:
        lies = np.full((sheet.format.wells, sheet.genotype.shape[1]), -1)
        lies[sheet.position] = sheet.genotype
        by_place.append(lies)
    swapped = [replace(s, genotype=by_place[1 - i][s.position]) for i, s in enumerate(sheets)]
    plates = [make_plate(nursery, s, f"P{i + 1}") for i, s in enumerate(swapped)]
    found = examine(nursery, [*plates, *parent_plates(nursery)])
    hits = [f for f in found if f.kind is FindingKind.EXCHANGED and {f.plate, f.other} == {"P1", "P2"}]
    return Trial(bool(hits), True, len(found) - len(hits))


def line_trial(nursery: Nursery) -> Trial:
    """One line's tubes hold another line; eligible if two crosses of it or more have 3 called plants."""
    rng = nursery.rng
    n = len(nursery.lines)
    uses = np.bincount(np.concatenate([nursery.mother, nursery.father]), minlength=n)
    line = int(np.argmax(uses))
    other = int(rng.choice(np.flatnonzero(np.arange(n) != line)))
    sheet = new_sheet(nursery)
    typed = replace(nursery, lines=nursery.lines.copy())
    typed.lines[line] = nursery.lines[other]
    for w in np.flatnonzero(sheet.identity == line):
        sheet.genotype[w] = typed.lines[line]
    found = examine(nursery, [make_plate(nursery, sheet), make_parent_plate(typed, 2)])
    hits = [
        f
        for f in found
        if f.kind is FindingKind.SAME_LINE and {f.subject, f.other} == {f"L{line + 1}", f"L{other + 1}"}
    ]
    return Trial(bool(hits), True, 0)


def wrong_line_trial(nursery: Nursery) -> Trial:
    """The plants used for crossing as one line were another line, in all its crosses."""
    rng = nursery.rng
    n = len(nursery.lines)
    uses = np.bincount(np.concatenate([nursery.mother, nursery.father]), minlength=n)
    line = int(np.argmax(uses))
    partners = {int(line)}
    for m, p in zip(nursery.mother, nursery.father, strict=True):
        if line in (m, p):
            partners |= {int(m), int(p)}
    free = [x for x in range(n) if x not in partners]
    other = int(rng.choice(free)) if free else (line + 1) % n
    made = replace(
        nursery, mother_plant=nursery.mother_plant.copy(), father_plant=nursery.father_plant.copy()
    )
    made.mother_plant[nursery.mother == line] = nursery.lines[other]
    made.father_plant[nursery.father == line] = nursery.lines[other]
    sheet = make_sheet(made)
    plate = make_plate(nursery, sheet)
    found = examine(nursery, [plate, make_parent_plate(nursery, 2)])
    hits = [
        f
        for f in found
        if f.kind is FindingKind.LINE_WRONG and (f.subject, f.other) == (f"L{line + 1}", f"L{other + 1}")
    ]
    used = np.flatnonzero((nursery.mother == line) | (nursery.father == line))
    called = [
        int(((plate.identity == n + c) & (plate.n_called >= 0.5 * plate.n_markers)).sum()) for c in used
    ]
    return Trial(bool(hits), len(used) >= 2 and min(called) >= 3 and bool(free), len(found) - len(hits))


def blank_trial(nursery: Nursery) -> Trial:
    """A blank holds the DNA of a neighbour, calling at 20 to 90 % of the markers."""
    sheet = new_sheet(nursery)
    w = int(nursery.rng.choice(np.flatnonzero(sheet.identity < 0)))
    full = replace(
        nursery, rates=replace(nursery.rates, failed_wells=0.0, missing=float(nursery.rng.uniform(0.1, 0.8)))
    )
    donor = int(nursery.rng.choice(np.flatnonzero(sheet.identity >= 0)))
    plate = make_plate(nursery, sheet)
    faint = make_plate(
        full,
        replace(
            sheet,
            genotype=np.where(
                np.arange(len(sheet.genotype))[:, None] == w, sheet.genotype[donor], sheet.genotype
            ),
        ),
    )
    codes = plate.blocks[0].codes.copy()
    codes[:, w] = faint.blocks[0].codes[:, w]
    likelihood = plate.blocks[0].likelihood.copy()
    likelihood[:, w] = faint.blocks[0].likelihood[:, w]
    plate = replace(plate, blocks=(replace(plate.blocks[0], codes=codes, likelihood=likelihood),))
    found = examine(nursery, [plate, *parent_plates(nursery)])
    hits = [f for f in found if f.kind is FindingKind.BLANK_CALLS and f.subject == plate.samples[w]]
    return Trial(bool(hits), True, len(found) - len(hits))


def mixture_trial(nursery: Nursery) -> Trial:
    """A well holds its plant and that of the well beside it, half and half, of another cross (calls only)."""
    rng = nursery.rng
    sheet = new_sheet(nursery)
    n = len(nursery.lines)
    at = np.full(sheet.format.wells, -1)
    at[sheet.position] = np.arange(len(sheet.position))
    w = v = 0
    for _ in range(500):
        w = int(rng.choice(np.flatnonzero(sheet.identity >= n)))
        p = int(sheet.position[w])
        v = int(at[p + 1]) if (p + 1) % sheet.format.columns else int(at[p - 1])
        if v >= 0 and sheet.identity[v] >= n and sheet.identity[v] != sheet.identity[w]:
            break
    mixed = np.where(sheet.genotype[w] == sheet.genotype[v], sheet.genotype[w], 1)
    changed = float((mixed != sheet.genotype[w]).mean())
    genotype = sheet.genotype.copy()
    genotype[w] = mixed
    plate = make_plate(nursery, replace(sheet, genotype=genotype))
    found = examine(nursery, [plate, *parent_plates(nursery)])
    hits = [f for f in found if f.kind is FindingKind.MIXED_DNA and f.subject == plate.samples[w]]
    called = plate.n_called[w] >= 0.5 * plate.n_markers
    return Trial(bool(hits), bool(called and changed > 0.2), len(found) - len(hits))


FAULTS: dict[str, tuple[str, float, Callable[[Nursery], Trial]]] = {
    "rotated by 180 degrees": ("whole", 0.99, layout_trial(0, False)),
    "mirrored left to right": ("whole", 0.99, layout_trial(1, False)),
    "mirrored top to bottom": ("whole", 0.99, layout_trial(2, False)),
    "shifted by a column, right": ("whole", 0.99, layout_trial(3, False)),
    "shifted by a column, left": ("whole", 0.99, layout_trial(4, False)),
    "shifted by a row, down": ("whole", 0.99, layout_trial(5, False)),
    "shifted by a row, up": ("whole", 0.99, layout_trial(6, False)),
    "shifted by a well in reading order, or filled in another order": (
        "whole",
        0.99,
        layout_trial(-2, False),
    ),
    "two plates exchanged": ("whole", 0.99, exchange_trial),
    "row or column reversed, or two swapped": ("part", 0.95, layout_trial(-1, True)),
    "two wells swapped (plants)": ("part", 0.95, swap_trial(False)),
    "two wells swapped (parent tube and plant)": ("part", 0.95, swap_trial(True)),
    "tags swapped, both crosses on one plate": ("part", 0.95, tags_trial(True, False)),
    "tags swapped, crosses on two plates": ("part", 0.95, tags_trial(True, True)),
    "one cross under another's tag": ("part", 0.95, tags_trial(False, False)),
    "plants used as one line were another, all season": ("part", float("nan"), wrong_line_trial),
    "a line's tubes hold another line": ("part", float("nan"), line_trial),
    "blank carries calls (10 to 80 % missing)": ("part", float("nan"), blank_trial),
    "well mixed half and half with its neighbour (calls)": ("part", float("nan"), mixture_trial),
}


def serial_trial(nursery: Nursery) -> Trial:
    return layout_trial(int(nursery.rng.integers(7, 13)), False)(nursery)


FAULTS["shifted by a well in reading order, or filled in another order"] = ("whole", 0.99, serial_trial)


def faultless_findings(nursery: Nursery) -> tuple[Finding, ...]:
    """What is found on a plate without a fault, but with selfs, outcrosses, failed wells, bad assays and a
    stray seed."""
    return examine(nursery, [make_plate(nursery, new_sheet(nursery)), *parent_plates(nursery)])


def faultless(nursery: Nursery) -> Trial:
    """The same as a trial: found if nothing is."""
    found = faultless_findings(nursery)
    return Trial(not found, True, len(found))
