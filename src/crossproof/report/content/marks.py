"""The marks of the report: one letter, one shape and one colour for each verdict.

Colours are Paul Tol's high-contrast set (blue, yellow, red, white; SRON technical note "Colour schemes") on
light ground and his medium-contrast light tones on dark ground. No mark relies on its colour: letter and
shape say the same. A multiplication sign never stands for an outcross, since breeders read it as "crossed".
"""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.results import Verdict
from crossproof.report.facts.plants import Pile


@dataclass(frozen=True)
class Mark:
    """How one kind of well or plant is drawn.

    `key` names its colour in the style sheet, `path` its outline in a box of 24 by 24, `means` what it says
    in plain words; `lift` lowers the letter into the middle of the shape's mass.
    """

    key: str
    letter: str
    label: str
    path: str
    means: str
    colour: str
    lift: float = 0.0


_CIRCLE = "M12 1.5a10.5 10.5 0 1 1 0 21a10.5 10.5 0 1 1 0-21Z"
_SQUARE = "M3 3H21V21H3Z"
_DIAMOND = "M12 .5L23.5 12L12 23.5L.5 12Z"
_TRIANGLE = "M12 1L23.6 22H.4Z"
_OCTAGON = "M7.6 1.5H16.4L22.5 7.6V16.4L16.4 22.5H7.6L1.5 16.4V7.6Z"
_PLAIN = "M4.5 7.5H19.5V16.5H4.5Z"

VERDICT_MARKS: dict[Verdict, Mark] = {
    Verdict.HYBRID: Mark("hybrid", "H", "hybrid", _CIRCLE, "child of this mother and this father", "#004488"),
    Verdict.SELF: Mark("self", "S", "self", _SQUARE, "the mother pollinated by her own pollen", "#DDAA33"),
    Verdict.OUTCROSS: Mark(
        "outcross", "O", "outcross", _DIAMOND, "right mother, pollen of something else", "#BB5566"
    ),
    Verdict.OFF_PEDIGREE: Mark(
        "off", "P", "off pedigree", _TRIANGLE, "not a first-generation child of this mother", "#FFFFFF", 2.6
    ),
    Verdict.UNDETERMINED: Mark(
        "open", "?", "undetermined", _CIRCLE, "no verdict; its reason says why", "#FFFFFF"
    ),
}

HELD_MARK = Mark("held", "!", "on hold", _OCTAGON, "in doubt; the verdict waits for a finding", "#FFFFFF")
"""Plants on hold, whatever their verdict."""

WELL_MARKS: dict[str, Mark] = {
    "parent": Mark("line", "L", "parent line", _PLAIN, "a well of a parent line", "#FFFFFF"),
    "blank": Mark("blank", "B", "blank", _PLAIN, "a well that should hold no DNA", "#FFFFFF"),
}

PILE_WORDS: dict[Pile, tuple[str, str]] = {
    Pile.KEEP: ("Keep", "a proven hybrid, to grow on."),
    Pile.CULL: ("Cull", "not the hybrid that its tag names; its place can be freed."),
    Pile.SAMPLE_AGAIN: ("Sample again", "no verdict yet; take a fresh leaf sample."),
    Pile.WAIT: ("Wait", "no verdict before a parent or more markers are typed; leave the plant."),
    Pile.HOLD: (
        "Hold",
        "plate, file, tag or parent sample in doubt; leave the plant until it is settled.",
    ),
}
"""Label and meaning of each pile of plants, in the order a reader acts on them."""


def verdict_of(text: str) -> Verdict:
    """The verdict a table names; undetermined where the text is none."""
    try:
        return Verdict(text)
    except ValueError:
        return Verdict.UNDETERMINED


def symbol_svg(mark: Mark) -> str:
    """The mark as an SVG symbol with id m-<key>; colours come from the style sheet by class."""
    letter_y = 16.6 + mark.lift - (0.4 if mark.key in ("line", "blank") else 0)
    size = {"line": 12.0, "blank": 12.0, "off": 10.5}.get(mark.key, 13.0)
    return (
        f'<symbol id="m-{mark.key}" viewBox="0 0 24 24" class="mark mark-{mark.key}">'
        f'<path d="{mark.path}"/><text x="12" y="{letter_y:.1f}" text-anchor="middle" font-size="{size:g}">'
        f"{mark.letter}</text></symbol>"
    )


def all_marks() -> tuple[Mark, ...]:
    """Every mark that the page draws, verdicts first."""
    return (*VERDICT_MARKS.values(), *WELL_MARKS.values(), HELD_MARK)
