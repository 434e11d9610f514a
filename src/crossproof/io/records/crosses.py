"""The crosses sheet: one row per tag."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence

import pandas as pd

from crossproof.errors import Severity
from crossproof.io.config.season_config import Config
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.cross_text import split_cross
from crossproof.io.records.raw_tables import RawTable
from crossproof.io.sheets.names import skeleton
from crossproof.io.sheets.values import date_order, decimal_sign, read_date, read_temperature, read_time

UNTYPED = {
    "mother": "its crosses are judged by the father and the plants alone",
    "father": "a plant can be told from a self, but its father cannot be proven",
}
"""What it means that a parent is not known or not genotyped."""


def crosses_frame(
    raw: RawTable, config: Config, known_lines: Collection[str], today: dt.date, notes: Problems
) -> pd.DataFrame:
    """The crosses as typed columns; what is wrong with them goes to `notes`."""
    n = len(raw)
    cross_id = raw.plain("cross_id", notes)
    _repeated(raw, cross_id, notes)
    mother, father = _parents(raw, known_lines, notes)
    order = date_order(raw.columns["date"], config.date_order)
    date = raw.values("date", lambda text: read_date(text, today, order), notes)
    pointed = decimal_sign(raw.columns["temperature_c"])
    time = raw.values("time", read_time, notes)
    counts = {name: raw.plain(name, notes) for name in ("flowers", "pods", "seeds", "target_hybrids")}
    temperature = raw.values(
        "temperature_c", lambda text: read_temperature(pointed(text), raw.table["temperature_c"]), notes
    )
    anthers = raw.plain("anthers_removed", notes)
    _check_counts(raw, counts, anthers, config, notes)
    frame = pd.DataFrame(
        {
            "cross_id": text(cross_id),
            "mother": text(mother),
            "father": text(father),
            "date": text(date),
            "time": text(time),
            "hour": pd.Series([_hour(t) for t in time], dtype="float64"),
            "week": text([_week(d) for d in date]),
            "operator": text(raw.plain("operator", notes)),
            "flowers": pd.Series([1 if f is None else f for f in counts["flowers"]], dtype="int64"),
            "pods": pd.Series(counts["pods"], dtype="Int64"),
            "seeds": pd.Series(counts["seeds"], dtype="Int64"),
            "temperature_c": pd.Series(temperature, dtype="float64"),
            "anthers_removed": pd.Series(anthers, dtype="float64"),
            "target_hybrids": pd.Series(
                [config.target_hybrids if t is None else t for t in counts["target_hybrids"]], dtype="Int64"
            ),
            "notes": text(raw.plain("notes", notes)),
        }
    )
    return with_extra(frame, raw, n)


def text(values: Sequence[str | None]) -> pd.Series:
    """A text column; nothing known is empty text."""
    return pd.Series(["" if v is None else v for v in values], dtype="str")


def with_extra(frame: pd.DataFrame, raw: RawTable, n: int) -> pd.DataFrame:
    """Add the columns that are not ours, and where each row stands."""
    assert len(frame) == n
    extra = {name: pd.Series(values, dtype="str") for name, values in raw.extra.items()}
    place = {"_file": pd.Series(raw.files, dtype="str"), "_row": pd.Series(raw.rows, dtype="int64")}
    return pd.concat([frame, pd.DataFrame({**extra, **place})], axis=1)


def _repeated(raw: RawTable, names: list[str], notes: Problems) -> None:
    first: dict[str, int] = {}
    for i, name in enumerate(names):
        if name and name in first:
            fault = Fault(
                f"This tag appears twice; the first is in row {raw.rows[first[name]]}.",
                "Give each cross a tag of its own, or delete the row that was entered twice.",
            )
            raw.note(notes, i, "cross_id", fault)
        first.setdefault(name, i)


def _parents(raw: RawTable, known_lines: Collection[str], notes: Problems) -> tuple[list[str], list[str]]:
    """Mother and father of each cross, from columns of their own or from the column cross."""
    mother, father = list(raw.plain("mother", notes)), list(raw.plain("father", notes))
    if not raw.present & {"mother", "father", "cross"} and len(raw):
        fault = Fault(
            "No column says who the parents are.",
            "Add the columns mother and father, or one column cross with: mother x father.",
        )
        notes.note(fault, file=raw.files[0], column="mother")
        raw.whole = False
        return mother, father
    known = {*known_lines, *raw.columns["cross_id"], *mother, *father} - {""}
    split = raw.values("cross", lambda t: split_cross(t, known) if t else (("", ""), None), notes)
    for place, (column, names) in enumerate((("mother", mother), ("father", father))):
        _fill_in(raw, column, names, [written[place] for written in split], notes)
    for column, names in (("mother", mother), ("father", father)):
        _not_given(raw, column, names, notes)
    for i, (left, right) in enumerate(zip(mother, father, strict=True)):
        if left and right and (alike := _alike(left, right)):
            raw.note(notes, i, "father", alike, right)
    return mother, father


def _fill_in(raw: RawTable, column: str, names: list[str], written: list[str], notes: Problems) -> None:
    """Take parents from the column cross where a column of theirs leaves them empty."""
    for i, (name, other) in enumerate(zip(names, written, strict=True)):
        if other and name and name != other:
            fault = Fault(
                f"The column {column} says {name!r}, the column cross says {other!r}.",
                "Correct one of the two.",
            )
            raw.note(notes, i, column, fault)
        names[i] = name or other


def _not_given(raw: RawTable, column: str, names: list[str], notes: Problems) -> None:
    """Warn of a parent that is given nowhere, once where a whole sheet lacks it."""
    if not raw.present & {column, "cross"} and len(raw):
        fault = Fault(
            f"No column says who the {column} is; {UNTYPED[column]}.",
            f"Add a column {column}, or say in config.yaml under columns: which heading means it.",
            Severity.WARNING,
        )
        notes.note(fault, file=raw.files[0], column=column)
        return
    fault = Fault(f"The {column} is not given; {UNTYPED[column]}.", "Fill it in.", Severity.WARNING)
    for i, name in enumerate(names):
        if not name and not raw.columns["cross"][i]:
            raw.note(notes, i, column, fault)


def _alike(mother: str, father: str) -> Fault | None:
    """What is wrong with parents whose names are the same, or nearly so."""
    if mother == father:
        return Fault(
            "Mother and father are the same line; a hybrid cannot be told from a self.",
            "Correct the parents; leave out plants that were selfed on purpose.",
        )
    if skeleton(mother) != skeleton(father):
        return None
    return Fault(
        f"Mother {mother!r} and father {father!r} look alike.",
        "If they are one line, correct the parents; if they are two, give them clearer names.",
        Severity.WARNING,
    )


def _check_counts(
    raw: RawTable,
    counts: dict[str, list[int | None]],
    anthers: list[float | None],
    config: Config,
    notes: Problems,
) -> None:
    pods_used = any(p is not None for p in counts["pods"])
    for i, (flowers, pods, seeds) in enumerate(
        zip(counts["flowers"], counts["pods"], counts["seeds"], strict=True)
    ):
        if pods is not None and pods > (1 if flowers is None else flowers):
            if flowers is None:
                problem = "There are more pods than flowers (flowers is empty, which counts as 1)."
                remedy = "Write how many flowers were pollinated."
            else:
                problem = f"There are more pods than flowers ({flowers})."
                remedy = "Correct the pods or the flowers; one flower gives at most one pod."
            raw.note(notes, i, "pods", Fault(problem, remedy))
        if seeds:
            if pods == 0:
                fault = Fault("There are seeds although there are no pods.", "Correct the seeds or the pods.")
                raw.note(notes, i, "seeds", fault)
            elif pods is None and pods_used and not raw.columns["pods"][i]:
                fault = Fault(
                    "There are seeds, but the pods are not given.",
                    "Write how many pods they came from.",
                    Severity.WARNING,
                )
                raw.note(notes, i, "seeds", fault)
        removed = anthers[i]
        if removed is not None and removed > config.anthers_per_flower:
            fault = Fault(
                f"More anthers were removed than a flower has ({config.anthers_per_flower}).",
                "Correct the number, or set anthers_per_flower in config.yaml for your crop.",
            )
            raw.note(notes, i, "anthers_removed", fault)


def _hour(time: str | None) -> float:
    return int(time[:2]) + int(time[3:]) / 60 if time else float("nan")


def _week(date: str | None) -> str:
    if not date:
        return ""
    year, week, _ = dt.date.fromisoformat(date).isocalendar()
    return f"{year}-W{week:02d}"
