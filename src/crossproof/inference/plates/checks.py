"""Plate checks of a season: every way in which a plate, a tag or a parent tube can be other than it says.

- `examine_plates`: all plates at once, to findings about plates, samples, crosses and lines
- `examine_plate`: the layout of one plate by itself, for work dealt out over processes
- `what_if`: the identities that a finding proposes, well by well

The steps: parent tubes against each other; each plate's layout; badly fitting plates against each other's
sheets; badly fitting crosses against the season's; then blanks, call rates, replicates, mixtures, duplicates.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.arrays import (
    EMPTY,
    Plate,
    SeasonBlock,
    SeasonTables,
    WellBlock,
    all_alike,
    choose_markers,
    line_evidence,
)
from crossproof.inference.plates.call_rate_model import background_call_rate, usual_call_rate
from crossproof.inference.plates.call_rates import batch_findings, blank_findings, low_call_findings
from crossproof.inference.plates.carried_over import carry_findings
from crossproof.inference.plates.doubtful_wells import doubt_findings
from crossproof.inference.plates.duplicates import duplicate_findings
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.examined_plates import (
    best_layout,
    count_strays,
    evidence_without,
    examine_plate,
    searched,
    season_evidence,
    with_believed_tubes,
)
from crossproof.inference.plates.layout_findings import blind_spots, layout_findings, same_layouts
from crossproof.inference.plates.line_checks import (
    line_tube_findings,
    plant_replicate_findings,
    same_line_findings,
)
from crossproof.inference.plates.mixtures import mixture_findings
from crossproof.inference.plates.plate_exchange import exchange_findings
from crossproof.inference.plates.pod_swaps import pod_findings, pod_swaps, swapped_identity
from crossproof.inference.plates.spills import likeliest, spill_findings, without_spilled
from crossproof.inference.plates.tag_checks import cross_findings, maternal_findings
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.unfit_plates import unfit_findings
from crossproof.inference.plates.wrong_markers import wrong_marker_findings
from crossproof.model.corrections import Correction
from crossproof.model.declaration import default
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_plates, held_samples


@dataclass(frozen=True)
class CheckSettings:
    """Thresholds of the plate checks.

    `min_log10_odds`: posterior odds (prior against a fault included) from which a finding is made;
    `min_call_rate`, `min_marker_call_rate` as in config.yaml; `replicate_conflict`: share of markers at which
    two replicates may differ (`line_conflict` in config.yaml). `remarks`: also say which faults a plate could
    not show.
    """

    min_log10_odds: float = 1.0
    min_call_rate: float = default("min_call_rate")
    min_marker_call_rate: float = default("min_marker_call_rate")
    replicate_conflict: float = default("line_conflict")
    remarks: bool = True


def _merged(findings: list[Finding]) -> list[Finding]:
    """The same finding about the same cross from several plates becomes one."""
    out: dict[tuple[str, ...], Finding] = {}
    for f in findings:
        if f.kind not in (FindingKind.TAGS_SWAPPED, FindingKind.TAG_WRONG):
            out[f.kind, f.plate, f.subject, str(len(out))] = f
            continue
        pair = sorted([f.subject, f.other]) if f.kind is FindingKind.TAGS_SWAPPED else [f.subject, f.other]
        key = (f.kind, *pair)
        if key in out:
            old = out[key]
            f = replace(
                old,
                plate=old.plate if old.plate == f.plate else "",
                evidence=f"{old.evidence} {f.evidence}",
                wells=old.wells + f.wells,
                samples=old.samples + f.samples,
                log10_odds=old.log10_odds + f.log10_odds,
                reassigned=old.reassigned + f.reassigned,
            )
        out[key] = f
    return list(out.values())


def _with_sibs(findings: list[Finding], plates: Sequence[Plate], season: SeasonTables) -> list[Finding]:
    """The findings, those that hold a plate for its layout with the sibs of its plants on other plates.

    All plants of a cross are judged together: wells that hold something else mislead the verdicts of sibs.
    """
    held = held_plates(tuple(findings))
    out = []
    for f in findings:
        if f.hold is Hold.PLATE and f.scope is Scope.PLATE and f.kind is not FindingKind.DEAD_PLATE:
            mine = [p.identity for p in plates if p.name in f.plates]
            crosses = np.unique(np.concatenate(mine))
            crosses = crosses[crosses >= season.n_lines]
            sibs = tuple(
                p.samples[w]
                for p in plates
                if p.name not in held
                for w in np.flatnonzero(np.isin(p.identity, crosses))
            )
            if sibs:
                more = (
                    f" Also held: {len(sibs)} plants of its crosses on other plates, which are judged "
                    f"together with them."
                )
                f = replace(f, sibs=sibs, evidence=f.evidence + more)
        out.append(f)
    return out


def _well_findings(
    x: Examined,
    season: SeasonTables,
    settings: CheckSettings,
    *,
    usual: float,
    background: float,
    lying: Collection[str],
    explained: frozenset[str],
) -> list[Finding]:
    """What is found on single wells of one plate.

    `lying`: plates that do not lie as labelled; `explained`: samples that other findings speak of.
    """
    odds = settings.min_log10_odds
    identity, matrix = x.search.identity, x.search.matrix
    found = blank_findings(
        x.plate, identity, matrix, season, usual=usual, background=background, threshold=odds
    )
    found += low_call_findings(
        x.plate,
        identity,
        season,
        usual=usual,
        background=background,
        threshold=odds,
        min_call_rate=settings.min_call_rate,
        min_marker_call_rate=settings.min_marker_call_rate,
    )
    if x.plate.name not in lying and not all_alike(x.plate):
        carried = carry_findings(x.scores, matrix, identity, odds)
        spills = likeliest([*spill_findings(x.scores, matrix, identity, odds), *carried])
        told = explained.union(*(f.samples for f in spills))
        mixed = mixture_findings(x.scores, matrix, identity, odds)
        found += [*spills, *(f for f in mixed if f.subject not in told)]
        found += doubt_findings(x, explained)
    if settings.remarks and x.plate.placed:
        found += blind_spots(x.plate, season)
    return found


def examine_plates(
    plates: Sequence[Plate],
    season: SeasonTables,
    settings: CheckSettings | None = None,
    each: Each = one_by_one,
) -> tuple[Finding, ...]:
    """Everything found on these plates: plate by plate in the order given, then crosses, then lines.

    Parameters: `plates`, each with one `WellBlock` per `SeasonBlock`, same markers in the same order;
    `season`.
    A finding is made only where its posterior odds over "as labelled" reach `settings.min_log10_odds`.
    Within a plate, findings stand in the order in which their corrections must be applied. `each` calls a
    function with every plate or cross, and may do so for several at once.
    """
    settings = settings or CheckSettings()
    plates = list(plates)
    if not any(p.n_markers for p in plates):
        return ()
    odds = settings.min_log10_odds
    usual, background = usual_call_rate(plates), background_call_rate(plates)
    everything = season_evidence(season, plates)
    tubes = line_tube_findings(plates, season, everything, settings.replicate_conflict)
    odd = frozenset(s for f in tubes if f.corrections for s in f.samples)
    evidence = evidence_without(everything, season, plates, odd)
    examined = [
        examine_plate(
            p,
            season,
            evidence,
            usual=usual,
            background=background,
            odd_tubes=odd,
            min_log10_odds=odds,
            as_labelled=True,
        )
        for p in plates
    ]
    count_strays(examined, each)
    exchanged = exchange_findings(
        plates,
        [x.search for x in examined],
        season,
        everything,
        usual=usual,
        background=background,
        threshold=odds,
    )
    # A plate may fit another's sheet a little and a layout of its own far better.
    by_name = {x.plate.name: x for x in examined}
    exchanged = [f for f in exchanged if f.log10_odds > best_layout(by_name[f.plate], usual)]
    away = held_plates(tuple(exchanged))
    stay = [x for x in examined if x.plate.name not in away]
    swaps = pod_swaps(stay, season, odds)
    here = searched(stay, [swapped_identity(x, swaps) for x in stay], usual, odds, each)
    if swaps and any(s.layout is not None for x in here for s in x.search.steps):
        # On a plate that lies otherwise, pods seem to have changed places that did not.
        swaps = []
        here = searched(stay, [x.plate.identity for x in stay], usual, odds, each)
    anew = with_believed_tubes(
        here,
        season,
        everything,
        settings.replicate_conflict,
        usual=usual,
        background=background,
        threshold=odds,
        each=each,
    )
    if anew is not None:
        here, tubes, evidence, odd = anew

    crosses = cross_findings(here, season, odds, each)
    unfit = unfit_findings(here, frozenset(s for f in crosses for s in f.samples), each)
    if unfit:
        # Piecemeal stories of such a plate, or of its crosses, would only mislead.
        crosses = cross_findings([x for x in here if x.plate.name not in unfit], season, odds, each)
    layouts = [f for x in here if x.plate.name not in unfit for f in layout_findings(x.search, x.scores)]
    pods = [f for f in pod_findings(swaps, here, season) if not unfit.keys() & set(f.plates)]
    found = [*_merged([*exchanged, *layouts, *pods, *crosses]), *unfit.values()]
    explained = frozenset(s for f in found for s in f.samples)
    lying = held_plates(tuple(found))  # what their wells hold is not known: no finding about single wells

    def of_wells(x: Examined) -> list[Finding]:
        return _well_findings(
            x, season, settings, usual=usual, background=background, lying=lying, explained=explained
        )

    for of_plate in each(of_wells, here):
        found += of_plate
    found = without_spilled(found)
    if settings.remarks:
        found += same_layouts([x.plate for x in here], season)
    sound = [x for x in here if x.plate.name not in lying]
    found += [
        f
        for f in plant_replicate_findings([x.plate for x in sound], season, settings.replicate_conflict)
        if not explained.intersection(f.samples)
    ]
    found += duplicate_findings(sound, season, odds, each)
    found += batch_findings(
        [x.scores for x in sound], [x.search.matrix for x in sound], [x.search.identity for x in sound], odds
    )
    found += wrong_marker_findings(sound, season, odds, each)
    turned = {f.subject for f in found if f.kind is FindingKind.RECIPROCAL}
    found += [f for f in maternal_findings(sound, season, evidence, odds) if f.subject not in turned]
    on_lying = frozenset(s for p in plates if p.name in lying | away for s in p.samples)
    found += [f for f in tubes if not (explained | on_lying).intersection(f.samples)]
    found += same_line_findings(season, evidence_without(everything, season, plates, odd | on_lying))
    found = _with_sibs(found, plates, season)
    order = {p.name: i for i, p in enumerate(plates)}
    return tuple(sorted(found, key=lambda f: order.get(f.plate, len(order))))


def what_if(finding: Finding) -> dict[str, int]:
    """Identity index that each affected sample would have if the finding's proposal were applied.

    Judge these samples again under those identities to see which verdicts would change. A sample that would
    have no identity (its place is not on the sheet) is EMPTY.
    """
    return dict(finding.reassigned)


__all__ = [
    "EMPTY",
    "CheckSettings",
    "Correction",
    "Examined",
    "Finding",
    "FindingKind",
    "Hold",
    "Plate",
    "Scope",
    "SeasonBlock",
    "SeasonTables",
    "WellBlock",
    "choose_markers",
    "examine_plate",
    "examine_plates",
    "held_plates",
    "held_samples",
    "line_evidence",
    "what_if",
]
