"""The tables of plates, samples, markers and lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd

from crossproof.inference.season_model import FamilyResult, Panel
from crossproof.io.reading_problems import size_bins
from crossproof.model.findings import Scope
from crossproof.model.plates import Role
from crossproof.model.results import PlateState, SampleState
from crossproof.season.evidence import JoinedSeason, StoredBatch, locate_wells
from crossproof.season.file_outcomes import Outcomes, files_not_used, stored_batches
from crossproof.steps.findings import FindingsOfSeason

JOIN = "; "


def well_rates(
    samples: pd.DataFrame, stored: tuple[StoredBatch, ...], states: Outcomes
) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Genotype file, call rate and share of heterozygous calls of every row of the samples sheet."""
    batch, column = locate_wells(samples, stored)
    names = [stored[b].batch if b >= 0 else "" for b in batch.tolist()]
    ends = np.cumsum([0, *(len(s.samples) for s in stored)])
    at = ends[:-1][batch] + column if len(stored) else batch
    found = batch >= 0
    rates = []
    read = [states[s.batch] for s in stored]
    for of_files in ([o.call_rate for o in read], [o.heterozygosity for o in read]):
        every = np.array([x for of_samples in of_files for x in of_samples], dtype=np.float64)
        rate = np.full(len(samples), np.nan)
        rate[found] = every[at[found]]
        rates.append(rate)
    return names, rates[0], rates[1]


def samples_table(
    samples: pd.DataFrame, stored: tuple[StoredBatch, ...], states: Outcomes, findings: FindingsOfSeason
) -> pd.DataFrame:
    """One row per well of the samples sheets."""
    names, call, het = well_rates(samples, stored, states)
    frame = samples[[c for c in samples.columns if not c.startswith("_")]].copy()
    frame["batch"] = [
        found or asked for found, asked in zip(names, frame["batch"].to_numpy(dtype=object), strict=True)
    ]
    frame["call_rate"], frame["heterozygosity"] = call, het
    frame["state"] = [
        str(_state(b, f, states)) for b, f in zip(frame["batch"].to_numpy(dtype=object), names, strict=True)
    ]
    frame["findings"] = [
        findings.tables.samples.get(s, "") for s in frame["sample_id"].to_numpy(dtype=object)
    ]
    return frame


def _state(batch: str, found: str, states: Outcomes) -> SampleState:
    if found:
        return SampleState.USED
    if batch in files_not_used(states):
        return SampleState.SET_ASIDE
    return SampleState.NO_CALLS


def plates_table(samples: pd.DataFrame, states: Outcomes, findings: FindingsOfSeason) -> pd.DataFrame:
    """One row per plate of the samples sheets, by name; wells without a plate are not counted."""
    found, call, _ = well_rates(samples, stored_batches(states), states)
    asked, role, plant, plate = (
        samples[c].astype(object).tolist() for c in ("batch", "role", "plant", "plate")
    )
    wells_of: dict[str, list[int]] = {}
    for w, name in enumerate(plate):
        if name:
            wells_of.setdefault(name, []).append(w)
    aside = files_not_used(states)
    called = np.nan_to_num(call)
    rows = []
    for name, wells in sorted(wells_of.items()):
        blanks = [w for w in wells if role[w] == Role.BLANK]
        others = [w for w in wells if role[w] != Role.BLANK]
        rows.append(
            {
                "plate": name,
                "batch": JOIN.join(sorted({b for w in wells for b in (found[w], asked[w]) if b})),
                "wells": len(wells),
                "plants": len({plant[w] for w in wells if role[w] == Role.PROGENY}),
                "parents": sum(role[w] == Role.PARENT for w in wells),
                "blanks": len(blanks),
                "call_rate": float(called[others].mean()) if any(found[w] for w in others) else np.nan,
                "blank_call_rate": float(called[blanks].mean()) if any(found[w] for w in blanks) else np.nan,
                "findings": findings.tables.plates.get(name, ""),
                "log10_odds": findings.tables.plate_odds.get(name, np.nan),
                "state": str(
                    _plate_state(
                        {asked[w] for w in wells} - {""},
                        any(found[w] for w in wells),
                        aside,
                        held=name in findings.tables.held_plates,
                    )
                ),
            }
        )
    columns = ["plate", "batch", "wells", "plants", "parents", "blanks", "call_rate", "blank_call_rate",
               "findings", "log10_odds", "state"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _plate_state(named: set[str], called: bool, aside: set[str], *, held: bool) -> PlateState:
    """State of a plate: the files `named` for its wells, whether any well has calls, files set `aside`.

    A plate without a file named may well be in one that was set aside.
    """
    if named & aside:
        return PlateState.SET_ASIDE
    if not called:
        return PlateState.SET_ASIDE if aside and not named else PlateState.NO_CALLS
    return PlateState.HELD if held else PlateState.USED


def markers_table(joined: JoinedSeason, fitted: Panel, states: Outcomes) -> pd.DataFrame:
    """One row per joined marker, in genome order."""
    m = joined.markers
    bins = size_bins(note for o in states.values() for note in o.notes)
    files = np.zeros(len(m), dtype=np.int64)
    for rows in joined.rows.values():
        files[rows[rows >= 0]] += 1
    frame = pd.DataFrame(
        {
            "marker": m.ids,
            "chrom": m.chrom,
            "pos": pd.array([p if p else pd.NA for p in m.pos.tolist()], dtype="Int64"),
            "alleles": ["/".join(a) for a in m.alleles],
            "inheritance": np.where(m.maternal, "maternal", "nuclear"),
            "files": files,
            "call_rate": fitted.marker_call_rate,
            "false_heterozygote": fitted.f,
            "dropout": fitted.d,
            "used": fitted.set_aside == "",
            "reason": fitted.set_aside,
            "replicate_pairs": fitted.replicate_pairs,
            "size_bins": [bins.get(marker, "") for marker in m.ids.tolist()],
        }
    )
    return frame


def lines_table(
    samples: pd.DataFrame,
    fitted: Panel,
    joined: JoinedSeason,
    evidence: Mapping[str, tuple[str, FamilyResult]],
    stored: tuple[StoredBatch, ...],
    states: Outcomes,
    findings: FindingsOfSeason,
) -> pd.DataFrame:
    """One row per line: its tubes, whether they agree, and in which crosses its plant departs from it."""
    _, call, _ = well_rates(samples, stored, states)
    departs: dict[str, list[tuple[str, str, FamilyResult]]] = {}
    # A family under a wrong tag departs from both lines on it, which says nothing of the lines.
    doubted = {
        name for f in findings.found if f.scope is Scope.CROSS and f.critical for name in (f.subject, f.other)
    }
    for cross, (_, result) in sorted(evidence.items()):
        if cross in doubted:
            continue
        for parent, line in (("mother", result.mother), ("father", result.father)):
            if line:
                departs.setdefault(line, []).append((cross, parent, result))
    parents = samples[(samples["role"] == Role.PARENT) & (samples["line"] != "")]
    sample = samples["sample_id"].to_numpy()
    rows = []
    crossed = Counter(p for _, r in evidence.values() for p in {r.mother, r.father} if p)
    for line in sorted(set(parents["line"]) | set(crossed)):
        tubes = parents.index[parents["line"] == line]
        versions = fitted.versions(line)
        odd = [sample[w] for v in versions[1:] for w in fitted.version_wells[v]]
        markers, shares, crosses = _departures(departs.get(line, []), joined)
        rows.append(
            {
                "line": line,
                "wells": len(tubes),
                "wells_with_calls": sum(len(fitted.version_wells[v]) for v in versions),
                "call_rate": float(np.nan_to_num(call[tubes]).mean()) if len(tubes) else np.nan,
                "versions": len(versions),
                "odd_tubes": JOIN.join(odd),
                "crosses": crossed[line],
                "plant_departs_in": JOIN.join(crosses),
                "largest_departure": max(shares, default=np.nan),
                "departing_markers": JOIN.join(markers),
                "findings": findings.tables.lines.get(line, ""),
            }
        )
    columns = ["line", "wells", "wells_with_calls", "call_rate", "versions", "odd_tubes", "crosses",
               "plant_departs_in", "largest_departure", "departing_markers", "findings"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


MOST_MARKERS = 20
SURE = 0.9


def _departures(
    crosses: list[tuple[str, str, FamilyResult]], joined: JoinedSeason
) -> tuple[list[str], list[float], list[str]]:
    """Markers at which plants of a line depart from it, the share per cross, and the crosses."""
    markers: dict[str, int] = {}
    shares, names = [], []
    for cross, parent, r in crosses:
        shares.append(r.mother_departure if parent == "mother" else r.father_departure)
        sure = (r.departure_parent == parent) & (r.departure_probability >= SURE)
        if sure.any():
            names.append(f"{cross} ({int(sure.sum())})")
        for row in r.departure_row[sure]:
            name = str(joined.markers.ids[row])
            markers[name] = markers.get(name, 0) + 1
    listed = sorted(markers, key=lambda name: (-markers[name], name))
    shown = listed[:MOST_MARKERS]
    return (
        shown + ([f"and {len(listed) - MOST_MARKERS} more"] if len(listed) > MOST_MARKERS else []),
        shares,
        names,
    )
