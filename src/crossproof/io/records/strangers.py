"""Genotype files that have nothing to do with the rest of the season: no sample, or no marker, in common."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from crossproof.errors import Problem, error, warning
from crossproof.io.sheets.names import number_wise_skeleton
from crossproof.text import first_of

_SHOWN = 4
_PLACED = re.compile(r"^(.+):(\d+):([^:]+)$")


def sample_strangers(
    samples: pd.DataFrame, samples_by_batch: Mapping[str, Sequence[str]], files: Mapping[str, str]
) -> dict[str, Problem]:
    """Files of which no sample is in a sheet of wells, though wells wait for one: batch -> what is wrong.

    `samples_by_batch`: names that each file holds; `files`: its path, as config.yaml has it.
    """
    held = {s for names in samples_by_batch.values() for s in names}
    wells: dict[str, dict[str, None]] = {}
    for sample, batch in zip(samples["sample_id"].tolist(), samples["batch"].tolist(), strict=True):
        if sample:
            wells.setdefault(batch, {})[sample] = None
    anywhere = [s for s in wells.get("", ()) if s not in held]
    found = {}
    for batch, names in samples_by_batch.items():
        own, free = wells.get(batch, {}), wells.get("", {})
        waiting = list(own) or anywhere
        if not names or not waiting or any(n in own or n in free for n in names):
            continue
        found[batch] = error(
            files.get(batch, batch),
            f"None of the {len(names)} samples of batch {batch} is in a sheet of wells: the file names "
            f"{first_of(names, _SHOWN)}; the sheets {first_of(waiting, _SHOWN)}.",
            "If it is the right file, say what the laboratory's names stand for: a list under names: in its "
            "entry, or crossproof receive with --names.",
        )
    return found


def marker_strangers(
    markers_by_batch: Mapping[str, Sequence[str]],
    files: Mapping[str, str],
    *,
    declared: Collection[str],
    own_parents: Collection[str],
) -> dict[str, list[Problem]]:
    """What keeps markers of a file from being those of the others: batch -> problems.

    Markers written a little otherwise than in another file are errors, each with the name proposed; both
    names in the marker sheet (`declared`) say that they are two. A file that shares no marker at all, or
    only with a few that share none with the rest, is an error unless parents were typed in one of them
    (`own_parents`), so that its plants can be compared there.
    Unnamed markers are given as chrom:pos:alleles.
    """
    found: dict[str, list[Problem]] = {}
    seen: dict[str, str] = {}
    for batch, names in markers_by_batch.items():
        near = _near(names, seen, declared)
        if near:
            found[batch] = [
                _written_otherwise(files.get(batch, batch), n, t, seen[t]) for n, t in near.items()
            ]
        for name in names:
            seen.setdefault(name, batch)
    if found:
        return found  # what is shared cannot be said before the names are settled
    groups = _sharing(markers_by_batch)
    largest = max(groups, key=len, default=[])
    for group in groups:
        if len(groups) == 1 or (group is largest and len(group) > 1):
            continue
        mine = {n for batch in group for n in markers_by_batch[batch]}
        others = {n for names in markers_by_batch.values() for n in names} - mine
        parents = any(batch in own_parents for batch in group)
        for batch in group:
            mates = [files.get(b, b) for b in group if b != batch]
            names = markers_by_batch[batch]
            found[batch] = [_shares_nothing(files.get(batch, batch), names, others, parents, mates)]
    return found


def _sharing(markers_by_batch: Mapping[str, Sequence[str]]) -> list[list[str]]:
    """Files in groups: in each, every file is joined to every other by markers that two of them share."""
    group: dict[str, list[str]] = {}
    holder: dict[str, str] = {}
    rank = {batch: i for i, batch in enumerate(markers_by_batch)}
    for batch, names in markers_by_batch.items():
        if not names:
            continue
        group[batch] = [batch]
        for known in {holder.setdefault(name, batch) for name in names}:
            if group[known] is not group[batch]:
                joined = sorted([*group[known], *group[batch]], key=rank.__getitem__)
                for member in joined:
                    group[member] = joined
    return list({id(g): g for g in group.values()}.values())


def _written_otherwise(file: str, ours: str, theirs: str, batch: str) -> Problem:
    return error(
        file,
        f"This marker is called {theirs!r} in batch {batch}, which differs by capitals, separators or "
        "leading zeros only.",
        f"If they are one, write {ours} under also_called of {theirs} in markers.csv, or take the file in "
        "with crossproof receive; if they are two, list both in markers.csv.",
        column="marker",
        value=ours,
    )


def _near(names: Sequence[str], seen: Mapping[str, str], declared: Collection[str]) -> dict[str, str]:
    """Names that no other file has, and the one known name that each is a spelling of."""
    unknown = [n for n in names if n not in seen and not _PLACED.match(n)]
    if not unknown or not seen:
        return {}
    mine = set(names)
    index: dict[str, list[str]] = {}
    for name in seen:
        if name not in mine and not _PLACED.match(name):
            index.setdefault(number_wise_skeleton(name), []).append(name)
    pairs = {}
    for name in unknown:
        known = index.get(number_wise_skeleton(name), [])
        if len(known) == 1 and not (name in declared and known[0] in declared):
            pairs[name] = known[0]
    return pairs


def _shares_nothing(
    file: str, names: Sequence[str], others: Collection[str], has_parents: bool, mates: Sequence[str]
) -> Problem:
    but = f" but {first_of(mates, _SHOWN)}" if mates else ""
    it = "them" if mates else "it"
    if has_parents:
        return warning(
            file,
            f"This file shares no marker with the others{but}; its plants are compared with the parents "
            f"typed in {it} only.",
            "No action is needed if it is another set of markers.",
            value=first_of(names, _SHOWN),
        )
    why = ""
    remedy = (
        "If it is the right file, say what its markers are called in the others: a list under "
        "marker_names: in its entry, or also_called in markers.csv."
    )
    here = {m.groups() for n in names if (m := _PLACED.match(n))}
    there = {m.groups() for n in others if (m := _PLACED.match(n))}
    if {(p, a) for _, p, a in here} & {(p, a) for _, p, a in there}:
        ours, theirs = sorted({c for c, _, _ in here}), sorted({c for c, _, _ in there})
        why = f" Its chromosomes are called {first_of(ours, _SHOWN)}, there {first_of(theirs, _SHOWN)}."
        remedy = "Rename the chromosomes of one of the files (bcftools annotate --rename-chrs)."
    elif {(c, p) for c, p, _ in here} & {(c, p) for c, p, _ in there}:
        why = " Its records are at the same places, with other alleles."
        remedy = "Give the records their marker names, or call both files at the same alleles."
    return error(
        file,
        f"This file shares no marker with the others{but}, and no parent was typed in {it}: it has "
        f"{first_of(names, _SHOWN)}, the others {first_of(sorted(others), _SHOWN)}.{why}",
        remedy,
    )
