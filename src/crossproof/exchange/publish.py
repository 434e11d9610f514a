"""`crossproof publish`: the verdicts of a run as BrAPI v2.1 crosses, samples and plates.

A cross carries its rates and next step as `crossAttributes`, a sample the verdict of its plant as
`additionalInfo`, a plate its state. Names of ours begin with `crossproof_`, so that they are told from the
server's own and replaced, never doubled, when published again. Values are text, as the standard asks, and
written as in the result tables.
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from crossproof import __version__
from crossproof.errors import InputError, Problem, UsageError, error, warning
from crossproof.exchange.crosses_in import ATTRIBUTES, OWN_PREFIX
from crossproof.exchange.miappe import miappe_block
from crossproof.exchange.published import SOURCE, Made, Published, read_published, refuse_other_crosses
from crossproof.exchange.samples_in import standard_position
from crossproof.exchange.standard import faults
from crossproof.io.files.atomic import write_json
from crossproof.io.results.reading import read_table
from crossproof.model.plates import parse_well, smallest_format
from crossproof.model.results import Decision, PlateState, Verdict
from crossproof.season.index import build_index, read_record
from crossproof.season.work_folder import WorkFolder, read_json
from crossproof.text import count_of

CAUTION = (
    "A verdict is evidence from markers, not a certificate: decisions on seed certification, quarantine or "
    "release follow local rules."
)

CROSS_RESULTS = (
    "tested", "determined", "hybrid", "self", "outcross", "off_pedigree", "undetermined",
    "hybrid_rate", "hybrid_rate_low", "hybrid_rate_high", "selfing_rate", "selfing_rate_low",
    "selfing_rate_high", "outcrossing_rate", "outcrossing_rate_low", "outcrossing_rate_high",
    "true_success", "true_success_low", "true_success_high", "true_success_basis", "hybrids_per_flower",
    "verifiable", "target", "hybrids_found", "next_step", "seeds_to_test", "flowers_to_repeat", "findings",
)  # fmt: skip
"""Columns of results/crosses.csv that become cross attributes."""

PLANT_RESULTS = (
    "verdict", "decision", "reason", "p_hybrid", "p_self", "p_outcross", "p_off_pedigree", "lod",
    "contrast_markers", "contrast_scored", "contrast_het", "het_share", "het_low", "het_high",
    "foreign_calls", "call_rate", "likely_source", "source_probability", "flags", "leading_class", "settle",
)  # fmt: skip
"""Columns of results/verdicts.csv that become additional information of each of the plant's samples."""

FILES = ("crosses.put", "crosses.post", "samples.put", "samples.post", "plates.put", "plates.post")


@dataclass(frozen=True)
class Publication:
    """Bodies of the requests: records known to the server by their id (`put`), others as a list (`post`).

    `held`, `undetermined`: plants marked so. `current`: whether the results belong to the inputs as they are.
    `published`: what the season made on servers. `as_made`: what each cross is, by
    reference. `server`: whose ids those of `put` are, "" where not said.
    """

    crosses_put: Mapping[str, dict[str, Any]]
    crosses_post: Sequence[dict[str, Any]]
    samples_put: Mapping[str, dict[str, Any]]
    samples_post: Sequence[dict[str, Any]]
    plates_put: Mapping[str, dict[str, Any]]
    plates_post: Sequence[dict[str, Any]]
    plants: int
    held: int
    undetermined: int
    held_plates: int
    current: bool
    published: Published
    as_made: Mapping[str, str]
    server: str = ""

    def summary(self) -> str:
        """What there is to publish, and how much of it is marked as not final."""
        crosses = len(self.crosses_put) + len(self.crosses_post)
        samples = len(self.samples_put) + len(self.samples_post)
        return (
            f"{count_of(crosses, 'cross', 'crosses')}, {count_of(samples, 'sample')}, "
            f"{count_of(self.plants, 'plant')}; held: {count_of(self.held, 'plant')}, "
            f"{count_of(self.held_plates, 'plate')}; undetermined: {count_of(self.undetermined, 'plant')}"
        )

    def bodies(self) -> dict[str, Any]:
        """The bodies by the stem of their file."""
        return {name: getattr(self, name.replace(".", "_")) for name in FILES}


def publication(where: Path, server: str = "") -> Publication:
    """What a season's results say, in the objects of the standard.

    `server`: its address, for the ids of records that the season made there; "" for those of the only server
    it made any on. Raises UsageError where there are no results or where a record made is another by now,
    InputError where a record does not fit the standard's schemas (a name that is empty, for one).
    """
    index = build_index(where)
    folder = index.folder
    run = read_json(folder.results / "run.json") or {}
    crosses, verdicts = _table(folder, "crosses"), _table(folder, "verdicts")
    samples, plates = _table(folder, "samples"), _table(folder, "plates")
    states = {p["plate"]: p for p in plates}
    by_sample = {(v["cross_id"], s): v for v in verdicts for s in v["samples"].split(";")}
    held: dict[str, int] = {}
    for v in verdicts:
        held[v["cross_id"]] = held.get(v["cross_id"], 0) + (v["decision"] == Decision.HOLD)
    stamp = {"version": __version__, "run": str(run.get("run_digest", "")), "caution": CAUTION}
    published = read_published(folder.season)
    label = partial(_labelled, published, published.on(server))
    made_crosses = [
        label(c.get("cross_db_id", ""), _cross(c, held.get(c["cross_id"], 0), stamp), "cross", c["cross_id"])
        for c in crosses
    ]
    made_plates = [label(i, p, "plate", p["plateName"]) for i, p in _plates(samples, states, stamp)]
    plate_ids = {p["plateName"]: i for i, p in made_plates if i}
    made_samples = [
        label(s.get("sample_db_id", ""), sample, "sample", s.get("batch", ""), s["sample_id"])
        for s, sample in (
            (s, _sample(s, by_sample.get((s["cross_id"], s["sample_id"])), states, plate_ids, stamp))
            for s in samples
        )
    ]
    problems = [
        p
        for kind, made in (("cross", made_crosses), ("sample", made_samples), ("plate", made_plates))
        for p in faults(kind, ((record.get(f"{kind}Name", ""), record) for _, record in made))
    ]
    if problems:
        raise InputError(problems)
    now = {
        published.reference("cross", c["cross_id"]): cross_as_made(c)
        for c in crosses
        if not c.get("cross_db_id")
    }
    refuse_other_crosses(published.on(server), now)
    return Publication(
        *_put_and_post(made_crosses),
        *_put_and_post(made_samples),
        *_put_and_post(made_plates),
        plants=len(verdicts),
        held=sum(held.values()),
        undetermined=sum(v["verdict"] == Verdict.UNDETERMINED for v in verdicts),
        held_plates=sum(p["state"] == PlateState.HELD for p in plates),
        current=run.get("run_digest") == index.run_digest,
        published=published,
        as_made=now,
        server=server,
    )


def _labelled(
    published: Published, known: Mapping[str, Made], db_id: str, record: dict[str, Any], *names: str
) -> tuple[str, dict[str, Any]]:
    """The id of a record on the server, "" where none is known, and the record, then with our reference."""
    reference = published.reference(*names)
    if not db_id and reference in known:
        db_id = known[reference].db_id
    if not db_id:
        record = {**record, "externalReferences": [{"referenceId": reference, "referenceSource": SOURCE}]}
    return db_id, record


def cross_as_made(row: Mapping[str, str]) -> str:
    """What makes a cross this one and no other of its name: its parents, and when they were crossed."""
    when = " ".join(t for t in (row.get("date", ""), row.get("time", "")) if t)
    return f"{row['mother']} x {row['father'] or 'unknown'}" + (f", {when}" if when else "")


def stale() -> Problem:
    """What is to be known of results that do not belong to the inputs as they are."""
    return warning(
        "results/run.json",
        "The results are older than the inputs or settings; what was written describes them as they were.",
        "Run the season again, then write the files again.",
    )


def write_publication(where: Path, made: Publication) -> tuple[Path, ...]:
    """Write the bodies to results/exchange, one JSON file each, and the season in MIAPPE's terms in full.

    The name of the season in its references is kept as well, so that they are the same the next time.
    """
    if not made.published.path.exists():
        made.published.keep()
    index = build_index(where)
    records = (read_record(index.folder, name) for name in ("crosses", "samples"))
    title = " ".join(t for t in (index.config.crop, index.config.season) if t)
    bodies = {**made.bodies(), "miappe": miappe_block(*records, title=title, most=None)}
    files = {index.folder.results / "exchange" / f"{name}.json": body for name, body in bodies.items()}
    for path, body in files.items():
        write_json(path, body)
    return tuple(files)


def _table(folder: WorkFolder, name: str) -> list[dict[str, str]]:
    """A result table as text, one mapping per row."""
    path = folder.results / f"{name}.csv"
    if not path.exists():
        raise UsageError(
            error(
                f"results/{name}.csv",
                "There are no results to publish.",
                f"First run: crossproof run {shlex.quote(str(folder.season))}",
            )
        )
    frame = read_table(path)
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


Named = list[tuple[str, dict[str, Any]]]


def _put_and_post(made: Named) -> tuple[dict[str, dict[str, Any]], list[dict[str, Any]]]:
    return {i: r for i, r in made if i}, [r for i, r in made if not i]


def own(values: Mapping[str, str], names: Sequence[str]) -> dict[str, str]:
    """Those of `names` that have a value, under our own names."""
    return {OWN_PREFIX + n: values[n] for n in names if values.get(n)}


def _cross(row: Mapping[str, str], held: int, stamp: Mapping[str, str]) -> dict[str, Any]:
    attributes = own({**row, **stamp, "held": str(held)}, (*CROSS_RESULTS, "held", *stamp))
    if not row.get("cross_db_id"):
        attributes = {n: row[n] for n in ATTRIBUTES if row.get(n)} | attributes
    made: dict[str, Any] = {
        "crossName": row["cross_id"],
        "crossType": "BIPARENTAL",
        "parent1": {"germplasmName": row["mother"], "parentType": "FEMALE"},
        "crossAttributes": [
            {"crossAttributeName": name, "crossAttributeValue": value} for name, value in attributes.items()
        ],
    }
    if row["father"]:
        made["parent2"] = {"germplasmName": row["father"], "parentType": "MALE"}
    if stamp_text := _date_time(row.get("pollination_timestamp", "")):
        made["pollinationEvents"] = [{"pollinationTimeStamp": stamp_text}]
    elif row.get("date"):
        # The standard's date-time needs an offset from UTC, which the sheets do not have.
        made["additionalInfo"] = {"pollination": " ".join(t for t in (row["date"], row.get("time", "")) if t)}
    return made


def _date_time(text: str) -> str:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return ""
    return moment.isoformat() if moment.tzinfo else ""


def _sample(
    row: Mapping[str, str],
    plant: Mapping[str, str] | None,
    plates: Mapping[str, Mapping[str, str]],
    plate_ids: Mapping[str, str],
    stamp: Mapping[str, str],
) -> dict[str, Any]:
    plate = plates.get(row["plate"], {})
    info = {n: row[n] for n in ("role", "line", "cross_id", "pod", "plant") if row.get(n)}
    if row["role"] != "progeny":
        info.pop("plant", None)
    results = {"state": row.get("state", ""), "findings": row.get("findings", "")}
    results |= {"plate_state": plate.get("state", ""), "plate_findings": plate.get("findings", "")}
    info |= own(results, tuple(results))
    if plant is not None:
        marks = {
            "held": "yes" if plant["decision"] == Decision.HOLD else "no",
            "determined": "no" if plant["verdict"] == Verdict.UNDETERMINED else "yes",
        }
        info |= own({**plant, **marks}, (*PLANT_RESULTS, *marks))
        info |= own(stamp, tuple(stamp))
    made: dict[str, Any] = {"sampleName": row["sample_id"], "additionalInfo": info}
    for field, column in (
        ("plateName", "plate"),
        ("plateDbId", "plate_db_id"),
        ("germplasmDbId", "germplasm_db_id"),
    ):
        if row.get(column):
            made[field] = row[column]
    if row["plate"] in plate_ids:
        made.setdefault("plateDbId", plate_ids[row["plate"]])
    if row["well"]:
        well = parse_well(row["well"])
        position = standard_position(well)
        made |= position
        if "column" not in position:
            info["plate_column"] = str(well.column + 1)
    return made


def _plates(
    samples: Sequence[Mapping[str, str]], states: Mapping[str, Mapping[str, str]], stamp: Mapping[str, str]
) -> Named:
    """One record per plate; of the standard's formats only PLATE_96 fits, and larger plates say so."""
    wells: dict[str, list[str]] = {}
    ids: dict[str, str] = {}
    for row in samples:
        if row["plate"]:
            wells.setdefault(row["plate"], []).append(row["well"])
            ids.setdefault(row["plate"], row.get("plate_db_id", ""))
    made = []
    for plate, names in wells.items():
        state = states.get(plate, {})
        info = own(
            {**stamp, **{n: state.get(n, "") for n in ("state", "findings", "log10_odds")}},
            ("state", "findings", "log10_odds", "version", "run"),
        )
        record: dict[str, Any] = {"plateName": plate, "additionalInfo": info}
        format_ = smallest_format([parse_well(n) for n in names if n])
        info["wells"] = str(format_.wells)
        if format_.wells == 96:
            record["plateFormat"] = "PLATE_96"
        made.append((ids[plate], record))
    return made
