"""The samples of a file: whose they are, and by what they were known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from crossproof.io.intake.name_lists import composed, read_rows
from crossproof.io.sheets.names import number_wise_skeleton
from crossproof.receive.known_season import Known, Sample, well_key
from crossproof.receive.match_names import How, Match, match_names, wells_in
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.understanding import Saying
from crossproof.text import first_of

Places = Mapping[str, tuple[str, str]]
"""Plate and well of each sample of a file, as the file says them; plate "" where it does not."""
_ENOUGH = 0.2
"""Share of a file's samples that must be known by name before the names are believed."""


def samples_of(
    names: Sequence[str], places: Places, known: Known, options: Options, saying: Saying, *, shown_as: str
) -> tuple[str, Match]:
    """The batch a file belongs to, and its samples matched. Raises Unclear where none is of this season."""
    given = _given(options, names, known)
    batch = options.batch or _batch(names, known, given, places)
    waiting = known.of_batch(batch)
    match = match_names(names, [s.name for s in waiting], given)
    by_place = _by_place(names, places, waiting, options, saying)
    if len(match.pairs) < max(1, _ENOUGH * len(set(names))) and len(by_place) > len(match.pairs):
        left = tuple(n for n in dict.fromkeys(names) if n and n not in by_place)
        match = Match(by_place, {How.PLACE: len(by_place)}, left)
    elif by_place:
        apart = [n for n, s in match.pairs.items() if n in by_place and by_place[n] != s]
        saying.misfit(
            "samples are in another well than your sheet says",
            [f"{n} is {match.pairs[n]}, its well is that of {by_place[n]}" for n in apart],
            "The names were trusted. Ask the laboratory how the plate was placed before you run.",
        )
    if not match.pairs:
        raise _nobody(names, known, waiting, shown_as)
    saying.add(
        "samples",
        f"{len(match.pairs)} of {len(set(names))} are in your sheets ({match.in_words()})",
    )
    saying.misfit(
        "samples of the file that are in no sheet of wells, and are left out",
        match.unmatched,
        "No action is needed if they are the laboratory's controls.",
    )
    there = set(match.pairs.values())
    absent = [
        s.name
        for s in waiting
        if s.name not in there and (s.batch == batch or s.plate in _plates(there, waiting))
    ]
    saying.misfit(
        "samples of your sheets that the file does not hold",
        absent,
        "They get no verdict from this file. No action is needed for blanks that were not sent.",
    )
    return batch, match


def _plates(there: set[str], waiting: Sequence[Sample]) -> set[str]:
    return {s.plate for s in waiting if s.name in there and s.plate}


def _given(options: Options, names: Sequence[str], known: Known) -> dict[str, str] | None:
    """The user's list, its columns found by what they hold: the file's names and the season's."""
    if options.names is None:
        return None
    rows = read_rows(options.names, shown_as=options.names.name)
    width = max(map(len, rows))
    columns = [[r[i] if i < len(r) else "" for r in rows] for i in range(width)]
    mine, theirs = {s.name for s in known.samples}, {composed(n) for n in names}
    loose = {number_wise_skeleton(n): n for n in theirs}
    in_file = [sum(number_wise_skeleton(c) in loose for c in col) for col in columns]
    in_season = [len(match_names(list(dict.fromkeys(col)), mine).pairs) for col in columns]
    left = max(range(width), key=lambda i: (in_file[i], -i))
    right = max((i for i in range(width) if i != left), key=lambda i: (in_season[i], -i))
    if not in_file[left] or not in_season[right]:
        what = "the file" if not in_file[left] else "your sheets"
        raise Unclear(
            options.names.name,
            f"No column of the list holds the sample names of {what}.",
            "--names",
            remedy=f"The file names its samples as {first_of(names, 4)}; your sheets as "
            f"{first_of((s.name for s in known.samples), 4)}. Give a list that holds both.",
        )
    target = match_names(list(dict.fromkeys(columns[right])), mine).pairs
    return {
        loose.get(number_wise_skeleton(a), a): target[b]
        for a, b in zip(columns[left], columns[right], strict=True)
        if b in target
    }


def _batch(names: Sequence[str], known: Known, given: Mapping[str, str] | None, places: Places) -> str:
    """The batch of the sheets that fits best, or a new name where the sheets name none."""
    wells = {w for _, w in places.values()}
    scores = {}
    for batch in dict.fromkeys(s.batch for s in known.samples if s.batch):
        mine = known.of_batch(batch)
        by_name = len(match_names(names, [s.name for s in mine], given).pairs)
        by_well = len(wells & {s.well for s in mine if s.well}) / 1000
        scores[batch] = by_name + by_well
    best = max(scores, key=lambda b: scores[b], default="")
    if best:
        return best
    number, width = 0, 2
    start = "B"
    for name in known.batches:
        head = name.rstrip("0123456789")
        if head != name:
            start, width = head, max(width, len(name) - len(head))
            number = max(number, int(name[len(head) :]))
    return f"{start}{number + 1:0{width}d}"


def _by_place(
    names: Sequence[str],
    places: Places,
    waiting: Sequence[Sample],
    options: Options,
    saying: Saying,
) -> dict[str, str]:
    """Name in the file -> sample in the same plate and well."""
    where = places or wells_in(names)
    by_key = {number_wise_skeleton(s.plate): s.plate for s in waiting}
    meant = {p: by_key.get(number_wise_skeleton(p)) for p, _ in where.values()}
    if list(meant.values()) == [None]:
        (theirs,) = meant
        meant[theirs] = ours = _only_plate({well for _, well in where.values()}, waiting, options)
        if ours is not None and theirs:
            saying.add("plate", f"{theirs} of the laboratory is {ours}")
    at = {(s.plate, s.well): s.name for s in waiting if s.well}
    wells = {name: (meant[plate] or "", well) for name, (plate, well) in where.items()}
    found = {name: at[well] for name, well in wells.items() if well in at}
    return found if len(set(found.values())) == len(found) else {}


def _only_plate(wells: set[str], waiting: Sequence[Sample], options: Options) -> str | None:
    """The season's plate that a file of one plate, by a name that is none of ours, must be."""
    plates = list(dict.fromkeys(s.plate for s in waiting))
    if len(plates) > 1:
        plates = [p for p in plates if {s.well for s in waiting if s.plate == p} >= wells]
    return options.plate or (plates[0] if len(plates) == 1 else None)


def _nobody(
    names: Sequence[str],
    known: Known,
    waiting: Sequence[Sample],
    shown_as: str,
) -> Unclear:
    """The refusal where no sample of the file is one of the season's."""
    here = [n for n in dict.fromkeys(names) if n]
    held = match_names(here, known.taken).pairs
    if held:
        owner = known.taken[next(iter(held.values()))]
        return Unclear(
            shown_as,
            f"No sample of this file is expected: {len(held)} of its {len(here)} samples are in "
            f"batch {owner} already.",
            "--batch",
            remedy="If they were typed again, add rows for them to the sheets of wells, with a new batch.",
        )
    expected = [s.name for s in waiting]
    told = f"your sheets expect {first_of(expected, 4)}" if expected else "your sheets expect no sample"
    return Unclear(
        shown_as,
        f"No sample of this file is in your sheets: the file names {first_of(here, 4)}; {told}.",
        "--names",
        remedy="If the laboratory used its own names, give a list of two columns, its name and yours, with "
        "--names LIST; if the sheet of this plate is not there yet, add it to samples/.",
    )


def places_in(names: Sequence[str], plates: Sequence[str] | None, wells: Sequence[str] | None) -> Places:
    """Plate and well of each name, from the columns of a table."""
    if wells is None:
        return {}
    of: dict[str, tuple[str, str]] = {}
    for i, name in enumerate(names):
        if name and (well := well_key(wells[i])):
            of.setdefault(name, (plates[i] if plates else "", well))
    return of
