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
from crossproof.inference.plates.check_settings import SURER, CheckSettings
from crossproof.inference.plates.copied_calls import copied_calls
from crossproof.inference.plates.doubtful_wells import doubt_findings
from crossproof.inference.plates.dropped_strips import without_rows_of_strips
from crossproof.inference.plates.duplicates import candidates_from, duplicate_findings
from crossproof.inference.plates.each import AskedOnce, Each, one_by_one
from crossproof.inference.plates.examined_plates import (
    best_layout,
    count_strays,
    evidence_without,
    examine_plate,
    examined_as_labelled,
    searched,
    season_evidence,
    with_believed_tubes,
)
from crossproof.inference.plates.far_pairs import far_pairs
from crossproof.inference.plates.joined_findings import merged, with_judged_together, without_rows_on_rows
from crossproof.inference.plates.layout_findings import blind_spots, layout_findings
from crossproof.inference.plates.layout_search import CERTAIN
from crossproof.inference.plates.line_checks import (
    line_tube_findings,
    plant_replicate_findings,
    same_line_findings,
)
from crossproof.inference.plates.line_events import (
    MOST_EVENTS,
    event_finding,
    line_event,
    outweighs,
    season_after,
    with_crosses_of_tubes,
    without_other_rows,
)
from crossproof.inference.plates.mixtures import mixture_findings
from crossproof.inference.plates.plate_exchange import exchange_findings
from crossproof.inference.plates.pod_swaps import (
    PodSwap,
    explains_more,
    pod_findings,
    pod_swaps,
    swapped_identity,
)
from crossproof.inference.plates.same_sheets import same_sheets
from crossproof.inference.plates.spill_findings import likeliest, spill_findings, without_spilled
from crossproof.inference.plates.spill_or_parents import told_from_spills, without_rows_of
from crossproof.inference.plates.tag_checks import cross_findings, findings_of_directions
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.uncertain_order import order_findings
from crossproof.inference.plates.unfit_plates import unfit_findings
from crossproof.inference.plates.wrong_markers import marker_gains, wrong_marker_findings
from crossproof.model.arrays import Floats
from crossproof.model.corrections import Correction
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_plates, held_samples


def _well_findings(
    x: Examined,
    season: SeasonTables,
    settings: CheckSettings,
    rates: tuple[float, float],
    lying: Collection[str],
    explained: frozenset[str],
    borne: frozenset[str],
) -> list[Finding]:
    """What is found on single wells of one plate.

    `rates`: call rates of samples and of blanks; `lying`: plates that do not lie as labelled; `explained`:
    samples that other findings speak of; `borne`: those of crosses that other parents explain better than
    spilled DNA.
    """
    odds = settings.min_log10_odds
    identity, matrix, (usual, background) = x.search.identity, x.search.matrix, rates
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
        carried = carry_findings(x.scores, matrix, identity)
        spills = likeliest([*spill_findings(x.scores, matrix, identity, borne=borne), *carried])
        told = explained.union(*(f.samples for f in spills))
        mixed = mixture_findings(x.scores, matrix, identity, odds + SURER)
        found += [*spills, *(f for f in mixed if f.subject not in told)]
        found += [*doubt_findings(x, explained), *order_findings(x, explained)]
    if settings.remarks and x.plate.placed:
        found += blind_spots(x.plate, season)
    return found


@dataclass(frozen=True)
class _Look:
    """What the season's plates and crosses are found to be.

    `examined`: plates as labelled; `here`: those not exchanged, with their layouts searched; `tubes`:
    findings about parent tubes, `odd` the odd ones; `evidence`: of lines, without these; `away`: plates
    exchanged; `found`: how plates lie, which tags and parents are wrong.
    """

    checks: _SeasonOfPlates
    examined: list[Examined]
    here: list[Examined]
    tubes: list[Finding]
    evidence: tuple[Floats, ...]
    odd: frozenset[str]
    away: frozenset[str]
    found: list[Finding]

    def with_line_events(self) -> tuple[_Look, list[Finding]]:
        """The season as lines that changed places, or are others, have it; and what says so."""
        look, events = self, list[Finding]()
        while len(events) < MOST_EVENTS:
            checks = look.checks
            lying = held_plates(tuple(f for f in look.found if f.log10_odds > CERTAIN))
            plates = [x for x in look.examined if x.plate.name not in lying]
            event = line_event(plates, checks.season, checks.odds, AskedOnce(checks.each))
            if event is None:
                break
            told = event_finding(event, checks.plates, checks.season)
            if not outweighs(told, look.found):
                break
            after = replace(checks, season=season_after(checks.season, event)).look()
            unfit = {p for f in after.found if f.kind is FindingKind.UNEXPLAINED for p in f.plates}
            if unfit & set(told.plates):
                break
            look = after
            events.append(told)
        return look, events


@dataclass(frozen=True)
class _SeasonOfPlates:
    """What all stages of `examine_plates` need.

    `usual`, `background`: call rates of samples and of blanks; `everything`: line evidence of all tubes as
    labelled.
    """

    plates: Sequence[Plate]
    season: SeasonTables
    settings: CheckSettings
    each: Each
    usual: float
    background: float
    everything: tuple[Floats, ...]

    @property
    def odds(self) -> float:
        """Log10 posterior odds from which a finding is made."""
        return self.settings.min_log10_odds

    def without(self, odd: frozenset[str]) -> tuple[Floats, ...]:
        """Line evidence less that of the odd tubes."""
        return evidence_without(self.everything, self.season, self.plates, odd)

    def as_labelled(self, evidence: tuple[Floats, ...], odd: frozenset[str]) -> list[Examined]:
        """All plates scored as labelled, without the odd tubes, and their stray seed counted."""
        examined = examined_as_labelled(
            self.plates,
            self.season,
            evidence,
            usual=self.usual,
            background=self.background,
            odd_tubes=odd,
            min_log10_odds=self.odds,
            each=self.each,
        )
        count_strays(examined, self.each)
        return examined

    def exchanged(self, examined: Sequence[Examined]) -> list[Finding]:
        """Plates that fit another plate's sheet."""
        found = exchange_findings(
            self.plates,
            [x.search for x in examined],
            self.season,
            self.everything,
            usual=self.usual,
            background=self.background,
            threshold=self.odds,
        )
        # A plate may fit another's sheet a little and a layout of its own far better.
        by_name = {x.plate.name: x for x in examined}
        return [f for f in found if f.log10_odds > best_layout(by_name[f.plate], self.usual)]

    def layouts_searched(self, stay: Sequence[Examined]) -> tuple[list[Examined], list[PodSwap]]:
        """Plates with their layouts searched, and pods that changed places."""
        swaps = pod_swaps(stay, self.season, self.odds, self.each)
        labelled = searched(stay, [x.plate.identity for x in stay], self.usual, self.odds, self.each)
        if not swaps:
            return labelled, []
        starts = [swapped_identity(x, swaps) for x in stay]
        other = [i for i, x in enumerate(stay) if (starts[i] != x.plate.identity).any()]
        anew = searched(
            [stay[i] for i in other], [starts[i] for i in other], self.usual, self.odds, self.each
        )
        here = list(labelled)
        for i, x in zip(other, anew, strict=True):
            here[i] = x
        # On a plate that lies otherwise, pods seem to have changed places that did not.
        still = any(s.layout is not None for x in here for s in x.search.steps)
        if still or any(
            explains_more(x, start == x.plate.identity) for x, start in zip(labelled, starts, strict=True)
        ):
            return labelled, []
        return here, swaps

    def of_plates_and_crosses(
        self, here: Sequence[Examined], swaps: Sequence[PodSwap], exchanged: Sequence[Finding]
    ) -> list[Finding]:
        """How plates lie, which tags are wrong, and which plates nothing explains."""
        asked = AskedOnce(self.each)
        crosses = cross_findings(here, self.season, self.odds, asked)
        unfit = unfit_findings(here, frozenset(s for f in crosses for s in f.samples), self.each)
        fit = [x for x in here if x.plate.name not in unfit]
        if unfit:
            # Piecemeal stories of such a plate, or of its crosses, would only mislead.
            crosses = cross_findings(fit, self.season, self.odds, asked)
        told = frozenset(s for f in crosses for s in f.samples)
        layouts = [f for x in fit for f in layout_findings(x, told)]
        pods = [f for f in pod_findings(swaps, here, self.season) if not unfit.keys() & set(f.plates)]
        found = without_rows_on_rows(merged([*exchanged, *layouts, *pods, *crosses]))
        return [*found, *unfit.values()]

    def look(self) -> _Look:
        """Tubes, layouts, tags and parents, with the season's crosses as they are recorded."""
        conflict = self.settings.replicate_conflict
        tubes = line_tube_findings(self.plates, self.season, self.everything, conflict)
        odd = frozenset(s for f in tubes if f.corrections for s in f.samples)
        evidence = self.without(odd)
        examined = self.as_labelled(evidence, odd)
        exchanged = self.exchanged(examined)
        away = held_plates(tuple(exchanged))
        here, swaps = self.layouts_searched([x for x in examined if x.plate.name not in away])
        anew = with_believed_tubes(
            here,
            self.season,
            self.everything,
            conflict,
            usual=self.usual,
            background=self.background,
            threshold=self.odds,
            each=self.each,
        )
        if anew is not None:
            here, tubes, evidence, odd = anew
        found = self.of_plates_and_crosses(here, swaps, exchanged)
        return _Look(self, examined, here, tubes, evidence, odd, away, found)

    def of_wells(
        self,
        here: Sequence[Examined],
        lying: Collection[str],
        explained: frozenset[str],
        borne: frozenset[str],
        sound: Sequence[Examined],
        asked: AskedOnce,
    ) -> list[Finding]:
        """What is found on single wells of all plates; `lying`, `explained` and `borne` as in
        `_well_findings`. What `across_wells` asks of the plates `sound` is asked with it."""

        def of_plate(x: Examined) -> list[Finding]:
            rates = self.usual, self.background
            return _well_findings(x, self.season, self.settings, rates, lying, explained, borne)

        asked.ahead((of_plate, here), (candidates_from(self.odds + SURER), sound), (marker_gains, sound))
        return [f for found in asked.of_same(of_plate, here) for f in found]

    def across_wells(
        self, sound: Sequence[Examined], explained: frozenset[str], asked: AskedOnce
    ) -> list[Finding]:
        """Replicates, duplicates, batches and markers of the plates that lie as labelled."""
        plates, conflict = [x.plate for x in sound], self.settings.replicate_conflict
        replicates = plant_replicate_findings(plates, self.season, conflict)
        found = [f for f in replicates if not explained.intersection(f.samples)]
        found += duplicate_findings(sound, self.season, self.odds + SURER, asked.of_same)
        found += batch_findings(
            [x.scores for x in sound],
            [x.search.matrix for x in sound],
            [x.search.identity for x in sound],
            self.odds,
        )
        found += wrong_marker_findings(sound, self.season, self.odds, asked.of_same)
        return found


def examine_plates(
    plates: Sequence[Plate],
    season: SeasonTables,
    settings: CheckSettings | None = None,
    each: Each = one_by_one,
) -> tuple[Finding, ...]:
    """Everything found on these plates: plate by plate in the order given, then crosses, then lines.

    `plates` have one `WellBlock` per `SeasonBlock` of `season` each, same markers in the same order.
    A finding is made only where its posterior odds over "as labelled" reach `settings.min_log10_odds`.
    Within a plate, findings stand in the order in which their corrections must be applied. `each` calls a
    function with every plate or cross, and may do so for several at once.
    """
    settings, plates = settings or CheckSettings(), list(plates)
    if not any(p.n_markers for p in plates):
        return ()
    usual, background = usual_call_rate(plates), background_call_rate(plates)
    everything = season_evidence(season, plates)
    checks = _SeasonOfPlates(plates, season, settings, each, usual, background, everything)
    look, events = checks.look().with_line_events()
    checks, season = look.checks, look.checks.season
    here, evidence, odd = look.here, look.evidence, look.odd
    found = [*look.found, *copied_calls(plates, checks.odds, look.found)]
    found, tubes_moved = with_crosses_of_tubes(found, plates, season)
    in_question = [*tubes_moved, *((f.subject, f.other) for f in events)]
    found = without_other_rows(found, in_question, season)
    told = told_from_spills(found, here, season)
    found = without_rows_of_strips([*told.found, *events], here, season)
    lying = held_plates(tuple(found))  # what their wells hold is not known: no finding about single wells
    sound = [x for x in here if x.plate.name not in lying]
    found += far_pairs(sound, season, found)
    explained = frozenset(s for f in found for s in f.samples)
    asked = AskedOnce(each)
    of_wells = checks.of_wells(here, lying, explained, told.borne, sound, asked)
    found = without_spilled([*found, *without_rows_of(told.witnesses, of_wells)])
    found += checks.across_wells(sound, explained, asked)
    found += findings_of_directions(sound, season, evidence, checks.odds, found, asked)
    on_lying = frozenset(s for p in plates if p.name in lying | look.away for s in p.samples)
    found += [f for f in look.tubes if not (explained | on_lying).intersection(f.samples)]
    found += (same_line := same_line_findings(season, checks.without(odd | on_lying)))
    if settings.remarks:
        one_line = [(f.subject, f.other) for f in same_line]
        found += same_sheets([x.plate for x in here], season, one_line)
    found = with_judged_together(found, plates, season, usual)
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
