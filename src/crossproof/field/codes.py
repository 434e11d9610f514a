"""What a QR code on a tag or label holds: season, number of the tag, and for a plant the plant; nothing else.

    2027.0143J        a tag
    2027.0143J.3      plant 3 of that tag

The parts are divided by points, which keyboard scanners type alike in most layouts. Characters of a season's
own names that are not letters, digits or hyphens are percent-encoded (RFC 3986), so that the text is plain
ASCII.
Tag numbers with check letters are made and verified by `model.tag_numbers`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from urllib.parse import quote, unquote_to_bytes

from crossproof.model.tag_numbers import has_form, is_season, verify

_DIVIDER = "."
_WHOLE = "="
"""Stands before a plant's whole name, where it is not the tag's with a hyphen and something behind."""
LONGEST = 120
"""Characters of the longest code that is read; no name that fits a label makes one longer."""
_PART = re.compile(r"(?:[A-Za-z0-9_~-]|%[0-9A-Fa-f]{2})+")


class MisreadCode(ValueError):
    """A scanned or typed text that is no code of a tag or plant; the message says why."""


@dataclass(frozen=True)
class Code:
    """A tag, or a plant of a tag, in its season; no part is empty but `plant`, which is "" for a tag."""

    season: str
    tag: str
    plant: str = ""

    def __post_init__(self) -> None:
        if not is_season(self.season):
            raise ValueError(f"a season is four to six digits, not {self.season!r}")
        if not self.tag:
            raise ValueError("a code needs a tag")

    @property
    def text(self) -> str:
        """The text of the QR code."""
        parts = [self.season, self.tag, *([self.plant] if self.plant else [])]
        return _DIVIDER.join(quote(p, safe="").replace(_DIVIDER, "%2E") for p in parts)

    @property
    def label(self) -> str:
        """The tag, or the plant by tag and its own name, as people say it: 0143J or 0143J-3."""
        return f"{self.tag}-{self.plant}" if self.plant else self.tag


def code_of_plant(season: str, tag: str, plant: str) -> Code:
    """The code of a plant by its name in the samples sheet.

    A plant named tag-something is held by that something, any other by its whole name; `plant_name` gives
    the name back.
    """
    own = plant.removeprefix(f"{tag}-")
    short = bool(own) and own != plant and not own.startswith(_WHOLE)
    return Code(season, tag, own if short else f"{_WHOLE}{plant}")


def plant_name(code: Code) -> str:
    """The name in the samples sheet of the plant that a code holds, "" for a tag."""
    if not code.plant:
        return ""
    return code.plant[1:] if code.plant.startswith(_WHOLE) else code.label


def parse_code(text: str) -> Code:
    """The tag or plant that a scanned text stands for; spaces around it, which scanners add, do not matter.

    A number written like a tag's is verified. Raises MisreadCode.
    """
    text = text.strip()
    if not text or len(text) > LONGEST:
        raise MisreadCode("This is not the code of a tag or plant.")
    parts = text.split(_DIVIDER)
    if len(parts) not in (2, 3) or not all(_PART.fullmatch(p) for p in parts):
        raise MisreadCode("This is not the code of a tag or plant: it reads season, point, tag.")
    try:
        season, tag, *plant = (unquote_to_bytes(p).decode("utf-8") for p in parts)
    except UnicodeDecodeError:
        raise MisreadCode("This is not the code of a tag or plant: its characters are damaged.") from None
    if not is_season(season):
        raise MisreadCode(f"This is not the code of a tag or plant: {season!r} is no season.")
    if has_form(tag) and not verify(tag, season):
        raise MisreadCode(
            f"The check letter of {tag} does not fit season {season}: it was misread or mistyped."
        )
    return Code(season, tag, plant[0] if plant else "")
