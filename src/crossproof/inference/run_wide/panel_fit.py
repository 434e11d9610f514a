"""Making the panel: versions of lines, markers set aside, and the run-wide estimates by EM."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.compilation import pays
from crossproof.inference.evidence.blocks import ErrorRates, Wells
from crossproof.inference.lines.consensus import POOL_PSEUDO_COUNT, line_prior, normalised
from crossproof.inference.lines.doubt import doubt_from_dict
from crossproof.inference.lines.f1_parents import find_copies, outbred_lines
from crossproof.inference.lines.panel import (
    QUALITY_PRIOR,
    Panel,
    TagRates,
    find_versions,
    fit_blocks,
    marker_groups,
    start_rates,
    version_likelihood,
)
from crossproof.inference.lines.panel_block import PanelBlock
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.run_wide.calibration import Calibration
from crossproof.inference.run_wide.estimation import SAYS_ROUNDS, Rounds, as_said
from crossproof.inference.run_wide.expectation import (
    Expected,
    added_up,
    count_lines,
    sample_families,
)
from crossproof.inference.run_wide.maximisation import next_estimates
from crossproof.inference.run_wide.replicates import replicate_differences
from crossproof.inference.season_results import FamilyInput, LineInput
from crossproof.model.arrays import Bools, Floats, Ints, Texts, UInt8s
from crossproof.model.genotypes import genotype_alleles
from crossproof.model.settings import Settings

LOW_CALL_RATE = "low call rate"
NOT_TYPED = "not typed in any parent"
MONOMORPHIC = "one allele in all samples"
TOO_HETEROZYGOUS = "heterozygous in fixed lines"

LINE_ROUNDS = 25
"""Rounds of the panel lines alone before families are looked at."""
LINE_TOLERANCE = 1e-4
ROUGH_FAMILIES = 20
"""Families on which estimates are brought near the season's where more than MOSTLY of them are in doubt under
those to start from: in doubt they cost ten times as much."""
MOSTLY = 0.5
FIRST_FAMILIES = 60
"""Families on which they are brought nearer before a sample of at least twice as many is looked at."""
MAX_ROUNDS = 25
FIRST_ROUNDS = 3
"""As many as it takes to see where the estimates lead, see `Accelerator`."""


def fit_panel(
    wells: Wells,
    lines: Sequence[LineInput],
    families: Sequence[FamilyInput],
    settings: Settings,
    calibration: Calibration | None = None,
    each: Each = one_by_one,
    *,
    kept_loops: bool = False,
) -> Panel:
    """Lines, pool frequencies, error rates and priors of a run.

    `lines`: every panel line once. `families`: all families of the run, of which a fixed sample serves to
    estimate dropout, parent departure and class prior. With a `calibration` of an earlier run its estimates
    are used as they are and only markers that it does not name are estimated, and what families say of their
    parents' typing where it does not hold that. `each` calls a function with every family; `kept_loops`:
    loops have been compiled before. The order of lines and families changes nothing.
    """
    lines = sorted(lines, key=lambda x: x.line)
    rates, reasons = _frozen_rates(wells, start_rates(wells, settings), calibration)
    fit = _PanelFit(wells, lines, settings, calibration, each, kept_loops)
    panel = fit.with_lines(fit.before_any_round(families, rates, reasons))
    panel = _set_aside(panel, wells, settings)
    likelihoods = [
        version_likelihood(wells, rows, k, panel.version_wells, rates) for k, _, rows in marker_groups(wells)
    ]
    panel = find_copies(panel, lines, likelihoods)
    fit = replace(fit, lines=outbred_lines(panel, lines))
    panel = fit.lines_alone(fit.with_lines(panel))
    panel = fit.with_earlier_says(_set_aside(panel, wells, settings))
    sample = sample_families(families, len(wells.markers))
    if not sample or (fit.said and fit.every_marker_known(panel)):
        return panel
    return fit.with_families(panel, sample)


@dataclass(frozen=True)
class _PanelFit:
    """The stages of a panel's fit; fields as in `fit_panel`, the lines in order of name."""

    wells: Wells
    lines: Sequence[LineInput]
    settings: Settings
    calibration: Calibration | None
    each: Each
    kept_loops: bool

    @property
    def said(self) -> bool:
        """Whether an earlier run holds what families say of their parents' typing."""
        return self.calibration is not None and self.calibration.says is not None

    def every_marker_known(self, panel: Panel) -> bool:
        """Whether an earlier run's estimates cover all markers."""
        return self.calibration is not None and bool(panel.frozen.all())

    def before_any_round(self, families: Sequence[FamilyInput], rates: ErrorRates, reasons: Texts) -> Panel:
        """The panel without line posteriors: versions of lines, and the estimates to start from.

        `rates`, `reasons`: as `_frozen_rates` gives them.
        """
        wells, settings, calibration = self.wells, self.settings, self.calibration
        known = reasons != _NEW
        call_rate, several = call_rates(wells)
        aside = np.where(known, reasons, _first_reasons(call_rate, several, settings))
        version_line, version_wells = find_versions(wells, self.lines, rates, settings, aside == "")
        pairs, differ = replicate_differences(
            wells, list(version_wells) + [p.wells for f in families for p in f.plants if len(p.wells) > 1]
        )
        prior = np.array(settings.class_prior if calibration is None else calibration.class_prior)
        return Panel(
            tuple(x.line for x in self.lines),
            version_line,
            version_wells,
            (),
            rates.f,
            rates.d,
            settings.parent_departure if calibration is None else calibration.h,
            prior / prior.sum(),
            aside.astype("<U40"),
            call_rate,
            known,
            pairs,
            differ,
            np.empty(0, dtype=np.str_),
            np.empty((0, 2), dtype=np.str_),
            np.empty((0, 2), dtype=np.int64),
            np.empty((0, 2)),
            _first_tag_rates(settings, calibration),
            np.array((calibration and calibration.quality) or QUALITY_PRIOR),
            compiled=pays(len(families), self.kept_loops),
        )

    def with_lines(self, panel: Panel) -> Panel:
        """The panel with pool frequencies and line posteriors under its error rates."""
        blocks = fit_blocks(
            self.wells, self.lines, panel.version_line, panel.version_wells, panel.rates(self.settings)
        )
        frozen = _with_frozen_q(self.wells, self.lines, panel, blocks, self.calibration, self.settings)
        return replace(panel, blocks=frozen)

    def lines_alone(self, panel: Panel) -> Panel:
        """The panel after rounds in which the lines' own wells tell the error rates."""
        for _ in range(LINE_ROUNDS):
            counts = added_up(count_lines(self.wells, panel))
            moved = _as_run_wide_in(panel, next_estimates(panel, counts, self.settings, self.calibration))
            change = float(np.abs(moved.f - panel.f).max(initial=0.0))
            panel = self.with_lines(moved)
            if change < LINE_TOLERANCE:
                break
        return panel

    def with_earlier_says(self, panel: Panel) -> Panel:
        """The panel with what families of an earlier run said of their parents' typing, if it holds that."""
        calibration, markers = self.calibration, self.wells.markers
        if calibration is None or calibration.says is None:
            return panel
        number = {(str(i), *a): r for r, (i, a) in enumerate(zip(markers.ids, markers.alleles, strict=True))}
        doubts = [doubt_from_dict(d, lambda m: number.get(tuple(m), -1)) for d in calibration.doubts]
        return as_said(panel, calibration.says, calibration.departing, doubts)

    def move(self, panel: Panel, expected: Expected, ahead: Callable[[Panel], Panel]) -> Panel:
        """The panel that these counts lead to, see `estimation.Move`."""
        estimates = ahead(next_estimates(panel, expected, self.settings, self.calibration))
        if self.calibration is not None:
            estimates = _as_run_wide_in(panel, estimates)
        return _set_aside(self.with_lines(estimates), self.wells, self.settings)

    def with_families(self, panel: Panel, sample: Sequence[FamilyInput]) -> Panel:
        """The panel after rounds in which these families are judged and tell the rest."""

        def rounds(families: Sequence[FamilyInput], earlier: Rounds | None = None) -> Rounds:
            return Rounds(
                families, self.wells, self.settings, self.move,
                said=self.said, earlier=earlier, each=self.each,
            )  # fmt: skip

        if self.every_marker_known(panel):
            return replace(rounds(sample).until_rest(panel, SAYS_ROUNDS), converged=True)
        earlier: Rounds | None = None
        for size in (ROUGH_FAMILIES, FIRST_FAMILIES):
            if len(sample) < 2 * size:
                break
            first = rounds(sample_families(sample, len(self.wells.markers), size), earlier)
            panel, earlier = first.one(panel, last=False), first
            if size == ROUGH_FAMILIES and first.in_doubt <= MOSTLY:
                continue
            for _ in range(FIRST_ROUNDS - 1):
                panel = first.one(panel, last=False)
            # Whom rough estimates found beyond doubt is asked again all the same.
            earlier = None if size == ROUGH_FAMILIES else first
        return rounds(sample, earlier).until_rest(panel, MAX_ROUNDS)


def _as_run_wide_in(panel: Panel, estimates: Panel) -> Panel:
    """Estimates with departure, class prior, tag rates and factors of quality as in `panel`."""
    return replace(
        estimates,
        h=panel.h,
        class_prior=panel.class_prior,
        tag_rates=panel.tag_rates,
        quality=panel.quality,
    )


def _first_tag_rates(settings: Settings, calibration: Calibration | None) -> TagRates:
    """Those of an earlier run, else the prior means."""
    if calibration is not None and calibration.tag_rates is not None:
        return TagRates(*calibration.tag_rates)
    return TagRates(
        settings.wrong_tube, settings.wrong_plant, settings.heterogeneous_line, settings.later_generation
    )


_NEW = "?"
"""Reason of a marker that an earlier calibration does not name."""


def _frozen_rates(
    wells: Wells, start: ErrorRates, calibration: Calibration | None
) -> tuple[ErrorRates, Texts]:
    """Starting error rates with those of an earlier run in their place, and its reasons for setting aside."""
    f, d = start.f.copy(), start.d.copy()
    reasons = np.full(len(f), _NEW, dtype="<U40")
    if calibration is not None:
        number = {name: i for i, name in enumerate(calibration.markers)}
        for row, name in enumerate(wells.markers.ids):
            i = number.get(str(name))
            if i is not None:
                f[row], d[row] = calibration.false_heterozygote[i], calibration.dropout[i]
                reasons[row] = calibration.set_aside[i]
    return replace(start, f=f, d=d), reasons


def _with_frozen_q(
    wells: Wells,
    lines: Sequence[LineInput],
    panel: Panel,
    blocks: tuple[PanelBlock, ...],
    calibration: Calibration | None,
    settings: Settings,
) -> tuple[PanelBlock, ...]:
    """Blocks with the pool frequencies of an earlier run, and line posteriors under them."""
    if calibration is None:
        return blocks
    number = {name: i for i, name in enumerate(calibration.markers)}
    out = []
    inbreeding = np.array([lines[i].inbreeding for i in panel.version_line])
    for block in blocks:
        q = block.q.copy()
        fixed = np.zeros(len(block.rows), dtype=bool)
        for place, row in enumerate(block.rows):
            i = number.get(str(wells.markers.ids[row]))
            if i is None:
                continue
            kept = calibration.q[i]
            rare = POOL_PSEUDO_COUNT / (len(lines) + 1)
            q[place] = [kept.get(allele, rare) for allele in wells.markers.alleles[row]]
            fixed[place] = True
        q /= q.sum(axis=1, keepdims=True)
        f = np.ones_like(inbreeding) if block.maternal else inbreeding
        old_prior, new_prior = line_prior(block.q[fixed], f), line_prior(q[fixed], f)
        posterior = block.consensus.copy()
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(old_prior > 0, new_prior / old_prior, 0.0)
        posterior[fixed] = normalised(posterior[fixed].astype(np.float64) * ratio).astype(np.float32)
        out.append(replace(block, q=q, consensus=posterior))
    return tuple(out)


CARRIES = 1 / 3
"""A well carries DNA if it calls at this share, or more, of what the season's best wells call."""
BEST_WELLS = 0.05
"""The best wells: this share of all, and BEST_COUNT of them at least."""
BEST_COUNT = 4


def carries_dna(rate: Floats) -> Bools:
    """Whether wells carry DNA, from their call rates (well,); all, where none calls anything.

    Blanks, failed wells and dead plates do not; what they fail to call says nothing of the markers.
    """
    if not len(rate):
        return np.zeros(0, dtype=bool)
    best = np.sort(rate)[-max(BEST_COUNT, round(BEST_WELLS * len(rate))) :]
    return np.asarray(rate >= CARRIES * best[0])


def call_rates(wells: Wells) -> tuple[Floats, Bools]:
    """Call rate (marker,) among the wells with DNA of the files that have the marker, and whether several
    alleles show.

    A well with reads but no call counts as called.
    """
    m = len(wells.markers)
    called, asked = np.zeros(m), np.zeros(m)
    alleles = np.zeros((m, 8), dtype=bool)
    of_well = []
    for batch in wells.batches:
        seen = sum((b.data.sum(axis=0) for b in batch.blocks), np.zeros(len(batch.wells)))
        of_well.append(seen / max(sum(len(b.rows) for b in batch.blocks), 1))
    carries = carries_dna(np.concatenate([*of_well, np.zeros(0)]))
    carried = np.split(carries, np.cumsum([len(rate) for rate in of_well])[:-1]) if of_well else []
    for batch, mine in zip(wells.batches, carried, strict=True):
        for block in batch.blocks:
            data = block.data
            if block.depths is not None:
                alleles[block.rows[:, None], np.arange(block.k)] |= block.depths.any(axis=1)
            if block.phred is not None:
                alleles[block.rows, :2] |= (block.phred.min(axis=2) < block.phred.max(axis=2)).any(axis=1)[
                    :, None
                ]
            called[block.rows] += data[:, mine].sum(axis=1)
            asked[block.rows] += int(mine.sum())
            _mark_alleles(alleles, block.rows, block.codes, block.k)
    rate = np.divide(called, asked, out=np.zeros(m), where=asked > 0)
    return rate, alleles.sum(axis=1) > 1


def _mark_alleles(alleles: Bools, rows: Ints, codes: UInt8s, k: int) -> None:
    """Mark the alleles that calls show."""
    pairs = genotype_alleles(k)
    for g, (a, b) in enumerate(pairs):
        seen = (codes == g).any(axis=1)
        alleles[rows[seen], a] = True
        alleles[rows[seen], b] = True
    for a in range(k):
        alleles[rows[(codes == len(pairs) + a).any(axis=1)], a] = True


def _first_reasons(call_rate: Floats, several: Bools, settings: Settings) -> Texts:
    """Reasons that need no model."""
    return np.where(
        call_rate < settings.min_marker_call_rate, LOW_CALL_RATE, np.where(several, "", MONOMORPHIC)
    ).astype("<U40")


def _set_aside(panel: Panel, wells: Wells, settings: Settings) -> Panel:
    """The panel with markers set aside that its lines show to be useless; frozen ones stay as they were.

    A marker that was set aside does not come back: without the families' say it would look better than it is,
    and the estimates would swing.
    """
    fresh, reasons = ~panel.frozen, panel.set_aside
    flat = np.array([w for g in panel.version_wells for w in g], dtype=np.int64)
    if len(flat):
        typed = wells.markers_with_data(flat)
        reasons = np.where(fresh & (reasons == "") & ~typed, NOT_TYPED, reasons)
    high = fresh & (reasons == "") & (panel.f > settings.max_false_heterozygote)
    reasons = np.where(high, TOO_HETEROZYGOUS, reasons)
    return replace(panel, set_aside=reasons.astype("<U40"))
