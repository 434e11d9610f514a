"""Plates whose sheets read the same for all that calls can tell, so that an exchange would not show.

A well counts as what its genotype can tell: the line of a parent tube, the two parents of a plant, nothing
for a blank and for a well that the sheet does not list. Lines that no marker tells apart count as one.
Plates that a few wells tell apart are named with these wells.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables
from crossproof.model.arrays import Ints
from crossproof.model.findings import Finding, FindingKind, Scope
from crossproof.model.plate_likeness import NearlyAlike, alike, nearly_alike
from crossproof.model.plates import Well

ENOUGH_WELLS = 4
"""Fewer wells than this may not show an exchange, as in `layout_findings.blind_spots`."""

_NAMED = 12
_PAIRS = 20

_REMEDY = (
    "Check the labels of these plates by hand. When you plan plates, put a blank or a parent tube in another "
    "well of each."
)


def same_sheets(
    plates: Sequence[Plate], season: SeasonTables, one_line: Iterable[tuple[str, str]] = ()
) -> list[Finding]:
    """Plates that could be exchanged unseen: a remark for each group that reads the same, and for each pair
    that fewer than ENOUGH_WELLS wells tell apart.

    one_line: pairs of lines that the markers do not tell apart.
    """
    told = _told_by_calls(season, one_line)
    same_format: dict[tuple[int, int], list[Plate]] = {}
    for plate in plates:
        if plate.placed and (plate.identity >= season.n_lines).any():
            same_format.setdefault((plate.format.rows, plate.format.columns), []).append(plate)
    out = []
    for members in same_format.values():
        grids = np.full((len(members), members[0].format.wells), EMPTY, dtype=np.int64)
        for grid, plate in zip(grids, members, strict=True):
            grid[plate.position] = np.where(plate.identity >= 0, told[np.maximum(plate.identity, 0)], EMPTY)
        groups = alike(grids)
        out += [_group([members[i] for i in group], season, told) for group in groups if len(group) > 1]
        pairs = nearly_alike(grids, (group[0] for group in groups), ENOUGH_WELLS)
        copies = {group[0]: len(group) - 1 for group in groups}
        out += [_pair(pair, members, copies) for pair in pairs[:_PAIRS]]
        if len(pairs) > _PAIRS:
            out.append(_more(members[pairs[_PAIRS].first], len(pairs) - _PAIRS))
    return out


def _told_by_calls(season: SeasonTables, one_line: Iterable[tuple[str, str]]) -> Ints:
    """Per identity (lines, then crosses) the first that calls cannot tell it from, (identity,)."""
    line = list(range(season.n_lines))
    place = {name: i for i, name in enumerate(season.lines)}
    for pair in one_line:
        low, high = sorted(line[place[name]] for name in pair)
        line = [low if known == high else known for known in line]
    out = np.array([*line, *season.same_parents()[season.n_lines :]], dtype=np.int64)
    first: dict[tuple[int, int], int] = {}
    for c, parents in enumerate(zip(season.mother.tolist(), season.father.tolist(), strict=True)):
        mother, father = (line[p] if p >= 0 else p for p in parents)
        out[season.n_lines + c] = first.setdefault((mother, father), season.n_lines + c)
    return out


def _group(group: list[Plate], season: SeasonTables, told: Ints) -> Finding:
    names = [plate.name for plate in group]
    crosses = np.unique(np.concatenate([p.identity[p.identity >= season.n_lines] for p in group]))
    what = "the same crosses"
    if len(np.unique(told[crosses])) < len(crosses):
        what = "crosses whose parents the calls cannot tell apart"
    evidence = (
        f"The sheets of plates {_some(names)} have {what} in the same wells: if two of them were exchanged, "
        "the calls could not show it."
    )
    return _remark(group[0], names[1], evidence)


def _pair(pair: NearlyAlike, plates: Sequence[Plate], copies: dict[int, int]) -> Finding:
    first, second = plates[pair.first], plates[pair.second]
    wells = [Well(*divmod(position, first.format.columns)).name for position in pair.positions]
    alone = f"{wells[0]} alone differs" if len(wells) == 1 else f"{', '.join(wells)} alone differ"
    others = copies[pair.first] + copies[pair.second]
    more = f" {others} more plates read like one of the two." if others > 1 else ""
    more = " One more plate reads like one of the two." if others == 1 else more
    evidence = (
        f"The sheets of plates {first.name} and {second.name} tell the calls nearly the same: {alone}. If "
        f"the two were exchanged, only {'that well' if len(wells) == 1 else 'those wells'} could show it."
    )
    return _remark(first, second.name, evidence + more)


def _more(plate: Plate, pairs: int) -> Finding:
    what = "One more pair of plates is" if pairs == 1 else f"{pairs} more pairs of plates are"
    return _remark(plate, "", f"{what} told apart by fewer than {ENOUGH_WELLS} wells.")


def _remark(plate: Plate, other: str, evidence: str) -> Finding:
    kind = FindingKind.CANNOT_SEE
    return Finding(kind, Scope.PLATE, plate.name, plate.name, evidence, _REMEDY, other=other, note=True)


def _some(names: list[str]) -> str:
    return ", ".join(names[:_NAMED]) + (f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")
