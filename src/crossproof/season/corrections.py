"""The corrected copies of the records that the rows of corrections.csv lead to.

Rows are applied from top to bottom, each to what the rows above it left. Nothing is ever changed in the
user's own files: the records get corrected copies, and every row is echoed in the outputs.

What moves: `sample_id`, `batch`, `plate` and `well` stay together, since they say where data are. Everything
else in a row of the samples sheet (role, line, cross, pod, plant, the lab's own columns) is what lies in the
well, and moves with the plant.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from crossproof.errors import Problem, error, warning
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding
from crossproof.model.layouts import layout_of
from crossproof.model.part_layouts import part_layout
from crossproof.model.plates import Role, parse_well, smallest_format
from crossproof.model.stretch_layouts import named_stretch
from crossproof.season.correction_rows import cell_text, correction_of, without_note
from crossproof.season.records_at_work import RecordsAtWork, RefusedRow
from crossproof.text import count_of, first_of

DATA_COLUMNS = ("sample_id", "batch", "plate", "well", "_file", "_row")
"""Columns of the samples sheet that say where data are; all others move with the plant."""
LAYOUT_KINDS = frozenset(
    {
        CorrectionKind.ROTATE,
        CorrectionKind.MIRROR,
        CorrectionKind.SHIFT,
        CorrectionKind.REFILL,
        CorrectionKind.REVERSE_ROW,
        CorrectionKind.REVERSE_COLUMN,
        CorrectionKind.SWAP_ROWS,
        CorrectionKind.SWAP_COLUMNS,
        CorrectionKind.PART,
    }
)
LINE_DETAILS = ("tubes", "crosses", "both")


@dataclass(frozen=True)
class Applied:
    """One row as it was applied: the row, its line in the file, and what it changed, in words."""

    correction: Correction
    row: int
    effect: str


@dataclass(frozen=True)
class Corrected:
    """Corrected copies of the records.

    `dismissed`: (subject, finding name) of findings the user looked at and set aside; name "" for all.
    `without_data`: see `RecordsAtWork.without_data`; empty where no row of corrections was applied.
    `left_out`: samples of the sheets whose calls are not used.
    """

    samples: pd.DataFrame
    crosses: pd.DataFrame
    applied: tuple[Applied, ...] = ()
    dismissed: frozenset[tuple[str, str]] = frozenset()
    problems: tuple[Problem, ...] = ()
    without_data: pd.DataFrame = field(default_factory=pd.DataFrame)
    left_out: frozenset[str] = frozenset()


def _move(records: RecordsAtWork, targets: list[int], sources: list[int]) -> None:
    """Give the rows `targets` the contents of the rows `sources`."""
    columns = [c for c in records.samples.columns if c not in DATA_COLUMNS]
    contents = records.samples.loc[sources, columns].copy()
    contents.index = pd.Index(targets)
    for column in columns:
        records.samples.loc[targets, column] = contents[column]


def _layout(records: RecordsAtWork, c: Correction) -> str:
    every = [int(r) for r in records.plate("target", c.target)]
    rows = [r for r in every if records.well(r) is not None]
    if not rows:
        told = f"no sample of plate {c.target} has a well."
        raise RefusedRow("target", c.target, told, "Fill in the wells in the samples sheet.")
    wells = [well for r in rows if (well := records.well(r)) is not None]
    plate = smallest_format(wells)
    try:
        if c.kind is CorrectionKind.PART:
            plants = [
                (w.row * plate.columns + w.column, str(records.samples.at[r, "plant"]))
                for w, r in zip(wells, rows, strict=True)
                if records.samples.at[r, "role"] == Role.PROGENY
            ]
            places = np.array([p for p, _ in plants], dtype=np.int64)
            layout = named_stretch(plate, c.detail, places) or part_layout(
                plate, c.detail, places, [name for _, name in plants]
            )
        else:
            layout = layout_of(plate, c.kind, c.detail)
    except ValueError as e:
        raise RefusedRow("detail", c.detail, f"{e}.", "Copy the row from the proposal.") from None
    at = {w.row * plate.columns + w.column: r for w, r in zip(wells, rows, strict=True)}
    source = {r: at.get(int(layout.source[p])) for p, r in at.items()}
    filled = [r for r in rows if source.get(r) is not None]
    # What a sample without a well holds is as unknown as what came from an empty place.
    gone = [r for r in every if source.get(r) is None]
    used = {s for s in source.values() if s is not None}
    lost = [r for r in rows if r not in used]
    lost_names = [str(records.samples.at[r, "sample_id"]) for r in lost]
    lost_plants = records.samples.loc[lost].copy()
    moved = [r for r in filled if source[r] != r]
    _move(records, filled, [int(source[r]) for r in filled])  # type: ignore[arg-type]
    _lose(records, lost_plants, gone)
    text = f"plate {c.target} read as {layout.words}: {count_of(len(moved), 'well')} re-labelled"
    if gone:
        text += f", {count_of(len(gone), 'well')} left out (nothing is known of what they hold)"
    if lost_names:
        text += f", without a well now: what the sheet lists as {first_of(lost_names, 12)}"
    return text


def _lose(records: RecordsAtWork, plants: pd.DataFrame, places: list[int]) -> None:
    """Take out rows whose contents are not known; `plants` that lost their well stay known under the names
    of their samples, which bear no calls of theirs.
    """
    contents = [c for c in plants.columns if c not in DATA_COLUMNS]
    for row, plant in zip(places, plants.index, strict=False):
        for column in contents:
            records.samples.at[row, column] = plants.at[plant, column]
        records.samples.loc[row, ["plate", "well"]] = ""
    records.set_rows_apart(places[: len(plants)])
    records.samples = records.samples.drop(index=places[len(plants) :])


def _exchange(records: RecordsAtWork, c: Correction) -> str:
    if c.target == c.other:
        raise RefusedRow(
            "other", c.other, "a plate cannot be exchanged with itself.", "Name the other plate."
        )
    a_rows, b_rows = records.plate("target", c.target), records.plate("other", c.other)
    by_well = [
        {well: int(r) for r in rows if (well := records.well(r)) is not None} for rows in (a_rows, b_rows)
    ]
    shared = sorted(set(by_well[0]) & set(by_well[1]))
    a = [by_well[0][w] for w in shared]
    b = [by_well[1][w] for w in shared]
    _move(records, a + b, b + a)
    alone = [int(r) for r in (*a_rows, *b_rows) if int(r) not in {*a, *b}]
    records.set_rows_apart(alone)
    text = f"plates {c.target} and {c.other} exchanged: {count_of(len(a) + len(b), 'well')} re-labelled"
    if alone:
        text += f", {count_of(len(alone), 'well')} left out that only one of the two sheets lists"
    return text


def _swap_wells(records: RecordsAtWork, c: Correction) -> str:
    a, b = records.place("target", c.target), records.place("other", c.other)
    if a == b:
        raise RefusedRow("other", c.other, "a well cannot be swapped with itself.", "Name the other well.")
    _move(records, [a, b], [b, a])
    return f"wells {c.target} and {c.other} swapped"


def _tags(records: RecordsAtWork, c: Correction) -> str:
    records.cross("target", c.target), records.cross("other", c.other)
    if c.target == c.other:
        raise RefusedRow("other", c.other, "a tag cannot be swapped with itself.", "Name the other cross.")
    ids = records.samples["cross_id"]
    mine, theirs = ids == c.target, ids == c.other
    mutual = c.kind is CorrectionKind.SWAP_TAGS
    told = {c.target: c.other, c.other: c.target} if mutual else {c.target: c.other}
    for frame in records.frames():
        frame["cross_id"] = frame["cross_id"].replace(told)
    if mutual:
        return (
            f"tags {c.target} and {c.other} swapped: {count_of(int(mine.sum()), 'sample')} and "
            f"{count_of(int(theirs.sum()), 'sample')} re-labelled"
        )
    return f"{count_of(int(mine.sum()), 'sample')} tagged {c.target} taken as {c.other}"


def _swap_pods(records: RecordsAtWork, c: Correction) -> str:
    a, b = records.pod("target", c.target), records.pod("other", c.other)
    if a[0] == b[0] and a[1] == b[1]:
        raise RefusedRow("other", c.other, "a pod cannot be swapped with itself.", "Name the other pod.")
    counts = []
    for frame in records.frames():
        rows = [(frame["cross_id"] == x) & (frame["pod"] == p) for x, p in (a, b)]
        for mine, (cross, pod) in zip(rows, (b, a), strict=True):
            frame.loc[mine, "cross_id"] = cross
            frame.loc[mine, "pod"] = pod
        counts += [count_of(int(mine.sum()), "sample") for mine in rows]
    return f"pods {c.target} and {c.other} swapped: {counts[0]} and {counts[1]} re-labelled"


def _reverse_cross(records: RecordsAtWork, c: Correction) -> str:
    row = records.cross("target", c.target)
    mother, father = records.crosses.at[row, "mother"], records.crosses.at[row, "father"]
    records.crosses.at[row, "mother"], records.crosses.at[row, "father"] = father, mother
    return f"{c.target} taken as {father} x {mother}"


def _parent_is(records: RecordsAtWork, c: Correction) -> str:
    row, line = records.cross("target", c.target), records.line("other", c.other)
    column = "mother" if c.kind is CorrectionKind.MOTHER_IS else "father"
    was = records.crosses.at[row, column]
    records.crosses.at[row, column] = line
    return f"{column} of {c.target} taken as {line}, not {was or 'unknown'}"


def _line_is(records: RecordsAtWork, c: Correction) -> str:
    records.line("target", c.target), records.line("other", c.other)
    detail = c.detail.strip().lower()
    if detail not in LINE_DETAILS:
        raise RefusedRow(
            "detail",
            c.detail,
            "it does not say which use of the line is meant.",
            f"Write one of {', '.join(LINE_DETAILS)}.",
        )
    parts = []
    if detail in ("tubes", "both"):
        tubes = records.samples["line"] == c.target
        records.samples.loc[tubes, "line"] = c.other
        parts.append(count_of(int(tubes.sum()), "tube"))
    if detail in ("crosses", "both"):
        n = 0
        for column in ("mother", "father"):
            made = records.crosses[column] == c.target
            records.crosses.loc[made, column] = c.other
            n += int(made.sum())
        parts.append(count_of(n, "crossing parent"))
    return f"line {c.target} taken as {c.other}: {' and '.join(parts)}"


def _swap_lines(records: RecordsAtWork, c: Correction) -> str:
    records.line("target", c.target), records.line("other", c.other)
    a, b = records.samples["line"] == c.target, records.samples["line"] == c.other
    records.samples.loc[a, "line"] = c.other
    records.samples.loc[b, "line"] = c.target
    return f"tubes of {c.target} and {c.other} swapped: {int(a.sum())} and {int(b.sum())}"


def _sample_is(records: RecordsAtWork, c: Correction) -> str:
    rows = records.sample("target", c.target)
    line = records.line("other", c.other)
    if not (records.samples.loc[rows, "role"] == Role.PARENT).all():
        raise RefusedRow(
            "target", c.target, "this sample is not a parent sample.", "Name a sample whose role is parent."
        )
    was = ", ".join(sorted(set(records.samples.loc[rows, "line"])))
    records.samples.loc[rows, "line"] = line
    return f"parent sample {c.target} taken as {line}, not {was}"


def _place_key(text: str) -> str:
    """A place in one way of writing, P1:A1 for P1:A01; any other text as it is."""
    plate, colon, well = text.rpartition(":")
    try:
        return f"{plate}:{parse_well(well).name}" if colon else text
    except ValueError:
        return text


def _drop(records: RecordsAtWork, c: Correction) -> str:
    if _place_key(c.target) in records.left_out:
        return f"data of {c.target} not used, as a row above says already"
    if c.kind is CorrectionKind.IGNORE_SAMPLE:
        rows = records.sample("target", c.target)
    else:
        rows = pd.Index([records.place("target", c.target)])
    for r in rows:
        plate, well = records.samples.at[r, "plate"], records.samples.at[r, "well"]
        records.left_out |= {str(records.samples.at[r, "sample_id"]), _place_key(f"{plate}:{well}")}
    names = ", ".join(str(records.samples.at[r, "sample_id"]) for r in rows)
    records.set_rows_apart(rows)
    return f"data of {names} not used"


def _dismiss(records: RecordsAtWork, c: Correction) -> str:
    records.dismissed.add((c.target, c.detail.strip().lower()))
    return f"finding about {c.target} set aside" + (f" ({c.detail})" if c.detail else " (all kinds)")


_APPLY: dict[CorrectionKind, Callable[[RecordsAtWork, Correction], str]] = {
    **dict.fromkeys(LAYOUT_KINDS, _layout),
    CorrectionKind.EXCHANGE_PLATES: _exchange,
    CorrectionKind.SWAP_WELLS: _swap_wells,
    CorrectionKind.SWAP_TAGS: _tags,
    CorrectionKind.TAG_IS: _tags,
    CorrectionKind.SWAP_PODS: _swap_pods,
    CorrectionKind.REVERSE_CROSS: _reverse_cross,
    CorrectionKind.MOTHER_IS: _parent_is,
    CorrectionKind.FATHER_IS: _parent_is,
    CorrectionKind.LINE_IS: _line_is,
    CorrectionKind.SWAP_LINES: _swap_lines,
    CorrectionKind.SAMPLE_IS: _sample_is,
    CorrectionKind.IGNORE_SAMPLE: _drop,
    CorrectionKind.EXCLUDE_WELL: _drop,
    CorrectionKind.DISMISS: _dismiss,
}


def apply_corrections(
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    corrections: pd.DataFrame | None,
    *,
    file: str = "corrections.csv",
) -> Corrected:
    """Corrected copies of samples and crosses.

    Parameters: `samples`, `crosses` as `read_season` gives them; `corrections` with columns kind, target,
    other, detail, note (and `_row`), or None; `file` the name that problems show.
    Returns copies, an echo of every row applied, and a problem for every row that cannot be. A plant that
    was named after its sample keeps that name when it moves to another well.
    """
    records = RecordsAtWork(samples.copy(), crosses.copy())
    if corrections is None or len(corrections) == 0:
        return Corrected(records.samples, records.crosses)
    applied: list[Applied] = []
    problems: list[Problem] = []
    seen: dict[Correction, int] = {}
    for i, (_, row) in enumerate(corrections.iterrows()):
        line = int(row["_row"]) if "_row" in corrections.columns else i + 2
        kind_text = cell_text(row, "kind")
        c = correction_of(row)
        if c is None:
            problems.append(_unknown_kind(kind_text, file, line))
            continue
        bare = without_note(c)
        if bare in seen:
            problems.append(
                warning(
                    file,
                    f"This row repeats row {seen[bare]} and would undo or repeat it; it was not applied.",
                    "Delete one of the two.",
                    row=line,
                    column="kind",
                    value=kind_text,
                )
            )
            continue
        seen[bare] = line
        try:
            effect = _APPLY[c.kind](records, c)
        except RefusedRow as e:
            problems.append(error(file, e.problem, e.remedy, row=line, column=e.column, value=e.value))
            continue
        applied.append(Applied(c, line, effect))
    return Corrected(
        records.samples,
        records.crosses,
        tuple(applied),
        frozenset(records.dismissed),
        tuple(problems),
        records.without_data(),
        frozenset(_names(samples) - _names(records.samples)),
    )


def _names(samples: pd.DataFrame) -> set[str]:
    """Samples of a sheet; as objects at once, since a column of texts gives them one by one at ten times the
    cost."""
    return set(samples["sample_id"].to_numpy(dtype=object))


def _unknown_kind(text: str, file: str, line: int) -> Problem:
    """A row whose kind is none that there is."""
    close = difflib.get_close_matches(text.lower(), [k.value for k in CorrectionKind], 1)
    remedy = f"Did you mean {close[0]!r}?" if close else "Copy the row from the proposal."
    return error(file, f"{text!r} is not a kind of correction.", remedy, row=line, column="kind", value=text)


def undismissed(findings: Iterable[Finding], dismissed: Iterable[tuple[str, str]]) -> tuple[Finding, ...]:
    """Findings less those that the user looked at and set aside in corrections.csv."""
    gone = {(subject, name.strip().lower()) for subject, name in dismissed}
    return tuple(f for f in findings if not {(f.subject, f.kind.value), (f.subject, "")} & gone)
