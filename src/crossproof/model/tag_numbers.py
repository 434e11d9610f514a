"""Numbers of tags with a check letter, so that a misread or mistyped one is caught.

A tag number is a running number of at least four digits and one letter, such as 0143J. The letter follows
from season and number together: a tag left over from the year before always has another letter.

The scheme is the one of the Spanish tax number (NIF): the number modulo 23 picks a letter. Source: Real
Decreto 1553/2005, article 11, and the calculation that Spain's Ministerio del Interior publishes for it
("Cálculo del dígito de control del NIF/NIE"). 23 is a prime above 10, so one wrong digit, or two
digits exchanged wherever they stand, always change the letter; I, O and U, which are read as digits or as V,
do not occur.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

LETTERS = "TRWAGMYFPDXBNJZSQVHLCKE"
"""The letter of each remainder from 0 to 22."""

DIGITS = 4
MOST_DIGITS = 6
MOST_TAGS = 10**MOST_DIGITS - 1

_SEASON = re.compile(r"\d{4,6}")
_NUMBER = re.compile(rf"(\d{{{DIGITS},{MOST_DIGITS}}})([A-Z])")
_LIKE_NUMBER = re.compile(r"(\d{1,6})[\s.\-_]*([A-Za-z]?)")


class Misreading(StrEnum):
    """Why a text is no tag number of a season."""

    FORM = "it is not a number of four to six digits with a letter behind it"
    NO_LETTER = "its check letter is missing"
    WRITING = "it is not written as on the tag"
    LETTER = "its check letter does not fit its digits"


class MisreadTag(ValueError):
    """A tag number that cannot be right; `reason` says why and `meant` what it may be, "" where unknown."""

    def __init__(self, text: str, reason: Misreading, meant: str = "") -> None:
        self.text, self.reason, self.meant = text, reason, meant
        super().__init__(f"{text!r} is no tag number: {reason}.")


@dataclass(frozen=True, order=True)
class TagNumber:
    """The number of a tag in its season; `str()` is how it stands on the tag, such as 0143J.

    `season`: four to six digits, such as 2027 (or 20272 for a second season in 2027). `serial`: from 1.
    """

    season: str
    serial: int

    def __post_init__(self) -> None:
        if not is_season(self.season):
            raise ValueError(f"a season is four to six digits, not {self.season!r}")
        if not 1 <= self.serial <= MOST_TAGS:
            raise ValueError(f"a tag's number is from 1 to {MOST_TAGS}, not {self.serial}")

    @property
    def digits(self) -> str:
        """The number without its letter."""
        return f"{self.serial:0{DIGITS}d}"

    @property
    def letter(self) -> str:
        """The check letter."""
        return check_letter(self.season, self.digits)

    def __str__(self) -> str:
        return self.digits + self.letter


def is_season(text: str) -> bool:
    """Whether a text can name the season of a tag."""
    return _SEASON.fullmatch(text) is not None and text.isascii()


def check_letter(season: str, digits: str) -> str:
    """The letter for the digits of a tag in a season; both are digits and are read as one number."""
    if not (season + digits).isascii() or not (season + digits).isdigit():
        raise ValueError("season and number of a tag are digits")
    return LETTERS[int(season + digits) % len(LETTERS)]


def has_form(text: str) -> bool:
    """Whether a text is written like a tag number; its letter may be wrong."""
    return text.isascii() and _NUMBER.fullmatch(text) is not None


def verify(text: str, season: str) -> bool:
    """Whether a text is a tag number of this season with the right letter."""
    match = _NUMBER.fullmatch(text) if text.isascii() else None
    return match is not None and check_letter(season, match[1]) == match[2]


def read_tag(text: str, season: str) -> TagNumber:
    """The tag number that a text is.

    Raises MisreadTag where it is none, or none of this season; nothing is mended in silence: small letters, a
    space before the letter and missing zeros are named with what is probably meant.
    """
    if verify(text, season) and (serial := int(text[:-1])) and str(TagNumber(season, serial)) == text:
        return TagNumber(season, serial)
    match = _LIKE_NUMBER.fullmatch(text.strip()) if text.isascii() else None
    if match is None or not int(match[1]):
        raise MisreadTag(text, Misreading.FORM)
    right = TagNumber(season, int(match[1]))
    if not match[2]:
        raise MisreadTag(text, Misreading.NO_LETTER, str(right))
    if match[2].upper() == right.letter:
        raise MisreadTag(text, Misreading.WRITING, str(right))
    raise MisreadTag(text, Misreading.LETTER)
