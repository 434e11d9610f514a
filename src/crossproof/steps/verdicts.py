"""From evidence and findings to verdicts, and to the tables of plates, samples, markers and lines."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from crossproof.inference.family.origins import OTHER_MOTHER
from crossproof.inference.family.verdicts import far_below_plate
from crossproof.inference.season_model import FamilyResult, judge
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import VERDICT_COUNTS, parquet_bytes, problems_frame, table_bytes
from crossproof.io.sheets.columns import SAMPLES
from crossproof.model.findings import FindingKind
from crossproof.model.plates import Role
from crossproof.model.results import CLASSES, Decision, Provable, Reason, Verdict, need_of
from crossproof.model.settings import Settings
from crossproof.rates.estimators.laws import wilson_limits
from crossproof.season.evidence import (
    StoredBatch,
    cross_records,
    locate_wells,
    model_settings,
    read_located,
    read_panel,
)
from crossproof.season.evidence_store import read_evidence
from crossproof.season.file_outcomes import files_not_used, stored_batches
from crossproof.season.index import RESULT_FILES, SeasonIndex, read_record
from crossproof.season.kept_files import note_tables
from crossproof.season.processes import forked_map
from crossproof.steps.changes import changes_table
from crossproof.steps.findings import FindingsOfSeason, read_findings
from crossproof.steps.ingest import ingested
from crossproof.steps.provable import provable_crosses, read_typing
from crossproof.steps.season_problems import season_problems
from crossproof.steps.well_tables import lines_table, markers_table, plates_table, samples_table

FLAG_JOIN = "; "


def verdicts(index: SeasonIndex, threads: int = 1) -> None:
    """Write verdicts.csv and .parquet, plates, samples, markers, lines, problems and changes.

    By so many processes: what can be proven by pairs of lines, the tables each by itself.
    """
    folder = index.folder
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    states = ingested(index)
    stored = stored_batches(states)
    joined, fitted = read_panel(folder)
    evidence = read_all_evidence(index)
    findings = read_findings(index)
    set_aside = files_not_used(states)
    results_of = {cross: result for cross, (_, result) in evidence.items()}
    located = read_located(folder.work("panel", "located"))[0]
    provable = provable_crosses(
        index.config, joined, fitted, samples, crosses, located, read_typing(folder),
        lambda function, pairs: forked_map(function, pairs, threads),
    )  # fmt: skip
    frame = verdict_frame(index.config, samples, crosses, set_aside, stored, results_of, findings, provable)
    tables: dict[str, Callable[[], pd.DataFrame]] = {
        "plates": lambda: plates_table(samples, states, findings),
        "samples": lambda: samples_table(samples, stored, states, findings),
        "markers": lambda: markers_table(joined, fitted, states),
        "lines": lambda: lines_table(samples, fitted, joined, evidence, stored, states, findings),
        "problems": lambda: problems_frame(season_problems(index, samples, crosses, states, findings)),
        "changes": lambda: changes_table(index, frame, evidence),
    }
    cuts = np.linspace(0, len(frame), threads + 1).astype(int)
    parts = [slice(a, b) for a, b in itertools.pairwise(cuts.tolist())]
    made: list[Callable[[], bytes]] = [partial(_rows_of_verdicts, frame, part) for part in parts]
    made += [partial(_bytes_of, name, table) for name, table in tables.items()]
    made.append(lambda: parquet_bytes(frame))
    files = forked_map(lambda make: make(), made, threads)
    for name, data in zip(tables, files[len(parts) :], strict=False):
        write_bytes(folder.results / f"{name}.csv", data)
    write_bytes(folder.results / "verdicts.csv", b"".join(files[: len(parts)]))
    write_bytes(folder.results / "verdicts.parquet", files[-1])
    note_tables(folder, "verdicts", RESULT_FILES["verdicts"])


def _bytes_of(name: str, table: Callable[[], pd.DataFrame]) -> bytes:
    """A table as the bytes of its file."""
    return table_bytes(table(), name)


def _rows_of_verdicts(frame: pd.DataFrame, part: slice) -> bytes:
    """Some rows of verdicts.csv, the first with the headings."""
    data = table_bytes(frame.iloc[part], "verdicts")
    return data if part.start == 0 else data[data.index(b"\n") + 1 :]


def read_all_evidence(index: SeasonIndex) -> dict[str, tuple[str, FamilyResult]]:
    """Digest and evidence of every judged cross."""
    found = {}
    for bucket in index.slices()["verify"]:
        for digest, result in read_evidence(index.folder.work("verify", f"{bucket}.npz")):
            found[result.cross_id] = (digest, result)
    return found


def verdict_frame(
    config: Config,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    set_aside: Collection[str],
    stored: tuple[StoredBatch, ...],
    evidence: Mapping[str, FamilyResult],
    findings: FindingsOfSeason,
    provable: Mapping[str, Provable],
) -> pd.DataFrame:
    """One row per progeny plant, in the order of the samples sheets.

    provable: by cross_id, whether the cross can be proven, where a plant of it has calls.
    """
    settings = model_settings(config)
    located = locate_wells(samples, stored)[0]
    parents = {r.cross_id: (r.mother, r.father) for r in cross_records(crosses)}
    place = {(cross, str(p)): i for cross, r in evidence.items() for i, p in enumerate(r.plants)}
    extras = [c for c in samples.columns if c not in SAMPLES.names and not c.startswith("_")]
    # Columns as lists, once: a table's row costs more to take out than a plant to judge.
    sample, batch, cross_of, plant_of, plate, well, pod, place_of = (
        samples[c].tolist()
        for c in ("sample_id", "batch", "cross_id", "plant", "plate", "well", "pod", "place")
    )
    others = {c: samples[c].tolist() for c in extras}
    plants: dict[tuple[str, str], list[int]] = {}
    for w in np.flatnonzero((samples["role"] == Role.PROGENY).to_numpy()).tolist():
        plants.setdefault((cross_of[w], plant_of[w]), []).append(w)
    tags = _other_tags(findings)
    few_calls = _few_calls({p: plate[wells[0]] for p, wells in plants.items()}, place, evidence, settings)
    rows = []
    for (cross, plant), wells in plants.items():
        first = wells[0]
        mother, father = parents.get(cross, ("", ""))
        row: dict[str, Any] = {
            "plant": plant,
            "sample_id": sample[first],
            "samples": ";".join(dict.fromkeys(sample[w] for w in wells)),
            "cross_id": cross,
            "mother": mother,
            "father": father,
            "plate": plate[first],
            "well": well[first],
            "pod": pod[first],
            "place": next((place_of[w] for w in wells if place_of[w]), ""),
            "verifiable": str(provable.get(cross, Provable.UNKNOWN)),
        }
        number = place.get((cross, plant))
        if number is None or (located[wells] < 0).all():
            asked = {batch[w] for w in wells}
            # A plant without a file named may well be in one that was set aside.
            row |= _without_data(bool(asked & set(set_aside) or ("" in asked and set_aside)))
        else:
            result = evidence[cross]
            mixed = any(sample[w] in findings.tables.mixed for w in wells)
            too_few = provable.get(cross) is Provable.NO
            judgement = judge(
                result,
                number,
                settings,
                mixed_dna=mixed,
                few_calls=(cross, plant) in few_calls,
                few_contrasts=too_few,
            )
            row |= _judged(result, number, judgement)
            tagged = {tags[sample[w], cross] for w in wells if (sample[w], cross) in tags}
            if row["likely_source"] == OTHER_MOTHER and len(tagged) == 1:
                row["likely_source"] = f"cross {tagged.pop()}"
        rows.append(row | {c: others[c][first] for c in extras} | {"_wells": tuple(wells)})
    frame = pd.DataFrame(rows, columns=[*COLUMNS, *extras, "_wells"])
    frame = _with_holds(frame, samples, findings).drop(columns="_wells")
    return _with_shares(frame)


def _few_calls(
    plate_of: Mapping[tuple[str, str], str],
    place: Mapping[tuple[str, str], int],
    evidence: Mapping[str, FamilyResult],
    settings: Settings,
) -> frozenset[tuple[str, str]]:
    """The plants, (cross, plant), that call too little beside the others of their plate."""
    plants = [p for p in plate_of if p in place]
    if not plants:
        return frozenset()
    rate = np.array([evidence[p[0]].call_rate[place[p]] for p in plants])
    _, plate = np.unique([plate_of[p] for p in plants], return_inverse=True)
    usual = pd.Series(rate).groupby(plate).median().to_numpy()[plate]
    return frozenset(plants[i] for i in np.flatnonzero(far_below_plate(rate, usual, settings)))


def _other_tags(findings: FindingsOfSeason) -> dict[tuple[str, str], str]:
    """By sample and the cross on its tag, the cross that the plate checks say it is of."""
    out = {}
    for f in findings.found:
        mutual = f.kind is FindingKind.TAGS_SWAPPED
        if mutual or f.kind is FindingKind.TAG_WRONG:
            for s in f.samples:
                out[s, f.subject] = f.other
                if mutual:
                    out[s, f.other] = f.subject
    return out


COLUMNS = (
    "plant", "sample_id", "samples", "cross_id", "mother", "father", "plate", "well", "pod", "place",
    "verdict", "decision", "reason", *(f"p_{c}" for c in CLASSES), "lod", "verifiable",
    "contrast_markers", "contrast_scored",
    "contrast_het", "het_share", "het_low", "het_high", "foreign_calls", "call_rate", "likely_source",
    "source_probability", "flags", "leading_class", "settle", "waits_for", "parents_to_type",
)  # fmt: skip


def _without_data(set_aside: bool) -> dict[str, Any]:
    reason = Reason.BATCH_SET_ASIDE if set_aside else Reason.NO_DATA
    return {
        "verdict": str(Verdict.UNDETERMINED),
        "decision": str(Decision.RETEST if not set_aside else Decision.HOLD),
        "reason": str(reason),
        "contrast_scored": 0,
        "contrast_het": 0,
        "foreign_calls": 0,
        "call_rate": 0.0,
        "likely_source": "",
        "flags": "",
        "leading_class": "",
        "settle": "correct the genotype file and run again" if set_aside else "type the plant",
        "parents_to_type": "",
    }


def _judged(result: FamilyResult, i: int, judgement: Any) -> dict[str, Any]:
    row = {
        "verdict": str(judgement.verdict),
        "decision": str(judgement.decision),
        "reason": str(judgement.reason),
        "lod": float(result.lod[i]),
        "contrast_markers": int(result.contrast_markers),
        "contrast_scored": int(result.contrast_scored[i]),
        "contrast_het": int(result.contrast_het[i]),
        "foreign_calls": int(result.foreign_calls[i]),
        "call_rate": float(result.call_rate[i]),
        "likely_source": str(result.sources[i, 0]),
        "source_probability": float(result.source_probability[i, 0]),
        "flags": FLAG_JOIN.join(judgement.flags),
        "leading_class": str(judgement.leading),
        "settle": judgement.settle,
        "parents_to_type": ";".join(judgement.parents),
    }
    if judgement.reason in (Reason.NO_DATA, Reason.NO_PARENT_DATA):
        return row | {"likely_source": "", "source_probability": np.nan, "lod": np.nan, "leading_class": ""}
    return row | {f"p_{c}": float(p) for c, p in zip(CLASSES, result.class_posterior[i], strict=True)}


def _with_holds(frame: pd.DataFrame, samples: pd.DataFrame, findings: FindingsOfSeason) -> pd.DataFrame:
    """Hold keep and cull decisions of plants whose plate, tag or line is in doubt."""
    sample, plate = samples["sample_id"].tolist(), samples["plate"].tolist()
    held = np.array(
        [
            any(
                sample[w] in findings.tables.held_samples or plate[w] in findings.tables.held_plates
                for w in wells
            )
            for wells in frame["_wells"]
        ],
        dtype=bool,
    )
    frame = frame.copy()
    waiting = held & frame["decision"].isin([str(Decision.KEEP), str(Decision.CULL)]).to_numpy()
    frame.loc[waiting, "decision"] = str(Decision.HOLD)
    plates = findings.tables.held_plates
    on_plate = np.array([any(plate[w] in plates for w in wells) for wells in frame["_wells"]], dtype=bool)
    frame.loc[waiting, "reason"] = str(Reason.SAMPLE_HELD)
    frame.loc[waiting & on_plate, "reason"] = str(Reason.PLATE_HELD)
    pairs = zip(frame["decision"], frame["reason"], strict=True)
    frame["waits_for"] = [str(need_of(Decision(d), Reason(r))) for d, r in pairs]
    return frame


def _with_shares(frame: pd.DataFrame) -> pd.DataFrame:
    """Share of heterozygous contrast markers with its Wilson 95 % interval (Wilson 1927)."""
    frame = frame.astype(dict.fromkeys(VERDICT_COUNTS, "Int64"))
    scored = frame["contrast_scored"].fillna(0).to_numpy(dtype=float)
    het = frame["contrast_het"].fillna(0).to_numpy(dtype=float)
    some = scored > 0
    for name in ("het_share", "het_low", "het_high"):
        frame[name] = np.nan
    if some.any():
        low, high = wilson_limits(het[some], scored[some], 0.95)
        frame.loc[some, "het_share"] = het[some] / scored[some]
        frame.loc[some, "het_low"], frame.loc[some, "het_high"] = low, high
    number = [*(f"p_{c}" for c in CLASSES), "lod", "call_rate", "source_probability"]
    return frame.astype(dict.fromkeys(number, float))
