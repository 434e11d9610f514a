"""Plate checks of the whole season: findings, the proposals that answer them, and what each would change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from crossproof.inference.family.other_parents import Records
from crossproof.inference.family.parent_findings import parent_findings, speaks
from crossproof.inference.lines.f1_parents import f1_findings
from crossproof.inference.plates.checks import CheckSettings, examine_plates
from crossproof.inference.plates.each import Each
from crossproof.inference.plates.failed_wells import dead_plates
from crossproof.inference.plates.spill_findings import without_spilled
from crossproof.inference.season_model import (
    FamilyInput,
    FamilyResult,
    LineInput,
    Panel,
    Settings,
    Wells,
    fit_panel,
    judge,
    prepare_crosses,
    verify_family,
)
from crossproof.io.config.season_config import Config
from crossproof.model.arrays import Ints
from crossproof.model.findings import Finding, FindingKind, VerdictChange, held_plates
from crossproof.model.plates import Role
from crossproof.season.corrections import Corrected, apply_corrections, undismissed
from crossproof.season.evidence import (
    JoinedSeason,
    batches_of,
    cross_records,
    family_inputs,
    line_inputs,
    load_wells,
    marker_mask,
    model_settings,
    read_located,
    read_panel,
    steady,
)
from crossproof.season.evidence_store import read_evidence
from crossproof.season.findings import corrections_table, finding_problems
from crossproof.season.index import SeasonIndex, read_record
from crossproof.season.kept_lines import with_kept_lines
from crossproof.season.kept_loops import loops_are_kept
from crossproof.season.plate_findings import build_plates, named_markers, season_tables
from crossproof.season.plate_heterozygotes import set_aside_by_a_plate
from crossproof.season.processes import forked_map
from crossproof.steps.calibrate import Kept, read_estimates, with_files
from crossproof.steps.findings import FindingsOfSeason, write_findings
from crossproof.steps.misread_tubes import with_families_of_misread_tubes

MOST_TRIED = 12
"""Proposals whose effect on verdicts is worked out, the surest first; the rest only name the plants."""


@dataclass(frozen=True)
class Examination:
    """What the plate checks of a season look at.

    `evidence`: result of every judged family, crosses in order of name. `dismissed`: (subject, finding name)
    that the user set aside.
    """

    config: Config
    samples: pd.DataFrame
    crosses: pd.DataFrame
    joined: JoinedSeason
    panel: Panel
    located: Ints
    wells: Wells
    estimates: Kept | None
    evidence: tuple[FamilyResult, ...]
    dismissed: tuple[tuple[str, str], ...]

    @property
    def settings(self) -> Settings:
        """The model's settings."""
        return model_settings(self.config)


def examine(index: SeasonIndex, threads: int = 1) -> None:
    """Examine every plate; write findings, held plates and samples, and the season's problems they make."""
    folder = index.folder
    each = _shared_by(threads)
    joined, panel = read_panel(folder)
    located = read_located(folder.work("panel", "located"))
    season = Examination(
        index.config,
        read_record(folder, "samples"),
        read_record(folder, "crosses"),
        joined,
        panel,
        located[0],
        load_wells(folder, joined, located, located[0] >= 0, each),
        read_estimates(folder.calibration),
        tuple(
            sorted(
                (
                    result
                    for bucket in index.slices()["verify"]
                    for _, result in read_evidence(folder.work("verify", f"{bucket}.npz"))
                ),
                key=lambda result: result.cross_id,
            )
        ),
        index.dismissed,
    )
    write_findings(index, findings_of(season, threads))


def _shared_by(processes: int) -> Each:
    """What deals work out over so many processes."""
    return lambda function, items: forked_map(function, items, processes)


def findings_of(season: Examination, processes: int = 1) -> FindingsOfSeason:
    """All findings of a season's plates, each proposal with the verdicts it would change."""
    config, samples, panel = season.config, season.samples, season.panel
    each = _shared_by(processes)
    found = _of_plates(season, each)
    found = tuple(f for f in found if not _not_typed(f, season.joined, samples, season.located))
    found += tuple(set_aside_by_a_plate(samples, panel, season.wells, CheckSettings().min_log10_odds))
    found += tuple(f1_findings(panel))
    found = with_families_of_misread_tubes(found, season.evidence, panel, samples)
    pairs = [frozenset(p) for p in zip(season.crosses["mother"], season.crosses["father"], strict=True)]
    lines = {*samples["line"]}.union(*pairs) - {""}
    records = Records(lines, _pods_of(samples), frozenset(pairs))
    odd = [r for r, there_is in zip(season.evidence, each(speaks, season.evidence), strict=True) if there_is]
    named = _parents_named(found, season.crosses)
    places = _places_of(samples[samples["cross_id"].isin({r.cross_id for r in odd})])
    parents = parent_findings(odd, places, named, records)
    found = tuple(without_spilled([*found, *without_held_plates(parents, found, samples, season.crosses)]))
    found = _with_changes(undismissed(found, season.dismissed), season, processes)
    problems = finding_problems(found, samples_file=", ".join(config.samples), crosses_file=config.crosses)
    return FindingsOfSeason(found, tuple(problems))


def _of_plates(season: Examination, each: Each) -> tuple[Finding, ...]:
    """What the plate checks find; where no marker tells the lines apart, which plates carry no DNA."""
    config, samples, panel = season.config, season.samples, season.panel
    tables, rows = season_tables(season.crosses, samples, panel, inbreeding=config.inbreeding)
    telling = bool(tables.blocks)
    if not telling:
        tables, rows = season_tables(season.crosses, samples, panel, telling=False)
    tables = named_markers(tables, rows, season.wells, season.settings)
    plates = build_plates(samples, tables, rows, season.wells, panel.rates(season.settings), each=each)
    if not telling:
        return tuple(dead_plates(plates))
    settings = CheckSettings(
        min_call_rate=config.min_call_rate,
        min_marker_call_rate=config.min_marker_call_rate,
        replicate_conflict=config.line_conflict,
    )
    return examine_plates(plates, tables, settings, each)


def _places_of(samples: pd.DataFrame) -> dict[tuple[str, str], tuple[tuple[str, str], ...]]:
    """Sample and place of every progeny plant's wells."""
    progeny = samples[samples["role"] == Role.PROGENY]
    columns = (progeny[c].tolist() for c in ("cross_id", "plant", "sample_id", "plate", "well"))
    places: dict[tuple[str, str], tuple[tuple[str, str], ...]] = {}
    for cross, plant, sample, plate, well in zip(*columns, strict=True):
        place = f"{plate}:{well}" if plate and well else ""
        places[cross, plant] = (*places.get((cross, plant), ()), (sample, place))
    return places


def _pods_of(samples: pd.DataFrame) -> dict[tuple[str, str], str]:
    """Pod of every progeny plant, by cross and plant; "" where it is not recorded."""
    progeny = samples[samples["role"] == Role.PROGENY]
    cross, plant, pod = (progeny[c].to_numpy(dtype=object).tolist() for c in ("cross_id", "plant", "pod"))
    return dict(zip(zip(cross, plant, strict=True), pod, strict=True))


_EXCHANGED = (FindingKind.TAGS_SWAPPED, FindingKind.PODS_SWAPPED)
_OF_LINES = (FindingKind.LINES_SWAPPED, FindingKind.LINE_WRONG)


def _parents_named(found: Iterable[Finding], crosses: pd.DataFrame) -> dict[str, str]:
    """Crosses of which the plate checks name another tag, parent or line, with what they name."""
    named: dict[str, str] = {}
    for f in found:
        if f.kind in _OF_LINES:
            lines = (f.subject, f.other)
            made = crosses["mother"].isin(lines) | crosses["father"].isin(lines)
            named |= dict.fromkeys(crosses.loc[made, "cross_id"], f.other)
        if f.kind in (FindingKind.PARENT_WRONG, FindingKind.TAG_WRONG, *_EXCHANGED):
            named[f.subject] = f.other
            if f.kind in _EXCHANGED:
                named[f.other] = f.subject
    return named


def without_held_plates(
    parents: Sequence[Finding], found: tuple[Finding, ...], samples: pd.DataFrame, crosses: pd.DataFrame
) -> Iterator[Finding]:
    """Findings about parents, without their proposals where a plate that lies otherwise bears on them.

    The families were judged by the sheet: wells that lie otherwise look like another parent, and a row about
    it beside the row that puts the plate right would contradict that.
    """
    lying = held_plates(tuple(f for f in found if f.kind is not FindingKind.DEAD_PLATE))
    there = samples[samples["plate"].isin(lying)]
    lines = set(there.loc[there["role"] == Role.PARENT, "line"])
    tags = set(there.loc[there["role"] == Role.PROGENY, "cross_id"])
    tags |= set(crosses.loc[crosses["mother"].isin(lines) | crosses["father"].isin(lines), "cross_id"])
    for f in parents:
        if f.corrections and f.subject in tags:
            more = f" Nothing is proposed while {' and '.join(sorted(lying))}, which bears on it, is held."
            f = replace(f, corrections=(), evidence=f.evidence + more)
        yield f


def _not_typed(finding: Finding, joined: JoinedSeason, samples: pd.DataFrame, located: np.ndarray) -> bool:
    """Whether a marker said to fail on a plate is in none of the plate's genotype files."""
    if finding.kind is not FindingKind.LOW_CALL_MARKER:
        return False
    batches = set(located[(samples["plate"] == finding.plate).to_numpy()].tolist()) - {-1}
    return finding.subject not in joined.markers.ids[marker_mask(joined, batches)]


def _with_changes(found: tuple[Finding, ...], season: Examination, processes: int) -> tuple[Finding, ...]:
    """The findings, those with a proposal with the verdicts that following it would change."""
    order = sorted(
        (i for i, f in enumerate(found) if f.corrections),
        key=lambda i: -(found[i].log10_odds if np.isfinite(found[i].log10_odds) else 0.0),
    )
    if not order:
        return found
    now = _AsItIs(
        {plant: (r, i) for r in season.evidence for i, plant in enumerate(r.plants.tolist())},
        line_inputs(season.samples, season.located, season.config),
    )
    out = list(found)
    tried = order[:MOST_TRIED]
    changes = forked_map(lambda i: _would_change(found[i], now, season), tried, processes)
    for i, its in zip(tried, changes, strict=True):
        out[i] = replace(found[i], changes=its)
    return tuple(out)


@dataclass(frozen=True)
class _AsItIs:
    """Evidence of every judged plant (with its place there), and lines, before any proposal is followed."""

    judged: dict[str, tuple[FamilyResult, int]]
    lines: list[LineInput]


def _would_change(finding: Finding, now: _AsItIs, season: Examination) -> tuple[VerdictChange, ...] | None:
    """Plants whose verdict would change if the proposal were applied; None where it cannot be applied."""
    corrected = apply_corrections(season.samples, season.crosses, corrections_table([finding]))
    if corrected.problems:
        return None
    own = set(finding.samples)
    sample = season.samples["sample_id"].to_numpy(dtype=object)
    touched = {x for c in finding.corrections for x in (c.target, c.other)}
    may_be = _bearing_on(season, corrected, own, touched)
    before = {f.cross_id: f for f in _families_of(may_be, season.samples, season.crosses)}
    after = []
    for family in _families_of(may_be, corrected.samples, corrected.crosses):
        names = {sample[w] for p in family.plants for w in p.wells}
        same = before.get(family.cross_id) == family
        if not same or names & own or touched & {family.mother, family.father}:
            after.append(family)
    at = season.located.tolist()
    after = [f for f in after if batches_of(f, at)]
    panel = _panel_of(season, corrected.samples, after, now.lines)
    others = prepare_crosses(cross_records(corrected.crosses), panel)
    changed: list[VerdictChange] = []
    for family in after:
        result = verify_family(family, season.wells, panel, season.settings, others)
        changed += _differences(now.judged, result, season.settings)
    return tuple(sorted(changed, key=lambda c: c.plant))


def _families_of(wanted: set[str], samples: pd.DataFrame, crosses: pd.DataFrame) -> list[FamilyInput]:
    """The families of some crosses."""
    mine, theirs = samples["cross_id"].isin(wanted), crosses["cross_id"].isin(wanted)
    return family_inputs(samples[mine], crosses[theirs])


def _bearing_on(season: Examination, corrected: Corrected, own: set[str], touched: set[str]) -> set[str]:
    """Crosses that a proposal may bear on: those of the rows that it changes, of its own samples, and of the
    lines that it names."""
    before, after = season.samples, corrected.samples
    gone = before.index.difference(after.index)
    stay = before if not len(gone) and before.index.equals(after.index) else before.loc[after.index]
    changed = after["sample_id"].isin(own).to_numpy()
    for column in ("role", "cross_id", "plant", "pod"):
        changed = changed | (stay[column].to_numpy() != after[column].to_numpy())
    found = {*before.loc[gone, "cross_id"], *stay.loc[changed, "cross_id"], *after.loc[changed, "cross_id"]}
    parents = [(c, (m, f)) for c, m, f in _parents_of(season.crosses)]
    as_was = dict(parents)
    return found | {
        c
        for c, m, f in _parents_of(corrected.crosses)
        if m in touched or f in touched or as_was.get(c) != (m, f)
    }


def _parents_of(crosses: pd.DataFrame) -> Iterator[tuple[str, str, str]]:
    """Name, mother and father of every cross."""
    return zip(*(crosses[c].tolist() for c in ("cross_id", "mother", "father")), strict=True)


def _panel_of(
    season: Examination, samples: pd.DataFrame, families: list[FamilyInput], as_it_is: list[LineInput]
) -> Panel:
    """The panel with parent tubes as corrected, under the season's run-wide estimates.

    What families say of tubes that the correction moves is left out: it was said of the tubes as they were.
    `families`: those that are judged under it. Where no tube moves it is the season's own panel.
    """
    settings, lines, wells = (
        season.settings,
        line_inputs(samples, season.located, season.config),
        season.wells,
    )
    if lines == as_it_is:
        return season.panel
    kept = season.estimates
    if kept is None:
        return steady(fit_panel(wells, lines, families, settings, kept_loops=loops_are_kept()))
    moved = kept.lines.moved(with_files(samples, wells))
    stay = [i for i, s in enumerate(kept.estimates.says or ()) if not moved & {s[1], s[2]}]
    estimates = replace(
        kept.estimates,
        says=tuple((kept.estimates.says or ())[i] for i in stay),
        departing=tuple(kept.estimates.departing[i] for i in stay),
        doubts=tuple(d for d in kept.estimates.doubts if d["line"] not in moved),
    )
    fitted = fit_panel(wells, lines, families, settings, estimates, kept_loops=loops_are_kept())
    return with_kept_lines(fitted, kept.lines, wells.markers, moved)


def _differences(
    judged: dict[str, tuple[FamilyResult, int]], result: FamilyResult, settings: Settings
) -> list[VerdictChange]:
    out = []
    for i, plant in enumerate(result.plants.tolist()):
        if plant in judged:
            before, after = (judge(*r, settings).verdict for r in (judged[plant], (result, i)))
            if before is not after:
                out.append(VerdictChange(plant, before, after))
    return out
