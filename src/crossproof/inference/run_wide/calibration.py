"""The run-wide estimates as they are kept: call error rates of markers, departure of parents, class prior.

How they are made: `expectation.py` (what families and lines tell under given estimates), `maximisation.py`
(the estimates that this gives), `estimation.py` (rounds of both).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import astuple, dataclass
from typing import Any

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.lines.panel import Panel, TagRates


@dataclass(frozen=True)
class Calibration:
    """Run-wide estimates, to be kept and used frozen by later runs so that a new plate shifts no old verdict.

    Plain lists keyed by marker id; `q`: pool frequency by allele name. Markers that are not named here get
    fresh estimates. `says`: cross, mother, father, and what that family says of the typing of either
    (`family_says`); None: to be asked anew. `departing`: beside each of these, the probability that either
    parent plant is one of a heterogeneous line; `doubts`: as `Doubt.to_dict` writes them; `tag_rates`: the
    fields of `TagRates`; `quality`: factors by which wells of lower call rate err more.
    """

    h: float
    class_prior: tuple[float, ...]
    markers: tuple[str, ...]
    false_heterozygote: tuple[float, ...]
    dropout: tuple[float, ...]
    set_aside: tuple[str, ...]
    q: tuple[Mapping[str, float], ...]
    says: tuple[tuple[str, str, str, int, int], ...] | None = None
    departing: tuple[tuple[float, float], ...] = ()
    doubts: tuple[Mapping[str, Any], ...] = ()
    tag_rates: tuple[float, float, float, float] | None = None
    quality: tuple[float, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """As plain data for a JSON file; numbers rounded to six decimals."""
        return {
            "h": round(self.h, 6),
            "class_prior": [round(x, 6) for x in self.class_prior],
            "families_say": {
                said[0]: [*said[1:], *d] for said, d in zip(self.says or (), self.departing, strict=True)
            },
            "doubts": list(self.doubts),
            "well_quality": [round(x, 6) for x in self.quality],
            "tag_rates": [round(x, 6) for x in self.tag_rates or ()],
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
    said = sorted(data["families_say"].items())
    return Calibration(
        float(data["h"]),
        tuple(float(x) for x in data["class_prior"]),
        tuple(name for name, _ in items),
        tuple(float(x["false_heterozygote"]) for _, x in items),
        tuple(float(x["dropout"]) for _, x in items),
        tuple(str(x["set_aside"]) for _, x in items),
        tuple({str(a): float(v) for a, v in x["q"].items()} for _, x in items),
        tuple((c, str(s[0]), str(s[1]), int(s[2]), int(s[3])) for c, s in said),
        tuple((float(s[4]), float(s[5])) for _, s in said),
        tuple(data["doubts"]),
        tuple(astuple(TagRates(*(float(x) for x in data["tag_rates"])))),
        tuple(float(x) for x in data["well_quality"]),
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
    kept = earlier is not None and earlier.says is not None
    says, departing = _says_of(panel)
    doubts: tuple[Mapping[str, Any], ...] = tuple(
        d.to_dict(lambda r: [str(markers.ids[r]), *markers.alleles[r]]) for d in panel.doubts
    )
    tag_rates = astuple(panel.tag_rates)
    if earlier is not None and kept:
        says, departing, doubts = earlier.says or (), earlier.departing, earlier.doubts
    if earlier is not None and earlier.tag_rates is not None:
        tag_rates = earlier.tag_rates
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
        departing,
        doubts,
        tag_rates,
        tuple(panel.quality.tolist()) if earlier is None or not earlier.quality else earlier.quality,
    )


def _says_of(
    panel: Panel,
) -> tuple[tuple[tuple[str, str, str, int, int], ...], tuple[tuple[float, float], ...]]:
    """What the sample's families say of their parents' typing, and of plants that depart from their line."""
    said = sorted(
        (str(cross), str(mother), str(father), int(a), int(b), float(c), float(d))
        for cross, (mother, father), (a, b), (c, d) in zip(
            panel.sample_cross,
            panel.sample_parents,
            panel.sample_says,
            panel.sample_departing,
            strict=True,
        )
    )
    return tuple(s[:5] for s in said), tuple(s[5:] for s in said)
