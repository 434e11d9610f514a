"""tags.csv: the tags that `crossproof tags` has printed, with what stands on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from crossproof.errors import Problem
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.raw_tables import RawTable, gather
from crossproof.io.sheets.columns import TAGS
from crossproof.io.sheets.sheet import read_sheet
from crossproof.model.tag_numbers import Misreading, MisreadTag, TagNumber, is_season, read_tag

TAGS_FILE = "tags.csv"


@dataclass(frozen=True)
class IssuedTag:
    """One printed tag. `mother` and `father` are "" on an empty one; `flowers` 0 and "" elsewhere: not said.

    `planned`: the planned cross that it was printed for.
    """

    number: TagNumber
    planned: str = ""
    mother: str = ""
    father: str = ""
    flowers: int = 0
    week: str = ""
    operator: str = ""
    place: str = ""

    @property
    def name(self) -> str:
        """The number as it stands on the tag."""
        return str(self.number)

    @property
    def empty(self) -> bool:
        """Whether no parents were printed."""
        return not self.mother and not self.father


@dataclass(frozen=True)
class IssuedTags:
    """All tags printed for a season, in the order of printing."""

    season: str
    tags: tuple[IssuedTag, ...]

    @cached_property
    def by_name(self) -> Mapping[str, IssuedTag]:
        """Each tag by the number on it."""
        return {t.name: t for t in self.tags}

    @cached_property
    def pairs(self) -> frozenset[tuple[str, str]]:
        """Mother and father of every planned cross."""
        return frozenset((t.mother, t.father) for t in self.tags if not t.empty)

    @property
    def last(self) -> int:
        """The highest running number so far, 0 before the first."""
        return max((t.number.serial for t in self.tags), default=0)


def read_issued(root: Path) -> tuple[IssuedTags | None, tuple[Problem, ...]]:
    """The tags printed for the season in folder `root`, and everything wrong with tags.csv.

    None where none were printed, or where the file cannot be used: then a problem is an error.
    """
    path = root / TAGS_FILE
    if not path.is_file():
        return None, ()
    notes = Problems(TAGS_FILE)
    sheet = read_sheet(path, shown_as=TAGS_FILE, known=TAGS.names)
    raw = gather([sheet], TAGS, {}, notes)
    columns = {name: raw.plain(name, notes) for name in TAGS.names}
    season = next((s for s in columns["season"] if s), "")
    if season and not is_season(season):
        fault = Fault(
            "The season of a tag is four to six digits.", "Restore the file as it was printed from."
        )
        raw.note(notes, columns["season"].index(season), "season", fault)
        return None, tuple(notes.listed())
    tags: dict[str, IssuedTag] = {}
    for i, text in enumerate(columns["tag"]):
        number = _number(raw, i, text, season, columns["season"][i], notes) if text and season else None
        if number is None:
            continue
        if text in tags:
            raw.note(notes, i, "tag", Fault("This tag is listed twice.", "Delete one of the two rows."))
        values = {
            name: columns[name][i] for name in ("planned", "mother", "father", "week", "operator", "place")
        }
        tags.setdefault(text, IssuedTag(number, flowers=columns["flowers"][i] or 0, **values))
    return IssuedTags(season, tuple(tags.values())) if season else None, tuple(notes.listed())


def _number(raw: RawTable, i: int, text: str, season: str, here: str, notes: Problems) -> TagNumber | None:
    if here != season:
        fault = Fault(
            f"The tags of one season folder have one season; the first row says {season}.", "Correct it."
        )
        raw.note(notes, i, "season", fault)
        return None
    try:
        return read_tag(text, season)
    except MisreadTag as misread:
        remedy = f"Write {misread.meant}." if misread.meant else "Copy the number from the printed tag."
        why = str(misread.reason)
        if misread.reason is Misreading.FORM:
            why = f"This is not a tag number: {why}"
        raw.note(notes, i, "tag", Fault(f"{why[0].upper()}{why[1:]}.", remedy))
        return None
