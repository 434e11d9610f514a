"""Parents that were never typed: what waits for a tube of them, said once for each line."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field

import pandas as pd

from crossproof.errors import Severity
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.crosses import UNTYPED
from crossproof.io.sheets.names import did_you_mean, loose_index, meant
from crossproof.model.plates import Role
from crossproof.text import count_of


@dataclass
class _Use:
    """Where a line is a parent: the first place, and its crosses as mother and as father."""

    file: str
    row: int
    crosses: dict[str, list[str]] = field(default_factory=dict)

    @property
    def column(self) -> str:
        return "mother" if "mother" in self.crosses else "father"


def parents_in_no_sheet(crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    """Parents of which no sheet of wells has a parent well."""
    lines = set(samples.loc[samples["role"] == Role.PARENT, "line"]) - {""}
    index = loose_index(lines)

    def remedy(name: str, use: _Use) -> str:
        close = meant(name, (), index)
        if close:
            n_crosses = sum(map(len, use.crosses.values()))
            return f"{did_you_mean(name, close)} ({count_of(n_crosses, 'cross', 'crosses')})"
        return "Type one tube of it, preferably two, and list its well as a parent; or correct the name."

    _say(crosses, samples, lambda name: name not in lines, "No parent well has this line: it", remedy, notes)


def parents_without_calls(
    crosses: pd.DataFrame, samples: pd.DataFrame, typed: Collection[str], notes: Problems
) -> None:
    """Parents that are in a sheet but have no calls; those in no sheet are found without the calls."""
    listed = set(samples.loc[samples["role"] == Role.PARENT, "line"]) - set(typed) - {""}
    _say(
        crosses,
        samples,
        lambda name: name in listed,
        "None of the samples of this line is in a genotype file: it",
        lambda name, use: "Type one tube of it, preferably two.",
        notes,
    )


def _say(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    concerned: Callable[[str], bool],
    start: str,
    remedy: Callable[[str, _Use], str],
    notes: Problems,
) -> None:
    uses: dict[str, _Use] = {}
    columns = (
        crosses[c].to_numpy(dtype=object).tolist() for c in ("cross_id", "mother", "father", "_file", "_row")
    )
    for cross, mother, father, file, row in zip(*columns, strict=True):
        for column, name in (("mother", mother), ("father", father)):
            if name and concerned(name):
                uses.setdefault(name, _Use(file, row)).crosses.setdefault(column, []).append(cross)
    if not uses:
        return
    progeny = samples[samples["role"] == Role.PROGENY]
    plants = progeny.groupby("cross_id")["plant"].nunique().to_dict()
    for name, use in uses.items():
        own = {c for group in use.crosses.values() for c in group}
        waiting = sum(plants.get(c, 0) for c in own)
        n = f"{waiting} plant{'' if waiting == 1 else 's'} {'waits' if waiting == 1 else 'wait'}"
        fault = Fault(
            f"{start} was never genotyped. {count_of(len(own), 'cross', 'crosses')}, {n} for one tube of it: "
            f"{UNTYPED[use.column]}.",
            remedy(name, use),
            Severity.WARNING,
        )
        notes.note(fault, file=use.file, row=use.row, column=use.column, value=name)
