"""The wells of a season as the report shows them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from crossproof.model.plates import parse_well
from crossproof.report.content.inputs import ReportInputs, numbers, texts


def well_table(inputs: ReportInputs) -> pd.DataFrame:
    """One row per well that has a readable position: plate, well, role, line, plant, call_rate, findings."""
    asked = (inputs.samples, inputs.verdicts)
    if not _LAST or any(last is not now for last, now in zip(_LAST[0][0], asked, strict=True)):
        _LAST[:] = [(asked, _wells_of(inputs))]
    return _LAST[0][1]


_LAST: list[tuple[tuple[pd.DataFrame, pd.DataFrame], pd.DataFrame]] = []
"""The wells last asked for, with the tables that they are from: several parts of a report ask for them."""


def _wells_of(inputs: ReportInputs) -> pd.DataFrame:
    source = inputs.samples if len(inputs.samples) else inputs.verdicts.assign(role="progeny")
    table = pd.DataFrame(
        {c: texts(source, c) for c in ("plate", "well", "role", "line", "plant", "findings")}
    )
    table["call_rate"] = numbers(source, "call_rate")
    table["sample_id"] = texts(source, "sample_id")
    if not len(inputs.samples):
        table["findings"] = ""
    places = zip(table["plate"].tolist(), table["well"].tolist(), strict=True)
    readable = np.array([p != "" and readable_well(w) for p, w in places], dtype=bool)
    return table if readable.all() else table[readable].reset_index(drop=True)


@lru_cache(maxsize=1 << 13)
def readable_well(well: str) -> bool:
    """Whether a text is a well position such as A1."""
    try:
        parse_well(well)
    except ValueError:
        return False
    return True
