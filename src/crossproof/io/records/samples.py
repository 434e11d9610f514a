"""The sheets of wells: one row per well."""

from __future__ import annotations

import pandas as pd

from crossproof.errors import Severity
from crossproof.io.config.season_config import Config
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.crosses import text, with_extra
from crossproof.io.records.raw_tables import RawTable
from crossproof.io.sheets.headings import nearest
from crossproof.model.plates import PLATE_FORMATS, Role, Well, parse_well, smallest_format

F1_COLUMNS = ("line_mother", "line_father")
"""Columns that name the two lines of a parent that is an F1."""


def samples_frame(raw: RawTable, config: Config, notes: Problems) -> pd.DataFrame:
    """The wells as typed columns; what is wrong with them goes to `notes`."""
    names = {
        name: raw.plain(name, notes)
        for name in (
            "sample_id",
            "batch",
            "plate",
            "role",
            "line",
            "cross_id",
            "pod",
            "plant",
            "place",
            "inbreeding",
            "line_mother",
            "line_father",
        )
    }
    well_of = {t: _well(t) for t in set(raw.columns["well"])}
    wells = raw.values("well", lambda t: well_of[t], notes)
    roles = ["" if r is None else r for r in names["role"]]
    given = list(names["plant"])
    names["plant"] = _plants(given, names, roles)
    _check_batches(raw, names["batch"], config, notes)
    _check_samples(raw, names["sample_id"], names["batch"], notes)
    _check_roles(raw, roles, names, notes)
    _check_plates(raw, names["plate"], wells, notes)
    _check_plants(raw, roles, names, notes)
    frame = pd.DataFrame(
        {
            "sample_id": text(names["sample_id"]),
            "batch": text(names["batch"]),
            "plate": text(names["plate"]),
            "well": text([w.name if w else "" for w in wells]),
            "role": text(roles),
            "line": text(names["line"]),
            "cross_id": text(names["cross_id"]),
            "pod": text(names["pod"]),
            "plant": text(names["plant"]),
            "place": text(names["place"]),
            "inbreeding": pd.Series(names["inbreeding"], dtype="float64"),
            "line_mother": text(names["line_mother"]),
            "line_father": text(names["line_father"]),
        }
    )
    return with_extra(frame, raw, len(raw))


def _plants(given: list[str], names: dict[str, list[str]], roles: list[str]) -> list[str]:
    """Name of each well's plant: as given, else that of its sample.

    Where genotype files use one name, such as a running number, for different things, the batch is put
    behind it.
    """
    things: dict[str, set[tuple[str, ...]]] = {}
    batches: dict[str, dict[str, int]] = {}
    what = list(zip(roles, names["line"], names["cross_id"], names["pod"], strict=True))
    for sample, plant, batch, thing in zip(names["sample_id"], given, names["batch"], what, strict=True):
        if not plant:
            things.setdefault(sample, set()).add(thing)
            seen = batches.setdefault(sample, {})
            seen[batch] = seen.get(batch, 0) + 1
    apart = {
        sample
        for sample, kinds in things.items()
        if len(kinds) > 1 and "" not in batches[sample] and max(batches[sample].values()) == 1
    }
    return [
        plant or (f"{sample} ({batch})" if sample in apart else sample)
        for plant, sample, batch in zip(given, names["sample_id"], names["batch"], strict=True)
    ]


def _well(written: str) -> tuple[Well | None, Fault | None]:
    if not written:
        return None, None
    try:
        return parse_well(written), None
    except ValueError:
        return None, Fault(
            "This is not a well position.",
            "Write the row as a letter and the column as a number, such as A1.",
        )


def _check_batches(raw: RawTable, batches: list[str], config: Config, notes: Problems) -> None:
    known = [g.batch for g in config.genotypes]
    faults: dict[str, Fault] = {}
    for batch in set(batches) - set(known) - {""}:
        close = nearest(batch, known)
        meant = f"Did you mean {close!r}?" if close else f"Use one of: {', '.join(known[:20])}."
        faults[batch] = Fault(
            "No genotype file of config.yaml has this batch name.",
            f"{meant} If the laboratory's file of this batch is still to come, receive it first.",
        )
    if faults:
        for i, batch in enumerate(batches):
            if batch in faults:
                raw.note(notes, i, "batch", faults[batch])


def _check_samples(raw: RawTable, samples: list[str], batches: list[str], notes: Problems) -> None:
    first: dict[tuple[str, str], int] = {}
    seen: dict[str, int] = {}
    for i, (sample, batch) in enumerate(zip(samples, batches, strict=True)):
        if not sample:
            continue
        before = first.get((sample, batch))
        if before is None and sample in seen and (not batch or (sample, "") in first):
            before = seen[sample]
            if batches[before] != batch:
                fault = Fault(
                    f"This name also appears in {_place(raw, before)}, and one of the two has no batch.",
                    "Write the batch in both rows.",
                )
                raw.note(notes, i, "sample_id", fault)
                continue
        if before is not None:
            fault = Fault(
                f"This name appears twice{' in the batch' if batch else ''}; the first is in "
                f"{_place(raw, before)}.",
                "Correct the name, or write the batch where two genotype files hold it.",
            )
            raw.note(notes, i, "sample_id", fault)
        first.setdefault((sample, batch), i)
        seen.setdefault(sample, i)


def _place(raw: RawTable, i: int) -> str:
    return f"{raw.files[i]}, row {raw.rows[i]}"


def _check_roles(raw: RawTable, roles: list[str], names: dict[str, list[str]], notes: Problems) -> None:
    line, cross = names["line"], names["cross_id"]
    parents = {name for name, role in zip(line, roles, strict=True) if role == Role.PARENT and name}
    for i, role in enumerate(roles):
        if role == Role.PARENT:
            if not line[i]:
                raw.note(notes, i, "line", Fault("A parent well needs the name of its line.", "Fill it in."))
            if cross[i]:
                fault = Fault(
                    "A parent well has a tag; the tag is not used.",
                    "Delete the tag, or change the role to progeny.",
                    Severity.WARNING,
                )
                raw.note(notes, i, "cross_id", fault)
            _check_f1_parents(raw, i, names, parents, notes)
        elif role == Role.PROGENY:
            if not cross[i]:
                fault = Fault("A progeny well needs the number of its cross.", "Fill it in from the tag.")
                raw.note(notes, i, "cross_id", fault)
            if line[i]:
                fault = Fault(
                    "A progeny well has the name of a line; it is not used.",
                    "Delete it, or change the role to parent.",
                    Severity.WARNING,
                )
                raw.note(notes, i, "line", fault)
            if names["inbreeding"][i] is not None:
                fault = Fault(
                    "Inbreeding is given for a progeny well; it is used for parents only.",
                    "Leave the cell empty.",
                    Severity.WARNING,
                )
                raw.note(notes, i, "inbreeding", fault)
            _check_no_f1(raw, i, names, Role.PROGENY, notes)
        elif role == Role.BLANK:
            for column in ("line", "cross_id", "pod"):
                if names[column][i]:
                    fault = Fault(
                        f"A blank well has nothing in it, but {column} is filled in.",
                        "Empty the cell, or correct the role.",
                    )
                    raw.note(notes, i, column, fault)
            _check_no_f1(raw, i, names, Role.BLANK, notes)


def _check_f1_parents(
    raw: RawTable, i: int, names: dict[str, list[str]], parents: set[str], notes: Problems
) -> None:
    """The lines that a parent is the F1 of are two, other than itself, and typed to be of any use."""
    line, of = names["line"][i], {c: names[c][i] for c in F1_COLUMNS}
    for column, name in of.items():
        if not name:
            continue
        if name == line:
            fault = Fault(
                f"{line} is given as its own parent.",
                "Write the line that the F1 comes from, or empty the cell.",
            )
            raw.note(notes, i, column, fault)
        elif name not in parents:
            fault = Fault(
                f"{line} is given as an F1 of {name}, which has no parent well.",
                f"Correct the name, or type {name}: only then is it known which copy a gamete carries.",
                Severity.WARNING,
            )
            raw.note(notes, i, column, fault)
    if of["line_mother"] and of["line_mother"] == of["line_father"]:
        fault = Fault(
            f"{line} is given as an F1 of {of['line_mother']} with itself.",
            "Write the two lines that were crossed, or empty both cells.",
        )
        raw.note(notes, i, "line_father", fault)


def _check_no_f1(raw: RawTable, i: int, names: dict[str, list[str]], role: Role, notes: Problems) -> None:
    for column in F1_COLUMNS:
        if names[column][i]:
            fault = Fault(
                f"The lines of an F1 are given for a {role} well; they are used for parents only.",
                "Leave the cell empty.",
                Severity.WARNING,
            )
            raw.note(notes, i, column, fault)


def _check_plates(raw: RawTable, plates: list[str], wells: list[Well | None], notes: Problems) -> None:
    first: dict[tuple[str, Well], int] = {}
    members: dict[str, list[int]] = {}
    for i, (plate, well) in enumerate(zip(plates, wells, strict=True)):
        if well is None:
            continue
        # Where a sheet names no plate, the sheet stands for the plate.
        key = plate or f"\0{raw.files[i]}"
        if (key, well) in first:
            fault = Fault(
                f"This well of the plate is used twice; the first is in {_place(raw, first[key, well])}.",
                "Correct the well or the plate.",
            )
            raw.note(notes, i, "well", fault)
        first.setdefault((key, well), i)
        members.setdefault(key, []).append(i)
    for places in members.values():
        _check_format(raw, places, wells, notes)


def _check_format(raw: RawTable, places: list[int], wells: list[Well | None], notes: Problems) -> None:
    """A well or two beyond the plate that all others fit are typing errors, not a larger plate."""
    here = [w for i in places if (w := wells[i]) is not None]
    whole = smallest_format(here)
    for smaller in PLATE_FORMATS:
        if smaller is whole:
            return
        beyond = [i for i in places if (w := wells[i]) is not None and w not in smaller]
        if len(beyond) <= 2 and len(places) - len(beyond) >= 12:
            for i in beyond:
                fault = Fault(
                    f"This well is outside the {smaller.wells}-well plate that the others fit.",
                    "Correct the well.",
                    Severity.WARNING,
                )
                raw.note(notes, i, "well", fault)
            return


def _check_plants(raw: RawTable, roles: list[str], names: dict[str, list[str]], notes: Problems) -> None:
    """All wells of a plant must agree on what it is."""
    first: dict[str, int] = {}
    for i, plant in enumerate(names["plant"]):
        if not plant or roles[i] not in (Role.PARENT, Role.PROGENY):
            continue
        before = first.setdefault(plant, i)
        if before == i:
            continue
        if roles[i] != roles[before]:
            columns: tuple[str, ...] = ("role",)
        else:
            columns = ("cross_id", "pod") if roles[i] == Role.PROGENY else ("line",)
        for column in columns:
            here = roles[i] if column == "role" else names[column][i]
            there = roles[before] if column == "role" else names[column][before]
            if here != there:
                fault = Fault(
                    f"The plant {plant!r} has another {column} ({there!r}) in {_place(raw, before)}.",
                    "Correct one of the rows, or give the two plants different names.",
                )
                raw.note(notes, i, column, fault, here)
