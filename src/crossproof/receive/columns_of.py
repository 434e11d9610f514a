"""Which axis of a table holds samples and which markers, and which columns are calls."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from crossproof.io.intake.shaped_table import stem
from crossproof.io.intake.table_shape import is_ignored
from crossproof.io.tables.layouts import (
    ABOUT_MARKER,
    Layout,
    heading_key,
    is_allele_heading,
    is_call_heading,
    is_marker_heading,
    is_plate_heading,
    is_sample_heading,
)
from crossproof.receive.call_cells import alleles_in, is_allele, looks_like_call
from crossproof.receive.find_table import Found
from crossproof.receive.known_season import well_key
from crossproof.receive.match_names import match_names
from crossproof.receive.questions import Unclear

_FIRST = 8
"""Columns searched for names; those behind them are calls or measurements."""


@dataclass(frozen=True)
class Columns:
    """Places of a table's columns, from 0.

    `calls`: those read as calls; of a long table the call or both alleles. `per_marker`: columns that make
    one call. `plate`, `well`: where each row says it.
    """

    layout: Layout
    sample: int | None
    marker: int | None
    calls: tuple[int, ...]
    per_marker: int
    plate: int | None
    well: int | None
    ignored: tuple[int, ...]
    described: tuple[int, ...] = ()

    @property
    def lead(self) -> int | None:
        """The column that names the rows; that of samples in a long table."""
        return self.marker if self.layout is Layout.WIDE_BY_MARKER else self.sample

    @property
    def used(self) -> frozenset[int]:
        """Columns of names, calls and what describes a marker."""
        named = (i for i in (self.sample, self.marker) if i is not None)
        return frozenset((*named, *self.calls, *self.described))


@dataclass(frozen=True)
class _Seen:
    """The columns of a table: heading and cells of each, and the places of those to be read, from 0."""

    headings: tuple[str, ...]
    texts: tuple[list[str], ...]
    kept: tuple[int, ...]

    def unused(self, used: Collection[int | None]) -> tuple[int, ...]:
        """Columns that hold anything and are not among those used."""
        places = range(len(self.headings))
        return tuple(i for i in places if i not in used and (self.headings[i] or any(self.texts[i])))


def understand_columns(
    table: Found,
    samples: Collection[str],
    markers: Collection[str],
    asked: str | None,
    ignore: tuple[str, ...],
    *,
    shown_as: str,
    keep_described: bool,
) -> Columns:
    """The places of all columns. Raises Unclear where samples and markers cannot be told apart."""
    headings = table.padded
    kept = tuple(i for i, h in enumerate(headings) if not is_ignored(h, i + 1, ignore))
    seen = _Seen(headings, tuple(table.column(i) for i in range(len(headings))), kept)
    if table.long or asked == Layout.LONG:
        return _long(seen, samples)
    layout = Layout(asked) if asked else _layout(seen, samples, markers, shown_as)
    if layout is Layout.WIDE_BY_MARKER:
        return _by_marker(seen, samples, markers, keep_described)
    return _by_sample(seen, samples, markers)


def _by_sample(seen: _Seen, samples: Collection[str], markers: Collection[str]) -> Columns:
    """A row for each sample."""
    first, calls = _names_and_calls(seen, samples, markers, is_sample_heading)
    pairs = _paired(seen, markers, first)
    calls = pairs or calls
    plate, well = _places(seen, {*calls, first})
    rest = seen.unused({first, *calls})
    return Columns(Layout.WIDE, first, None, tuple(calls), 2 if pairs else 1, plate, well, rest)


def _by_marker(
    seen: _Seen, samples: Collection[str], markers: Collection[str], keep_described: bool
) -> Columns:
    """A row for each marker; with `keep_described`, columns that describe it are told from calls."""
    first, calls = _names_and_calls(seen, markers, samples, is_marker_heading)
    described = tuple(
        i
        for i, heading in enumerate(seen.headings)
        if keep_described and heading_key(heading) in ABOUT_MARKER and i != first
    )
    calls = [i for i in calls if i not in described]
    rest = seen.unused({first, *calls, *described})
    return Columns(Layout.WIDE_BY_MARKER, None, first, tuple(calls), 1, None, None, rest, described)


def _names_and_calls(
    seen: _Seen, rows: Collection[str], columns: Collection[str], names_rows: Callable[[str], bool]
) -> tuple[int, list[int]]:
    """The column that names the rows, and the headed columns that hold calls.

    `rows`, `columns`: names that rows and columns may have; `names_rows`: whether a heading is one of names.
    """
    headings, texts = seen.headings, seen.texts
    likely = [i for i in seen.kept if _holds_calls(texts[i]) or _named(headings[i], columns, texts[i])]
    first = _name_column(seen, rows, names_rows, set(likely))
    likely = [i for i in likely if i != first]
    calls = [i for i in likely if headings[i]]
    known = match_names([headings[i] for i in calls], columns).pairs
    if known and len(known) * 2 >= len(likely):
        # What looks like calls but is no marker, such as a column of flags beside letters, is left out.
        signs = {_notation(texts[i]) for i in calls if headings[i] in known}
        calls = [i for i in calls if headings[i] in known or _notation(texts[i]) in signs]
    return first, calls


def _long(seen: _Seen, samples: Collection[str]) -> Columns:
    """A row for each call."""
    headings, texts = seen.headings, seen.texts
    named = [i for i in seen.kept if is_sample_heading(headings[i])]
    hits = {i: len(match_names(list(dict.fromkeys(texts[i])), samples).pairs) for i in named}
    sample = max(named, key=lambda i: (hits[i], -i))
    marker = next(i for i in seen.kept if is_marker_heading(headings[i]))
    alleles = [i for i in seen.kept if is_allele_heading(headings[i])]
    call = [i for i in seen.kept if is_call_heading(headings[i])]
    calls = tuple(call[:1] or alleles[:2])
    plate, well = _places(seen, {sample, marker, *calls})
    rest = tuple(i for i in range(len(headings)) if i not in {sample, marker, *calls})
    return Columns(Layout.LONG, sample, marker, calls, len(calls), plate, well, rest)


def _holds_calls(cells: Sequence[str]) -> bool:
    given = [c for c in cells if c]
    return bool(given) and 2 * sum(map(looks_like_call, given)) >= len(given)


def _named(heading: str, known: Collection[str], cells: Sequence[str]) -> bool:
    return bool(heading) and heading in known and not any(len(c) > 40 for c in cells)


def _notation(cells: Sequence[str]) -> str:
    """A rough kind of a column's calls: letters or numbers."""
    found = [a for c in set(cells) for a in alleles_in(c)]
    return "letters" if found and any(a.isalpha() for a in found) else "numbers" if found else "codes"


def _layout(seen: _Seen, samples: Collection[str], markers: Collection[str], shown_as: str) -> Layout:
    """Whether rows are samples or markers."""
    texts = seen.texts
    heads = [h for h in seen.headings if h]
    columns = [list(dict.fromkeys(t)) for t in texts[:_FIRST]]
    wide = len(match_names(heads, markers).pairs) + max(len(match_names(c, samples).pairs) for c in columns)
    tall = len(match_names(heads, samples).pairs) + max(len(match_names(c, markers).pairs) for c in columns)
    if wide != tall:
        return Layout.WIDE if wide > tall else Layout.WIDE_BY_MARKER
    first = next(iter(heads), "")
    if is_sample_heading(first) != is_marker_heading(first):
        return Layout.WIDE if is_sample_heading(first) else Layout.WIDE_BY_MARKER
    if any(_wells(t) for t in texts[:_FIRST]):
        return Layout.WIDE
    # A marker has two alleles, a sample those of all its markers: one axis shows which is which.
    across = [{a for c in row for a in alleles_in(c)} for row in zip(*texts, strict=True)]
    down = [{a for c in column for a in alleles_in(c)} for column in texts]
    many_across, many_down = (sum(len(s) > 2 for s in x) * 2 > sum(map(bool, x)) for x in (across, down))
    if many_across != many_down:
        return Layout.WIDE if many_across else Layout.WIDE_BY_MARKER
    raise Unclear(
        shown_as,
        "It cannot be told whether the rows are samples or markers.",
        "--layout",
        ("wide", "wide-by-marker"),
        remedy="Say which: --layout wide (a row per sample) or --layout wide-by-marker (a row per marker).",
    )


def _name_column(
    seen: _Seen, known: Collection[str], names_rows: Callable[[str], bool], calls: set[int]
) -> int:
    """The column that names the rows."""
    texts = seen.texts
    candidates = [i for i in seen.kept if i < _FIRST]
    scored = [(len(match_names(texts[i], known).pairs), i) for i in candidates if len(set(texts[i])) > 1]
    best = max(scored, key=lambda s: (s[0], -s[1]), default=(0, 0))
    if best[0]:
        return best[1]
    for i in candidates:
        if names_rows(seen.headings[i]):
            return i
    free = [i for i in candidates if i not in calls and len(set(texts[i])) == len(texts[i])]
    return next((i for i in free if not _wells(texts[i])), free[0] if free else candidates[0])


def _wells(cells: Sequence[str]) -> bool:
    given = [c for c in cells if c]
    return bool(given) and 10 * sum(bool(well_key(c)) for c in given) >= 9 * len(given)


def _places(seen: _Seen, used: set[int]) -> tuple[int | None, int | None]:
    """The columns that hold plate and well."""
    headings, texts = seen.headings, seen.texts
    free = [i for i in range(len(headings)) if i not in used]
    # A plate called P002 could be a well of a large plate; a column of one value names no wells.
    wells = [
        i for i in free if _wells(texts[i]) and len(set(texts[i])) > 1 and not is_plate_heading(headings[i])
    ]
    well = wells[0] if wells else None
    plate = next((i for i in free if is_plate_heading(headings[i]) and i != well), None)
    return plate, well


def _paired(seen: _Seen, markers: Collection[str], first: int) -> list[int]:
    """Places of columns that are pairs of alleles; [] where they are none."""
    headings, texts = seen.headings, seen.texts
    single = [
        i for i in seen.kept if i != first and any(texts[i]) and all(is_allele(c) for c in set(texts[i]) if c)
    ]
    pairs: list[int] = []
    i = 0
    while i + 1 < len(single):
        one, two = single[i], single[i + 1]
        if two == one + 1 and headings[one] and _one_marker(headings[one], headings[two]):
            pairs += [one, two]
            i += 2
        else:
            i += 1
    if len(pairs) < 2 or len(pairs) * 2 < len(single):
        return []
    whole = match_names([headings[p] for p in pairs if headings[p]], markers).counts
    halves = match_names([stem([headings[a], headings[a + 1]]) for a in pairs[::2]], markers).counts
    if sum(whole.values()) > 2 * sum(halves.values()):
        return []
    return pairs


def _one_marker(one: str, two: str) -> bool:
    return not two or one == two or stem([one, two]) not in (one, two)
