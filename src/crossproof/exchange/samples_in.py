"""Samples and plates of a BrAPI server as rows of samples sheets.

BrAPI does not say whether a sample is a parent, a progeny plant or a blank. It is told, in this order, from
1. `additionalInfo` of the sample (`role`, `cross_id`, `line`, `pod`, `plant`), as `crossproof publish` and
   the planner's sheets write it;
2. its germplasm: a parent of a cross on record, or a line by its MCPD status;
3. its observation unit: the cross it names;
4. the pedigree of its germplasm in Purdy notation, where just one cross has these two parents.
A sample that none of these settles is left out of the sheets and listed, never guessed.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from crossproof.exchange.brapi_records import LeftOut, Notes, Record
from crossproof.exchange.crosses_in import CrossRow, left_out
from crossproof.model.plates import PLATE_FORMATS, Well, parse_well, row_letters

PLATE_FORMATS_KNOWN = ("PLATE_96", "TUBES")
LINE_STATUS = ("300", "410", "413", "414", "500")
"""Accession status of a line: landrace, breeder's line, founder stock, inbred line, cultivar (FAO/Bioversity
Multi-Crop Passport Descriptors V.2.1, 2015, descriptor SAMPSTAT; memory)."""

BLANK_TYPES = ("blank", "empty", "ntc", "negative control", "no template control")
ROLES = ("parent", "progeny", "blank")


@dataclass(frozen=True)
class Germplasm:
    """A line or a progeny as the server knows it; `pedigree` in Purdy notation, `status` an MCPD code."""

    name: str
    pedigree: str
    status: str


@dataclass
class Links:
    """What samples can be linked to.

    `germplasm`, `units` (observation unit to cross id on the server), `plates` (id to name): by their ids.
    `crosses`: rows as read.
    """

    germplasm: Mapping[str, Germplasm]
    crosses: Sequence[CrossRow]
    plates: Mapping[str, str]
    units: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.by_id = {c.db_id: c.row["cross_id"] for c in self.crosses}
        self.by_name = {c.row["cross_id"]: c.row["cross_id"] for c in self.crosses}
        self.lines: dict[str, str] = {}
        self.by_parents: dict[tuple[str, str], list[str]] = {}
        for c in self.crosses:
            self.by_parents.setdefault((c.row["mother"], c.row["father"]), []).append(c.row["cross_id"])
            self.lines[c.mother_id], self.lines[c.father_id] = c.row["mother"], c.row["father"]
        self.lines.pop("", None)


def read_germplasm(record: Record) -> tuple[str, Germplasm]:
    """Id and facts of one germplasm record."""
    db_id = record.text("germplasmDbId", required=True)
    name = record.text("germplasmName") or record.text("defaultDisplayName") or db_id
    return db_id, Germplasm(name, record.text("pedigree"), record.text("biologicalStatusOfAccessionCode"))


def read_plates(records: Sequence[Record]) -> dict[str, str]:
    """Name of each plate id; a format that the standard lacks is told, and its wells are kept."""
    names: dict[str, str] = {}
    for record in records:
        db_id, name = record.text("plateDbId", required=True), record.text("plateName", required=True)
        told = record.text("plateFormat")
        if told and told not in PLATE_FORMATS_KNOWN:
            record.notes.once(
                record.where,
                f"The plate format {told!r} is none of BrAPI v2.1's ({', '.join(PLATE_FORMATS_KNOWN)}).",
                "No action is needed: wells are read by their names, up to 1536 of them.",
                value=name,
                column="plateFormat",
            )
        names[db_id] = name
    count = Counter(names.values())
    return {i: f"{n} ({i})" if count[n] > 1 else n for i, n in names.items()}


def read_samples(
    records: Sequence[Record], links: Links, notes: Notes
) -> tuple[list[dict[str, str]], list[LeftOut]]:
    """Rows of samples sheets, in the server's order, and the samples whose role nothing tells."""
    rows: list[dict[str, str]] = []
    out: list[LeftOut] = []
    for record in records:
        db_id, name = record.text("sampleDbId", required=True), record.text("sampleName", required=True)
        info = record.free("additionalInfo")
        row = {"sample_id": name, "plate": _plate(record, links), "well": _well(record)}
        role, why = _role(record, info, links)
        if why:
            remedy = (
                "Say on the server what it is: additionalInfo {role, cross_id or line}; or add it by hand."
            )
            out.append(left_out("sample", record, db_id, name, why, remedy))
            continue
        row |= role
        for column in ("pod", "plant", "place", "inbreeding"):
            if column in info:
                row[column] = info[column]
        row["sample_db_id"] = db_id
        for column, key in _KEPT.items():
            if value := record.text(key):
                row[column] = value
        rows.append(row)
    _tell_large(rows, notes)
    return rows, out


_KEPT = {
    "plate_db_id": "plateDbId",
    "germplasm_db_id": "germplasmDbId",
    "taken_by": "takenBy",
    "sample_timestamp": "sampleTimestamp",
    "tissue_type": "tissueType",
    "sample_barcode": "sampleBarcode",
}


def _plate(record: Record, links: Links) -> str:
    db_id, name = record.text("plateDbId"), record.text("plateName")
    return links.plates.get(db_id) or name or db_id


def _well(record: Record) -> str:
    """Name of the well from `well`, else from `row` and `column`; both, where given, must agree."""
    text, letters, column = record.text("well"), record.text("row"), record.whole("column")
    placed = ""
    if letters and column is not None:
        try:
            placed = parse_well(f"{letters}{column}").name
        except ValueError:
            record.warn("row", f"Row {letters!r} and column {column} are not a well.", "Fill in the well.")
    if not text:
        return placed
    try:
        named = parse_well(text).name
    except ValueError:
        if re.fullmatch(r"\d+", text):
            # A tube rack numbers its places; that is no position on a plate.
            return placed
        # The sheet keeps it, so that the check of the sheet names the row to mend.
        return text
    if placed and placed != named:
        record.warn(
            "well",
            f"The well differs from row and column ({placed}); the well is kept.",
            "See which is right, and correct the sheet.",
        )
    return named


def _role(record: Record, info: Mapping[str, str], links: Links) -> tuple[dict[str, str], str]:
    """Role, line and cross of a sample; or nothing and why not."""
    if stated := info.get("role", "").casefold():
        return _stated_role(stated, record, info, links)
    germplasm = record.text("germplasmDbId")
    if germplasm in links.lines:
        return {"role": "parent", "line": links.lines[germplasm]}, ""
    if cross := _cross_of_unit(record, links):
        return {"role": "progeny", "cross_id": cross}, ""
    known = links.germplasm.get(germplasm)
    if known and known.status in LINE_STATUS:
        return {"role": "parent", "line": known.name}, ""
    if known and known.pedigree:
        return _by_pedigree(known, links)
    if record.text("sampleType").casefold() in BLANK_TYPES and not germplasm:
        return {"role": "blank"}, ""
    return {}, "Nothing says whether it is a parent, a progeny plant or a blank."


def _stated_role(
    stated: str, record: Record, info: Mapping[str, str], links: Links
) -> tuple[dict[str, str], str]:
    """The role that a sample's `additionalInfo` states, with the line or cross that goes with it."""
    if stated == "blank":
        return {"role": "blank"}, ""
    if stated == "parent":
        line = info.get("line") or _line(record, links)
        return ({"role": "parent", "line": line}, "") if line else ({}, "The parent's line is not given.")
    if stated != "progeny":
        return {}, f"additionalInfo.role is {stated!r}, which is none of {', '.join(ROLES)}."
    given = info.get("cross_id") or info.get("cross_db_id") or info.get("crossdbid") or ""
    cross = links.by_id.get(given) or links.by_name.get(given) or _cross_of_unit(record, links)
    if not cross:
        return {}, f"The cross {given!r} of this plant is not among the crosses fetched."
    return {"role": "progeny", "cross_id": cross}, ""


def _line(record: Record, links: Links) -> str:
    germplasm = record.text("germplasmDbId")
    known = links.germplasm.get(germplasm)
    return links.lines.get(germplasm) or (known.name if known else "")


def _cross_of_unit(record: Record, links: Links) -> str:
    return links.by_id.get(links.units.get(record.text("observationUnitDbId"), ""), "")


def _by_pedigree(known: Germplasm, links: Links) -> tuple[dict[str, str], str]:
    parts = [p.strip() for p in known.pedigree.split("/")]
    if len(parts) != 2 or not all(parts):
        return {}, f"The pedigree {known.pedigree!r} is not a single cross of two lines."
    crosses = links.by_parents.get((parts[0], parts[1]), [])
    if len(crosses) != 1:
        return {}, f"{len(crosses)} crosses on record have the pedigree {known.pedigree!r}."
    return {"role": "progeny", "cross_id": crosses[0]}, ""


def _tell_large(rows: Sequence[dict[str, str]], notes: Notes) -> None:
    """Say which plates do not fit the standard's 8 rows and 12 columns."""
    small = PLATE_FORMATS[0]
    large = {
        r["plate"]: r["well"] for r in rows if _is_well(r["well"]) and parse_well(r["well"]) not in small
    }
    for plate, well in large.items():
        notes.once(
            f"samples, plate {plate}",
            f"Plate {plate!r} has wells beyond the 8 rows and 12 columns that BrAPI v2.1 provides for.",
            "No action is needed: they are kept as they are.",
            value=well,
            column="well",
        )


def _is_well(text: str) -> bool:
    try:
        parse_well(text)
    except ValueError:
        return False
    return True


def standard_position(well: Well) -> dict[str, str | int]:
    """Row, column and well of a sample as BrAPI v2.1 has them; a column beyond 12 does not fit and is left to
    the well's name."""
    position: dict[str, str | int] = {"row": row_letters(well.row), "well": well.name}
    if well.column < PLATE_FORMATS[0].columns:
        position["column"] = well.column + 1
    return position
