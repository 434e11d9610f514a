"""Which tags to print: the planned crosses that have none yet, empty ones, or some once more."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from crossproof.errors import InputError, Problem, Severity, UsageError, error
from crossproof.io.config.season_config import Config, find_config, read_config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.records.issued_tags import TAGS_FILE, IssuedTag, IssuedTags, read_issued
from crossproof.io.sheets.columns import TAGS
from crossproof.io.sheets.names import name_fault
from crossproof.model.tag_numbers import MOST_TAGS, MisreadTag, TagNumber, is_season, read_tag
from crossproof.planning.inputs import PlannedCross
from crossproof.planning.season_inputs import plan_settings, wish_list
from crossproof.planning.wish_list_files import WISH_LIST_NAMES
from crossproof.report.content.sheets import natural

MOST_AT_ONCE = 10_000
"""Tags of one printing; a page of more is none that a browser opens."""
PLAN_NUMBERS = Path("results", "plan", "plan_numbers.csv")


@dataclass(frozen=True)
class Printing:
    """Tags to print now, and all tags of the season with them; `new` of them were not printed before."""

    issued: IssuedTags
    tags: tuple[IssuedTag, ...]
    new: int


@dataclass(frozen=True)
class FieldSeason:
    """Where a season lies, and what it says before a cross is made."""

    root: Path
    season: str
    title: str
    issued: IssuedTags | None
    planned: tuple[PlannedCross, ...] | None
    """None where there is no planned.csv."""


def open_field(folder: Path, season: str = "") -> FieldSeason:
    """The season folder as tags and book need it: planned crosses, whether or not their lines were typed.

    `season`: four to six digits; else that of the tags printed before, else a year that config.yaml names as
    season, else the year of the weeks planned, else this year. Raises InputError with every problem of
    planned.csv and tags.csv.
    """
    config = read_config(find_config(folder), genotypes_come=True, wells_come=True)
    issued, problems = read_issued(config.root)
    lines = _names_planned(config.root)
    planned, found = wish_list(config.root, lines, plan_settings(config))
    problems = (*problems, *found, *_names_in_order(planned or ()))
    if any(p.severity is Severity.ERROR for p in problems):
        raise InputError([p for p in problems if p.severity is Severity.ERROR])
    said = _season_on_tags(season, config, issued, planned or ())
    title = " ".join(t for t in (config.crop, config.season) if t) or config.root.resolve().name
    return FieldSeason(config.root, said, title, issued, planned)


def _season_on_tags(
    asked: str, config: Config, issued: IssuedTags | None, planned: Iterable[PlannedCross]
) -> str:
    """The season that tags say; see `open_field`. Raises UsageError for one that they cannot say."""
    said = asked or (issued.season if issued else "")
    if said and not is_season(said):
        raise UsageError.at(
            "--season",
            "The season on a tag is four to six digits.",
            "Write the year, such as 2027, with a further digit for a second season of the year.",
            value=said,
        )
    if issued and said != issued.season:
        raise UsageError.at(
            TAGS_FILE,
            f"The tags of this folder were printed for season {issued.season}.",
            "Make a folder of its own for another season: crossproof new DIR",
            value=said,
        )
    first_week = min((c.week for c in planned if c.week), default=str(dt.date.today().year))
    return said or (config.season if is_season(config.season) else first_week[:4])


def _names_planned(root: Path) -> list[str]:
    """Every name that planned.csv gives as a parent: to print a tag a line need not have been typed."""
    from crossproof.io.sheets.headings import heading_key
    from crossproof.io.sheets.sheet import read_sheet

    for name in WISH_LIST_NAMES:
        if (root / name).is_file():
            sheet = read_sheet(root / name, shown_as=name, known=("mother", "father"))
            places = [i for i, h in enumerate(sheet.headings) if heading_key(h) in ("mother", "father")]
            return sorted({row[i].strip() for row in sheet.rows for i in places} - {""})
    return []


def _names_in_order(planned: Sequence[PlannedCross]) -> list[Problem]:
    """What is wrong with planned names as such; as in the sheets of records."""
    found = []
    for cross in planned:
        for column in ("cross_id", "mother", "father", "operator", "place"):
            text = getattr(cross, column)
            fault = name_fault(text) if text else None
            if fault is not None:
                found.append(
                    Problem(
                        fault.severity,
                        "planned.csv",
                        cross.row,
                        column,
                        text[:80],
                        fault.problem,
                        fault.remedy,
                    )
                )
    return found


def planned_tags(field: FieldSeason, *, flowers_per_tag: int = 0) -> Printing:
    """Tags for the planned crosses that have none yet, numbered in walking order.

    `flowers_per_tag`: as many tags for a cross as its flowers need, 0 for one tag each. Flowers are those of
    planned.csv, else those that the plan computed. Raises UsageError where nothing is planned.
    """
    if field.planned is None:
        raise UsageError.at(
            "planned.csv",
            "There is no list of planned crosses.",
            "Write one with the columns mother and father, or print empty tags with --empty N.",
        )
    missing = _without_tags(field.planned, field.issued.tags if field.issued else ())
    computed = flowers_of_plan(field.root)
    wanted: list[tuple[PlannedCross, int]] = []
    for cross in sorted(missing, key=walking_order):
        flowers = cross.flowers or computed.get((cross.cross_id, cross.mother, cross.father), 0)
        wanted += [(cross, n) for n in _shared_out(flowers, flowers_per_tag)]
    numbers = _numbers(field, len(wanted))
    new = tuple(
        IssuedTag(n, c.cross_id, c.mother, c.father, flowers, c.week, c.operator, c.place)
        for n, (c, flowers) in zip(numbers, wanted, strict=True)
    )
    return _printing(field, new)


def _without_tags(planned: Sequence[PlannedCross], tags: Sequence[IssuedTag]) -> list[PlannedCross]:
    """Planned crosses for which none of these tags was printed.

    A cross is known by number and parents, or else by parents alone: numbers given by us move when a row is
    put into the list.
    """
    printed = {(t.planned, t.mother, t.father) for t in tags if not t.empty}
    left = [c for c in planned if (c.cross_id, c.mother, c.father) not in printed]
    known = {(c.cross_id, c.mother, c.father) for c in planned}
    moved = Counter((mother, father) for _, mother, father in printed - known)
    missing = []
    for cross in left:
        if moved[cross.mother, cross.father]:
            moved[cross.mother, cross.father] -= 1
        else:
            missing.append(cross)
    return missing


def walking_order(cross: PlannedCross | IssuedTag) -> tuple[object, ...]:
    """Place, mother, week; what has no place comes last."""
    return (
        not cross.place,
        natural(cross.place),
        not cross.mother,
        natural(cross.mother),
        not cross.week,
        cross.week,
        natural(cross.father),
    )


def _shared_out(flowers: int, per_tag: int) -> list[int]:
    """Flowers of each tag of a cross."""
    if not per_tag or flowers <= per_tag:
        return [flowers]
    tags = math.ceil(flowers / per_tag)
    return [per_tag] * (tags - 1) + [flowers - per_tag * (tags - 1)]


def flowers_of_plan(root: Path) -> dict[tuple[str, str, str], int]:
    """Flowers that the last plan computed for each cross with its mother and father; {} without a plan."""
    path = root / PLAN_NUMBERS
    if not path.is_file():
        return {}
    frame = pd.read_csv(path, dtype={"cross_id": str, "mother": str, "father": str}, keep_default_na=False)
    if "flowers_to_pollinate" not in frame:
        return {}
    flowers = pd.to_numeric(frame["flowers_to_pollinate"], errors="coerce").fillna(0).astype(int)
    keys = zip(frame["cross_id"], frame["mother"], frame["father"], strict=True)
    return dict(zip(keys, flowers.tolist(), strict=True))


def empty_tags(field: FieldSeason, count: int) -> Printing:
    """That many tags without parents, for crosses that nobody planned."""
    return _printing(field, tuple(IssuedTag(n) for n in _numbers(field, count)))


def tags_again(field: FieldSeason, names: Sequence[str]) -> Printing:
    """Tags that were printed before, once more, because they were lost or cannot be read.

    Raises UsageError for every number that is none of them.
    """
    issued = field.issued or IssuedTags(field.season, ())
    found, problems = [], []
    for name in names:
        try:
            found.append(issued.by_name[str(read_tag(name, field.season))])
        except (KeyError, MisreadTag) as fault:
            meant = fault.meant if isinstance(fault, MisreadTag) else ""
            hint = f"Did you mean {meant}?" if meant in issued.by_name else f"The numbers are in {TAGS_FILE}."
            problems.append(error("--again", "No tag of this number was printed.", hint, value=name))
    if problems:
        raise UsageError(problems[0]) if len(problems) == 1 else InputError(problems)
    return Printing(issued, tuple(found), 0)


def _numbers(field: FieldSeason, count: int) -> list[TagNumber]:
    start = (field.issued.last if field.issued else 0) + 1
    if count > MOST_AT_ONCE or start + count - 1 > MOST_TAGS:
        most = min(MOST_AT_ONCE, MOST_TAGS - start + 1)
        raise UsageError.at(
            "tags",
            f"{count:,} tags are more than can be printed at once ({most:,}).",
            "Print fewer at a time, or give more flowers to a tag.",
        )
    return [TagNumber(field.season, n) for n in range(start, start + count)]


def _printing(field: FieldSeason, new: tuple[IssuedTag, ...]) -> Printing:
    before = field.issued or IssuedTags(field.season, ())
    return Printing(replace(before, tags=(*before.tags, *new)), new, len(new))


def write_issued(root: Path, issued: IssuedTags) -> Path:
    """Write tags.csv, whole or not at all."""
    text = io.StringIO()
    text.write(
        "# One row is one printed tag. Keep this file: crossproof check reads the crossing book against it.\n"
        "# crossproof tags adds to it. If a tag was used for another cross write its new parents here.\n"
    )
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(TAGS.names)
    for t in issued.tags:
        writer.writerow(
            [
                t.name,
                issued.season,
                t.planned,
                t.mother,
                t.father,
                t.flowers or "",
                t.week,
                t.operator,
                t.place,
            ]
        )
    path = root / TAGS_FILE
    write_bytes(path, text.getvalue().encode("utf-8"))
    return path
