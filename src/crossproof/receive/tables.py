"""A table understood: place, layout, names, calls."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from crossproof.errors import PlateError
from crossproof.io.intake.name_lists import composed, read_rows
from crossproof.io.intake.raw_cells import is_packed
from crossproof.io.intake.shaped_table import joined_alleles, stem
from crossproof.io.intake.table_shape import Encoding, Separator, folded
from crossproof.io.tables.layouts import Layout
from crossproof.receive.calls_of import ways_of_calls
from crossproof.receive.columns_of import Columns, understand_columns
from crossproof.receive.find_table import Found, find_tables, needs_no_shape
from crossproof.receive.known_season import Known
from crossproof.receive.match_names import How, Match, match_names
from crossproof.receive.names_of import places_in, samples_of
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.understanding import Saying, Understanding, Value
from crossproof.text import first_of

_RIVAL = 0.5
"""Another sheet with this share of the best one's calls could be the one meant."""
FEW_MARKERS = 0.5
"""Least share of a file's markers that must be known where other files or a marker sheet are there."""


def understand_table(
    path: Path, workbook: bool, known: Known, options: Options, *, shown_as: str
) -> Understanding:
    """What a table holds. Raises Unclear for what only a person can know, PlateError where it is no table."""
    saying = Saying(options)
    names = {s.name for s in known.samples} | set(known.taken)
    table = _the_table(path, workbook, names, options, saying, shown_as)
    markers = {*known.markers, *known.aliases}
    listed = {*names, *(_first_cells(options.names) if options.names else ())}
    columns = understand_columns(
        table,
        listed,
        markers,
        options.layout,
        options.ignore_columns,
        shown_as=shown_as,
        keep_described=not known.markers,
    )
    entry = _entry(path, table, columns)
    _say_columns(columns, table.padded, saying)
    sample_names, marker_names, calls = _content(table, columns)
    plates = table.column(columns.plate) if columns.plate is not None else None
    wells = table.column(columns.well) if columns.well is not None else None
    by_row = table.column(columns.sample) if columns.sample is not None else []
    places = places_in(by_row, plates, wells)
    batch, match = samples_of(
        list(dict.fromkeys(sample_names)), places, known, options, saying, shown_as=shown_as
    )
    fitted = markers_of(list(dict.fromkeys(marker_names)), known, options, saying, shown_as=shown_as)
    by_marker: dict[str, Counter[str]] = {}
    for marker, call in calls:
        by_marker.setdefault(fitted.pairs.get(marker, composed(marker)), Counter())[call] += 1
    entry |= ways_of_calls(by_marker, known, options, saying, shown_as=shown_as)
    return Understanding(
        batch,
        entry,
        match.renames,
        {a: b for a, b in fitted.renames.items() if known.aliases.get(composed(a)) != b},
        tuple(saying.lines),
        tuple(saying.misfits),
        _preview(table, columns),
        len(match.pairs),
        len(by_marker),
    )


def _first_cells(path: Path) -> list[str]:
    return [cell for row in read_rows(path, shown_as=path.name) for cell in row[:2]]


def _the_table(
    path: Path, workbook: bool, names: set[str], options: Options, saying: Saying, shown_as: str
) -> Found:
    tables = find_tables(path, workbook, names, shown_as=shown_as)
    if options.sheet is not None:
        tables = [t for t in tables if t.sheet == options.sheet]
    if not tables:
        where = f" on the sheet {options.sheet!r}" if options.sheet else ""
        raise PlateError.at(
            shown_as,
            f"No table of calls was found{where}.",
            "A table needs a row of headings and below it a row for each sample, marker or call. Ask the "
            "laboratory for one, or for a VCF.",
        )
    best = tables[0]
    rivals = [t for t in tables[1:] if t.score >= _RIVAL * best.score]
    if rivals:
        raise Unclear(
            shown_as,
            f"More than one sheet holds calls: {', '.join(repr(t.sheet) for t in (best, *rivals))}.",
            "--sheet",
            [str(t.sheet) for t in (best, *rivals)],
        )
    if workbook:
        others = [s for s in best.sheets if s != best.sheet]
        more = f"; no calls on {', '.join(map(repr, others))}" if others else ""
        saying.add("file", f"workbook, sheet {best.sheet!r}{more}")
    else:
        packed = "packed text" if is_packed(path) else "text"
        saying.add("file", f"{packed} ({best.encoding}), cells separated by {best.separator}")
    below = f", last row {best.last_row} (rows below are not part of it)" if best.ends_early else ""
    above = f"; {best.above} rows above are not read" if best.above else ""
    saying.add("headings", f"row {best.header_row}{above}{below}")
    return best


def _entry(path: Path, table: Found, columns: Columns) -> dict[str, Value]:
    """Keys that say where the table is and how it lies."""
    entry: dict[str, Value] = {"layout": columns.layout.value}
    odd = _is_odd(columns, table.padded)
    shaped = odd or not needs_no_shape(path, table)
    if table.sheet is not None:
        if len(table.sheets) > 1 or shaped:
            entry["sheet"] = table.sheet
        shaped = odd or bool(table.above) or table.ends_early or table.broken
    return entry | _place_keys(table) | _column_keys(columns, table.padded) if shaped else entry


def _is_odd(columns: Columns, headings: Sequence[str]) -> bool:
    """Whether the columns lie otherwise than a reader of tables expects."""
    if columns.layout is Layout.LONG or columns.ignored or columns.per_marker > 1:
        return True
    return columns.lead != min(columns.used) or not all(headings[i] for i in columns.used)


def _place_keys(table: Found) -> dict[str, Value]:
    """First and last row, and how the text is written."""
    keys: dict[str, Value] = {"header_row": table.header_row}
    if table.ends_early:
        keys["last_row"] = table.last_row
    if table.encoding not in (None, Encoding.UTF_8):
        keys["encoding"] = str(table.encoding)
    if table.separator not in (None, Separator.COMMA):
        keys["separator"] = str(table.separator)
    return keys


def _column_keys(columns: Columns, headings: Sequence[str]) -> dict[str, Value]:
    """The columns of names and calls."""
    if columns.layout is Layout.LONG:
        return {
            "sample_column": _label(headings, columns.sample),
            "marker_column": _label(headings, columns.marker),
            "call_columns": tuple(_label(headings, i) for i in columns.calls),
        }
    keys: dict[str, Value] = {}
    if columns.lead != min(columns.used):
        key = "marker_column" if columns.layout is Layout.WIDE_BY_MARKER else "sample_column"
        keys[key] = _label(headings, columns.lead)
    if columns.per_marker > 1:
        keys["columns_per_marker"] = columns.per_marker
    if columns.ignored:
        keys["ignore_columns"] = _patterns(headings, columns.ignored, columns.used)
    return keys


def _label(headings: Sequence[str], place: int | None) -> str:
    assert place is not None
    return headings[place] or f"column {place + 1}"


def _patterns(headings: Sequence[str], ignored: Sequence[int], used: frozenset[int]) -> tuple[str, ...]:
    """Headings to leave out; those that share a last word no other heading has are put as one."""
    names = [_label(headings, i) for i in ignored]
    ends = Counter(n.split()[-1] for n in names if len(n.split()) > 1)
    common = {
        e
        for e, n in ends.items()
        if n >= 4 and not any(folded(headings[i]).endswith(f" {folded(e)}") for i in used)
    }
    short = [f"* {n.split()[-1]}" if len(n.split()) > 1 and n.split()[-1] in common else n for n in names]
    return tuple(dict.fromkeys(short))


def _say_columns(columns: Columns, headings: Sequence[str], saying: Saying) -> None:
    per = {1: "", 2: ", two columns for each"}
    if columns.layout is Layout.LONG:
        calls = " and ".join(_label(headings, i) for i in columns.calls)
        lies = (
            f"a row for each call: sample in {_label(headings, columns.sample)!r}, marker in "
            f"{_label(headings, columns.marker)!r}, call in {calls!r}"
        )
    elif columns.layout is Layout.WIDE:
        n = len(columns.calls) // columns.per_marker
        named = _label(headings, columns.sample)
        lies = f"a row for each sample, named in {named!r}; {n} markers{per[columns.per_marker]}"
    else:
        named = _label(headings, columns.marker)
        lies = f"a row for each marker, named in {named!r}; {len(columns.calls)} samples"
    saying.add("layout", lies)
    left = [_label(headings, i) for i in columns.ignored]
    if left:
        saying.add("columns left", first_of(left, 6) + f" ({len(left)} hold no calls)")


def _content(table: Found, columns: Columns) -> tuple[list[str], list[str], list[tuple[str, str]]]:
    """Sample names, marker names, and (marker, call) of every cell."""
    headings = table.padded
    if columns.layout is Layout.LONG:
        assert columns.sample is not None
        assert columns.marker is not None
        marker = table.column(columns.marker)
        cells = [table.column(i) for i in columns.calls]
        calls = [(m, joined_alleles(c)) for m, c in zip(marker, zip(*cells, strict=True), strict=True)]
        return table.column(columns.sample), marker, calls
    if columns.layout is Layout.WIDE_BY_MARKER:
        assert columns.marker is not None
        marker = table.column(columns.marker)
        calls = [(m, c) for i in columns.calls for m, c in zip(marker, table.column(i), strict=True)]
        return [headings[i] for i in columns.calls], marker, calls
    assert columns.sample is not None
    n = columns.per_marker
    groups = [columns.calls[i : i + n] for i in range(0, len(columns.calls), n)]
    names = [stem([headings[i] for i in g]) if n > 1 else headings[g[0]] for g in groups]
    calls = []
    for name, group in zip(names, groups, strict=True):
        cells = [table.column(i) for i in group]
        calls += [(name, joined_alleles(c)) for c in zip(*cells, strict=True)]
    return table.column(columns.sample), names, calls


def markers_of(
    names: Sequence[str], known: Known, options: Options, saying: Saying, *, shown_as: str
) -> Match:
    """The markers of a file matched. Raises Unclear where too few are those of the season."""
    ours = {**{m: m for m in known.markers}, **known.aliases}
    given = None
    if options.marker_names is not None:
        rows = read_rows(options.marker_names, shown_as=options.marker_names.name)
        given = {r[0]: r[1] for r in rows} | {r[1]: r[0] for r in rows if r[0] in ours}
    found = match_names(names, ours, given)
    pairs = {name: ours[target] for name, target in found.pairs.items()}
    match = Match(pairs, found.counts, found.unmatched, found.affix)
    if not ours:
        saying.add("markers", f"{len(names)}, with nothing to compare them to")
        return Match({n: composed(n) for n in names}, {}, ())
    if len(pairs) < FEW_MARKERS * len(set(names)):
        shares = (
            "shares no marker" if not pairs else f"shares only {len(pairs)} of its {len(set(names))} markers"
        )
        raise Unclear(
            shown_as,
            f"This file {shares} with the rest of the season: it has "
            f"{first_of(found.unmatched or names, 4)}, the season {first_of(known.markers, 4)}.",
            "--marker-names",
            remedy="If the laboratory uses other marker names, give a list of two columns, its name and "
            "yours, with --marker-names LIST, or fill in also_called in markers.csv.",
        )
    how = f" ({match.in_words()})" if set(match.counts) != {How.SAME} else ""
    saying.add("markers", f"{len(pairs)} of {len(set(names))} are those of the season{how}")
    saying.misfit(
        "markers that no other file and no sheet has", match.unmatched, "They are read as additional markers."
    )
    return match


def _preview(table: Found, columns: Columns) -> tuple[tuple[str, ...], ...]:
    """The first rows and columns as they will be read."""
    headings = table.padded
    lead = [i for i in (columns.sample, columns.marker) if i is not None]
    places = [*lead, *columns.calls[:4]]
    rows = [tuple(headings[i] for i in places)]
    for _, cells in table.body[:3]:
        rows.append(tuple(cells[i] if i < len(cells) else "" for i in places))
    return tuple(rows)
