"""Tags, or parts of them, by a near relative of the father: what is looked at, and what it makes of plants.

Seasons written out call by call, names and genotypes invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from small_seasons import wells_of_calls

from crossproof.inference.family.parent_findings import in_doubt
from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    fit_panel,
    verify_family,
)
from crossproof.model.results import CLASSES, Verdict

MARKERS = 60


def judged(foreign, of, odd_call, departure=None):
    """One tag of six plants, of which those in `of` show `odd_call` at the markers `foreign`; `departure` of
    the run's parents, None as estimated from this tag.

    Eight lines typed twice, no marker linked to another; mother 0/0, father 1/1 at every third marker.
    """
    rng = np.random.default_rng(3)
    lines = rng.integers(0, 2, (8, MARKERS))
    lines[0] = 0
    lines[1] = np.arange(MARKERS) % 3 == 0
    wells = [[f"{a}/{a}" for a in line] for line in lines for _ in range(2)]
    for i in range(6):
        plant = [f"0/{a}" for a in lines[1]]
        for j in foreign if i in of else ():
            plant[j] = odd_call
        wells.append(plant)
    calls = {f"M{j:02d}": [well[j] for well in wells] for j in range(MARKERS)}
    season = wells_of_calls(calls)
    inputs = [LineInput(f"L{i}", (2 * i, 2 * i + 1)) for i in range(8)]
    family = FamilyInput("C1", "L0", "L1", tuple(Plant(f"C1-{i}", (16 + i,)) for i in range(6)))
    panel = fit_panel(season, inputs, [family], Settings())
    if departure is not None:  # as a run with many other tags estimates it
        panel = replace(panel, h=departure)
    return verify_family(family, season, panel, Settings())


def test_foreign_alleles_that_either_parent_may_have_given_are_looked_at_and_held():
    # At five markers that the parents share all plants have a foreign allele: half a departure each for
    # either parent, which alone is no more than 0.02 + 1.5 sqrt(0.02 x 0.98 / 60) leads one to expect.
    result = judged((1, 11, 23, 31, 41), range(6), "0/1", departure=0.02)
    assert max(result.mother_departure, result.father_departure) < 0.047
    assert in_doubt(result, 0)
    assert in_doubt(result, 1)
    assert result.class_posterior[:, 0].max() < 0.98


def test_plants_that_lack_the_same_alleles_of_the_father_are_a_relatives_and_no_backcrosses():
    # Three plants are homozygous for the mother at the same six of the twenty markers that tell the parents
    # apart. Of three backcrosses each would be so at ten, and at others.
    result = judged((0, 9, 21, 30, 42, 57), (3, 4, 5), "0/0")
    lead = [CLASSES[k] for k in result.class_posterior.argmax(axis=1).tolist()]
    assert lead == [Verdict.HYBRID] * 3 + [Verdict.OUTCROSS] * 3
    assert result.class_posterior[3:, 2].min() > 0.9
