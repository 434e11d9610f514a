"""From evidence and findings to verdicts, and to the tables of plates, samples, markers and lines."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from crossproof.inference.family.origins import OTHER_MOTHER
from crossproof.inference.family.verdicts import FAR_BELOW, POOR
from crossproof.inference.season_model import FamilyResult, judge
from crossproof.inference.season_results import Judgement
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import VERDICT_COUNTS, parquet_bytes, problems_frame, table_bytes
from crossproof.io.sheets.columns import SAMPLES
from crossproof.model.arrays import Bools
from crossproof.model.findings import FindingKind
from crossproof.model.plates import Role
from crossproof.model.results import CLASSES, Decision, Provable, Reason, Verdict, need_of
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
from crossproof.steps.evidence_of_plants import EvidenceOfPlants
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
    frame = verdict_frame(
        index.config, samples, crosses, set_aside, stored, results_of, findings, provable,
        pd.DataFrame(index.without_data),
    )  # fmt: skip
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
    without_data: pd.DataFrame,
) -> pd.DataFrame:
    """One row per progeny plant, in the order of the samples sheets.

    provable: by cross_id, whether the cross can be proven, where a plant of it has calls. without_data:
    plants that corrections left without a sample, see `RecordsAtWork.without_data`.
    """
    settings = model_settings(config)
    samples, called = _with_plants_without_data(samples, locate_wells(samples, stored)[0] >= 0, without_data)
    parents = {r.cross_id: (r.mother, r.father) for r in cross_records(crosses)}
    extras = [c for c in samples.columns if c not in SAMPLES.names and not c.startswith("_")]
    # Columns as lists, once: a table's row costs more to take out than a plant to judge.
    of = {c: samples[c].to_numpy(dtype=object).tolist() for c in (*_OF_WELLS, *extras)}
    sample, batch, place_of = of["sample_id"], of["batch"], of["place"]
    plants: dict[tuple[str, str], list[int]] = {}
    for w in np.flatnonzero((samples["role"] == Role.PROGENY).to_numpy()).tolist():
        plants.setdefault((of["cross_id"][w], of["plant"][w]), []).append(w)
    judged = EvidenceOfPlants.of(evidence, list(plants), [any(called[w] for w in x) for x in plants.values()])
    plate_of = [of["plate"][wells[0]] for wells in plants.values()]
    few_calls = judged.few_calls(plate_of, settings, FAR_BELOW).tolist()
    poor_calls = judged.few_calls(plate_of, settings, POOR).tolist()
    tags = _other_tags(findings)
    aside = set(set_aside)
    told = []
    for row, ((cross, _), wells) in enumerate(plants.items()):
        number = judged.number[row]
        if number < 0:
            asked = {batch[w] for w in wells}
            # A plant without a file named may well be in one that was set aside.
            told.append(_without_data(bool(asked & aside or ("" in asked and aside))))
            continue
        judgement = judge(
            evidence[cross], number, settings,
            mixed_dna=any(sample[w] in findings.tables.mixed for w in wells),
            few_calls=few_calls[row],
            poor_calls=poor_calls[row],
            few_contrasts=provable.get(cross) is Provable.NO,
        )  # fmt: skip
        source = judged.source[row]
        if source == OTHER_MOTHER:
            tagged = {tags[sample[w], cross] for w in wells if (sample[w], cross) in tags}
            source = f"cross {tagged.pop()}" if len(tagged) == 1 else source
        told.append(_words_of(judgement, source))
    first = [wells[0] for wells in plants.values()]
    lines = [parents.get(cross, ("", "")) for cross, _ in plants]
    of_cross = {cross: str(provable.get(cross, Provable.UNKNOWN)) for cross, _ in plants}
    columns: dict[str, Any] = {
        **{c: [of[c][w] for w in first] for c in (*_OF_WELLS, *extras) if c in COLUMNS or c in extras},
        "samples": [";".join(dict.fromkeys(sample[w] for w in wells)) for wells in plants.values()],
        "mother": [mother for mother, _ in lines],
        "father": [father for _, father in lines],
        "place": [next((place_of[w] for w in wells if place_of[w]), "") for wells in plants.values()],
        "verifiable": [of_cross[cross] for cross, _ in plants],
        **{name: [words[i] for words in told] for i, name in enumerate(_WORDS)},
    }
    columns |= judged.numbers(np.array([words[_REASON] in _UNTOLD for words in told], dtype=bool))
    frame = pd.DataFrame(columns, columns=[*COLUMNS, *extras])
    return _with_shares(_with_holds(frame, list(plants.values()), of["sample_id"], of["plate"], findings))


def _with_plants_without_data(
    samples: pd.DataFrame, called: Bools, without_data: pd.DataFrame
) -> tuple[pd.DataFrame, list[bool]]:
    """The samples sheet with plants that have no data, each in its place, and which rows have calls."""
    if not len(without_data):
        return samples, called.tolist()
    place = np.append(np.arange(len(samples)) + 0.5, without_data["_before"].to_numpy())
    order = np.argsort(place, kind="stable")
    apart = without_data[list(samples.columns)].astype(samples.dtypes.to_dict())
    every = pd.concat([samples, apart], ignore_index=True)
    return every.iloc[order], np.append(called, np.zeros(len(without_data), dtype=bool))[order].tolist()


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


_OF_WELLS = ("sample_id", "batch", "cross_id", "plant", "plate", "well", "pod", "place")
_WORDS = (
    "verdict", "decision", "reason", "likely_source", "flags", "leading_class", "settle", "parents_to_type",
)  # fmt: skip
_REASON = _WORDS.index("reason")
_UNTOLD = frozenset((str(Reason.NO_DATA), str(Reason.NO_PARENT_DATA), str(Reason.BATCH_SET_ASIDE)))
"""Reasons for which a plant's posterior says nothing."""


def _without_data(set_aside: bool) -> tuple[str, ...]:
    """The columns `_WORDS` of a plant without calls."""
    reason = Reason.BATCH_SET_ASIDE if set_aside else Reason.NO_DATA
    decision = Decision.HOLD if set_aside else Decision.RETEST
    settle = "correct the genotype file and run again" if set_aside else "type the plant"
    return str(Verdict.UNDETERMINED), str(decision), str(reason), "", "", "", settle, ""


def _words_of(judgement: Judgement, source: str) -> tuple[str, ...]:
    """The columns `_WORDS` of a plant with calls; `source`: what it most likely comes from."""
    reason = str(judgement.reason)
    told = reason not in _UNTOLD
    return (
        str(judgement.verdict), str(judgement.decision), reason, source if told else "",
        FLAG_JOIN.join(judgement.flags), str(judgement.leading) if told else "", judgement.settle,
        ";".join(judgement.parents),
    )  # fmt: skip


def _with_holds(
    frame: pd.DataFrame,
    wells: Sequence[Sequence[int]],
    sample: Sequence[str],
    plate: Sequence[str],
    findings: FindingsOfSeason,
) -> pd.DataFrame:
    """Hold keep and cull decisions of plants whose plate, tag or line is in doubt; and what each waits for.

    `wells` of each plant, `sample` and `plate` of each well.
    """
    samples, plates = findings.tables.held_samples, findings.tables.held_plates
    on_plate = np.array([any(plate[w] in plates for w in of) for of in wells], dtype=bool)
    held = on_plate | np.array([any(sample[w] in samples for w in of) for of in wells], dtype=bool)
    waiting = held & frame["decision"].isin([str(Decision.KEEP), str(Decision.CULL)]).to_numpy()
    frame.loc[waiting, "decision"] = str(Decision.HOLD)
    frame.loc[waiting, "reason"] = str(Reason.SAMPLE_HELD)
    frame.loc[waiting & on_plate, "reason"] = str(Reason.PLATE_HELD)
    dead = {f.subject for f in findings.found if f.kind is FindingKind.DEAD_PLATE}
    silent = np.array([all(plate[w] in dead for w in of) for of in wells], dtype=bool)
    frame.loc[silent & ~waiting, "reason"] = str(Reason.PLATE_HELD)  # whatever the few calls lack besides
    pairs = list(
        zip(*(frame[c].to_numpy(dtype=object).tolist() for c in ("decision", "reason")), strict=True)
    )
    needs = {(d, r): str(need_of(Decision(d), Reason(r))) for d, r in set(pairs)}
    frame["waits_for"] = [needs[pair] for pair in pairs]
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
