"""A season's materials, events and samples in the terms of MIAPPE v1.2, for run.json.

Names of fields follow the MIAPPE checklist (v1.2): a plant of a cross has the material source
"mother X father" ("mother X UNKNOWN" where the father is not known), as the checklist asks for material from
a crossing of known accessions. Dates are ISO 8601.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

MIAPPE_VERSION = "1.2"
MOST_LISTED = 50
"""Materials, events and samples listed one by one; of more, how many there are and which table has them.
`crossproof publish` writes all of them to results/exchange/miappe.json."""

_WHERE = {
    "biologicalMaterials": "results/verdicts.csv and results/lines.csv",
    "events": "results/crosses.csv",
    "samples": "results/samples.csv",
}


def miappe_block(
    crosses: pd.DataFrame, samples: pd.DataFrame, *, title: str = "", most: int | None = MOST_LISTED
) -> dict[str, Any]:
    """Study, biological materials, events and samples of a season.

    Parameters: `crosses`, `samples` as `Season` holds them; `title`: crop and season. `most`: entries listed
    of each kind (None: all); the counts always cover all.
    Returns plain data for JSON: `biologicalMaterialId`, `materialSourceId`, `eventType`, `eventDate`,
    `sampleId`, `collectionDate`.
    """
    lines = _lines(samples)
    plants = samples[samples["role"] == "progeny"].drop_duplicates(["cross_id", "plant"])
    dated, filled = crosses[crosses["date"] != ""], samples[samples["role"] != "blank"]
    dates = sorted(dated["date"].tolist())
    block: dict[str, Any] = {
        "miappeVersion": MIAPPE_VERSION,
        "investigationTitle": title or "Verification of hand crosses",
        "study": {
            "studyTitle": title or "Verification of hand crosses",
            "startDate": dates[0] if dates else "",
            "endDate": dates[-1] if dates else "",
            "observationUnitDescription": "single plants harvested from tagged hand crosses",
        },
    }
    entries = (
        ("biologicalMaterials", len(lines) + len(plants), lines + _plants(crosses, plants[:most])),
        ("events", len(dated), _events(dated[:most])),
        ("samples", len(filled), _samples(filled[:most])),
    )
    for name, count, made in entries:
        listed = made[:most]
        block[name] = {"count": count, "listed": listed}
        if len(listed) < count:
            block[name]["all"] = _WHERE[name]
    return block


def _lines(samples: pd.DataFrame) -> list[dict[str, str]]:
    parents = samples[(samples["role"] == "parent") & (samples["line"] != "")]
    source = parents.groupby("line", sort=True).first()
    ids = source["germplasm_db_id"] if "germplasm_db_id" in source else pd.Series("", index=source.index)
    return [
        {"biologicalMaterialId": str(line), "materialSourceId": str(ids[line] or line)}
        for line in source.index
    ]


def _plants(crosses: pd.DataFrame, plants: pd.DataFrame) -> list[dict[str, str]]:
    parents = _parents(crosses)
    return [
        {"biologicalMaterialId": str(plant), "materialSourceId": parents.get(cross, "UNKNOWN X UNKNOWN")}
        for plant, cross in zip(plants["plant"], plants["cross_id"], strict=True)
    ]


def _parents(crosses: pd.DataFrame) -> Mapping[str, str]:
    columns = (crosses["cross_id"], crosses["mother"], crosses["father"])
    return {c: f"{m or 'UNKNOWN'} X {f or 'UNKNOWN'}" for c, m, f in zip(*columns, strict=True)}


def _events(crosses: pd.DataFrame) -> list[dict[str, str]]:
    columns = (crosses["cross_id"], crosses["date"], crosses["time"])
    return [
        {
            "eventType": "hand pollination",
            "eventDate": f"{date}T{time}" if time else date,
            "eventDescription": f"cross {cross}",
        }
        for cross, date, time in zip(*columns, strict=True)
    ]


def _samples(samples: pd.DataFrame) -> list[dict[str, str]]:
    """Samples with their material; a collection date only where the sheet has one."""
    material = samples["line"].where(samples["role"] == "parent", samples["plant"])
    dates = next((samples[c] for c in ("collection_date", "sample_timestamp") if c in samples), None)
    listed = []
    for row, (name, of) in enumerate(zip(samples["sample_id"], material, strict=True)):
        entry = {"sampleId": str(name), "biologicalMaterialId": str(of)}
        if dates is not None and dates.iloc[row]:
            entry["collectionDate"] = str(dates.iloc[row])
        listed.append(entry)
    return listed
