"""Which letters charts are laid out with: those that the charting library brings along, where they suffice.

The library measures every word letter by letter, and opens a font's file for each where the font is one of
the system's: a third of what a page's charts cost. The same font comes inside the library, which does not
know all scripts. Layout then no longer depends on the fonts of a machine either.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

NO_FONTS = Path(__file__).parent.parent / "templates" / "no_fonts.conf"
"""What tells the library that the system has no fonts."""
_WHERE = "FONTCONFIG_FILE"
_BEYOND = re.compile(r"\\u(?!00|01[0-7]|03[89abc]|04[0-5]|201|202[0-6]|219[0-5]|2212|226[45])")
"""A character, as JSON escapes it, that may be neither Latin, Greek, Cyrillic nor a sign of ours."""


@contextmanager
def letters_for(specifications: Iterable[str]) -> Iterator[None]:
    """Have charts, given as JSON in ASCII, drawn with the library's own letters if it has all of them.

    The library looks for fonts once in a process, when it draws for the first time.
    """
    before = os.environ.get(_WHERE)
    if any(_BEYOND.search(text) for text in specifications):
        yield
        return
    os.environ[_WHERE] = str(NO_FONTS)
    try:
        yield
    finally:
        if before is None:
            del os.environ[_WHERE]
        else:
            os.environ[_WHERE] = before
