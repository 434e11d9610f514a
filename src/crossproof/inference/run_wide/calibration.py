"""The run-wide estimates as they are kept: call error rates of markers, departure of parents, class prior.

How they are made: `expectation.py` (what families and lines tell under given estimates), `estimation.py`
(rounds of it).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.lines.panel import Panel


@dataclass(frozen=True)
class Calibration:
    """Run-wide estimates, to be kept and used frozen by later runs so that a new plate shifts no old verdict.

    Plain lists keyed by marker id; `q`: pool frequency by allele name. Markers that are not named here get
    fresh estimates. `says`: cross, mother, father, and what that family says of the typing of either
    (`family_says`); None: to be asked anew.
    """

    h: float
    class_prior: tuple[float, ...]
    markers: tuple[str, ...]
    false_heterozygote: tuple[float, ...]
    dropout: tuple[float, ...]
    set_aside: tuple[str, ...]
    q: tuple[Mapping[str, float], ...]
    says: tuple[tuple[str, str, str, int, int], ...] | None = None

    def to_dict(self) -> dict[str, Any]:
        """As plain data for a JSON file; numbers rounded to six decimals."""
        return {
            "h": round(self.h, 6),
            "class_prior": [round(x, 6) for x in self.class_prior],
            "families_say": {cross: rest for cross, *rest in self.says or ()},
            "markers": {
                name: {
                    "false_heterozygote": round(f, 6),
                    "dropout": round(d, 6),
                    "set_aside": why,
                    "q": {allele: round(value, 6) for allele, value in q.items()},
                }
                for name, f, d, why, q in zip(
                    self.markers, self.false_heterozygote, self.dropout, self.set_aside, self.q, strict=True
                )
            },
        }


def calibration_from_dict(data: Mapping[str, Any]) -> Calibration:
    """The `Calibration` that `to_dict` wrote."""
    items = sorted(data["markers"].items())
    return Calibration(
        float(data["h"]),
        tuple(float(x) for x in data["class_prior"]),
        tuple(name for name, _ in items),
        tuple(float(x["false_heterozygote"]) for _, x in items),
        tuple(float(x["dropout"]) for _, x in items),
        tuple(str(x["set_aside"]) for _, x in items),
        tuple({str(a): float(v) for a, v in x["q"].items()} for _, x in items),
        tuple(
            (c, str(m), str(f), int(a), int(b)) for c, (m, f, a, b) in sorted(data["families_say"].items())
        ),
    )


def calibration_of(panel: Panel, wells: Wells, earlier: Calibration | None = None) -> Calibration:
    """The estimates a panel was made with; what `earlier` has stays to the digit, markers it lacks are added.

    A panel scales frequencies and shares to sum 1: written again they would wander in the last digit.
    """
    markers = wells.markers
    entries: dict[str, tuple[float, float, str, Mapping[str, float]]] = {}
    if earlier is not None:
        for i, name in enumerate(earlier.markers):
            entries[name] = (
                earlier.false_heterozygote[i],
                earlier.dropout[i],
                earlier.set_aside[i],
                earlier.q[i],
            )
    for block in panel.blocks:
        for place, row in enumerate(block.rows):
            name = str(markers.ids[row])
            if name in entries:
                continue
            q = dict(zip(markers.alleles[row], (float(x) for x in block.q[place]), strict=True))
            entries[name] = (
                float(panel.f[row]),
                float(panel.d[row]),
                str(panel.set_aside[row]),
                q,
            )
    names = sorted(entries)
    says = earlier.says if earlier is not None and earlier.says is not None else _says_of(panel)
    columns: list[tuple[Any, ...]] = [tuple(entries[n][i] for n in names) for i in range(4)]
    return Calibration(
        panel.h if earlier is None else earlier.h,
        tuple(float(x) for x in panel.class_prior) if earlier is None else earlier.class_prior,
        tuple(names),
        columns[0],
        columns[1],
        columns[2],
        columns[3],
        says,
    )


def _says_of(panel: Panel) -> tuple[tuple[str, str, str, int, int], ...]:
    """What the sample's families say of their parents' typing, those that say anything."""
    return tuple(
        (str(cross), str(mother), str(father), int(a), int(b))
        for cross, (mother, father), (a, b) in zip(
            panel.sample_cross, panel.sample_parents, panel.sample_says, strict=True
        )
        if a or b
    )
