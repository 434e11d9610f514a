"""The next run-wide estimates from expected counts (see `expectation`): means of the posteriors they give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.inference.family.parent_hypotheses import FAULTS, OTHER_PLANT, Fault
from crossproof.inference.lines.line_doubts import belief_about
from crossproof.inference.lines.panel import PRIOR_OBSERVATIONS, QUALITY_PRIOR, Panel, TagRates
from crossproof.inference.run_wide.calibration import Calibration
from crossproof.inference.run_wide.expectation import Expected
from crossproof.model.arrays import Floats
from crossproof.model.settings import Settings

DEPARTURE_OBSERVATIONS = 200
"""Markers that the beta prior of h is worth."""
QUALITY_WORTH = 5.0
"""Expected miscalls that the prior of a class of quality is worth."""
LINES_WORTH = 50.0
"""Lines that the beta prior of wrong tubes is worth."""
PARENTS_WORTH = 100.0
"""Parents of tags (tags, for later generations) that the beta priors of other faults are worth."""
LARGEST_RATE = 0.95
"""Largest error rate of a marker: with the rarer errors beside it, a row of the error matrix stays one."""


def next_estimates(
    panel: Panel, expected: Expected, settings: Settings, earlier: Calibration | None
) -> Panel:
    """A panel with the estimates that these counts give; frozen ones of `earlier` are left as they are."""
    hom, hom_as_het, het, het_as_hom = expected.miscalls
    f = _beta_mean(settings.false_heterozygote, hom_as_het, hom)
    d = _beta_mean(settings.dropout, het_as_hom, het)
    f, d = np.minimum(f, LARGEST_RATE), np.minimum(d, LARGEST_RATE)
    frozen = panel.frozen
    f, d = np.where(frozen, panel.f, f), np.where(frozen, panel.d, d)
    if earlier is not None:
        return replace(panel, f=f, d=d)
    h = (DEPARTURE_OBSERVATIONS * settings.parent_departure + expected.departed) / (
        DEPARTURE_OBSERVATIONS + expected.markers
    )
    classes = np.array(settings.class_prior) + expected.classes
    return replace(
        panel,
        f=f,
        d=d,
        h=float(h),
        class_prior=classes / classes.sum(),
        tag_rates=next_tag_rates(panel, expected, settings),
        quality=next_quality(expected.by_quality),
    )


def next_quality(by_quality: Floats) -> Floats:
    """Factors by which wells of lower call rate err more (class,), never falling from class to class.

    Gamma priors of mean QUALITY_PRIOR, each worth QUALITY_WORTH expected miscalls; the best class is the
    measure of all.
    """
    found, expected = by_quality
    factors = (QUALITY_WORTH * np.array(QUALITY_PRIOR) + found) / (QUALITY_WORTH + expected)
    return np.maximum.accumulate(np.maximum(factors / factors[0], 1.0))


def next_tag_rates(panel: Panel, expected: Expected, settings: Settings) -> TagRates:
    """Means of beta distributions with the settings as prior means, each worth a number of observations.

    Wrong tubes are counted by line, all tags of a line together; a line of which no tag says anything is no
    trial, for its tube may be as wrong as any.
    """
    doubted = [line for line in panel.lines if panel.doubts_of(line)]
    wrong = [belief_about(panel, line, "", settings).wrong_tube for line in doubted]
    told = sum(bool(panel.doubts_of(line)) or any(panel.says_of(line, "")) for line in panel.lines)
    plants = sum(expected.faults[FAULTS.index(f)] for f in OTHER_PLANT)
    varied = expected.faults[FAULTS.index(Fault.HETEROGENEOUS)]
    later = expected.faults[FAULTS.index(Fault.GENERATION)] / 2
    return TagRates(
        _prior_mean(settings.wrong_tube, float(sum(wrong)), told, LINES_WORTH),
        _prior_mean(settings.wrong_plant, float(plants), expected.parents, PARENTS_WORTH),
        _prior_mean(settings.heterogeneous_line, float(varied), expected.parents, PARENTS_WORTH),
        _prior_mean(settings.later_generation, float(later), expected.parents / 2, PARENTS_WORTH),
    )


def _prior_mean(start: float, hits: float, trials: float, worth: float) -> float:
    return float((worth * start + hits) / (worth + trials))


def _beta_mean(start: float, hits: Floats, trials: Floats) -> Floats:
    return np.asarray((PRIOR_OBSERVATIONS * start + hits) / (PRIOR_OBSERVATIONS + trials))
