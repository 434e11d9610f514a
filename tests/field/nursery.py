"""An invented season folder for the tests of what is carried: lines, a plan, tags."""

from __future__ import annotations

from pathlib import Path

from crossproof.field.printing import open_field, planned_tags, write_issued
from crossproof.season.templates import new_season

PLANNED = """\
cross_id,mother,father,flowers,week,operator,place
P001,Lark,Wren,5,2027-W23,Ana,house 1 bench 2
P002,Robin,Wren,2,2027-W24,Bo,house 1 bench 10
P003,Lark,Robin,3,2027-W23,Ana,house 1 bench 2
P004,Crane,Lark,,,,
"""
"""Invented crosses. In walking order (bench 2 before bench 10, no place last): P003, P001, P002, P004."""


def make_nursery(folder: Path, planned: str = PLANNED, *, printed: bool = True) -> Path:
    """A new season with a wish list and, where `printed`, a tag for each cross of it."""
    new_season(folder)
    (folder / "planned.csv").write_text(planned, encoding="utf-8")
    if printed:
        field = open_field(folder, "2027")
        write_issued(folder, planned_tags(field).issued)
    return folder
