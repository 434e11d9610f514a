"""Real array genotypes of F1s between inbred strains, true and falsely declared.

Data: sam-widmayer/MUGA_reference_data, MIT licence, kept outside this repository (see its README there).
"""

from __future__ import annotations

import numpy as np
import pytest
from real_calls import real_data, records, wells_of

from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    fit_panel,
    judge,
    verify_family,
)
from crossproof.model.genotypes import Markers
from crossproof.model.results import Verdict

SETTINGS = Settings()


@pytest.fixture(scope="module")
def strains():
    """Panel, wells, truth rows and well numbers of the real data."""
    folder = real_data("inbred_f1")
    truth = records(folder / "truth.csv")
    place = {m["marker"]: m for m in records(folder / "markers.csv")}
    alleles = {name: m["alleles"].split("/") for name, m in place.items()}

    def markers_of(names: list[str]) -> Markers:
        return Markers(
            np.array(names, dtype=object),
            np.array([place[x]["chrom"] for x in names], dtype=object),
            np.array([int(place[x]["pos"]) for x in names]),
            tuple(tuple(alleles[x]) for x in names),
            np.zeros(len(names), dtype=bool),
        )

    samples, wells = wells_of(folder / "genotypes.csv", alleles, markers_of)
    number = {name: i for i, name in enumerate(samples)}
    lines = {}
    for t in truth:
        if t["role"] == "parent":
            lines.setdefault(t["line"], []).append(number[t["sample_id"]])
    inputs = [LineInput(line, tuple(w)) for line, w in lines.items()]
    return fit_panel(wells, inputs, [], SETTINGS), wells, truth, number, sorted(lines)


def judged(strains, sample, mother, father):
    panel, wells, _, number, _ = strains
    family = FamilyInput("C1", mother, father, (Plant("p", (number[sample],)),))
    result = verify_family(family, wells, panel, SETTINGS)
    return result, judge(result, 0, SETTINGS)


def test_every_real_f1_is_a_hybrid_of_its_parents(strains):
    seen = 0
    for t in strains[2]:
        if t["role"] == "progeny":
            result, verdict = judged(strains, t["sample_id"], t["mother"], t["father"])
            assert verdict.verdict is Verdict.HYBRID, t
            # Known of the whole set: 98.6 to 99.6 % of contrast markers are heterozygous.
            assert result.contrast_het[0] / result.contrast_scored[0] > 0.98
            seen += 1
    assert seen == 6


def test_no_real_f1_is_a_hybrid_with_a_wrong_father(strains):
    for t in strains[2]:
        if t["role"] == "progeny":
            for father in set(strains[4]) - {t["mother"], t["father"]}:
                result, verdict = judged(strains, t["sample_id"], t["mother"], father)
                assert verdict.verdict is Verdict.OUTCROSS, (t, father)
                assert result.sources[0, 0] == f"pollen of {t['father']}"


def test_no_real_f1_is_a_hybrid_with_a_wrong_mother(strains):
    for t in strains[2]:
        if t["role"] == "progeny":
            for mother in set(strains[4]) - {t["mother"], t["father"]}:
                # One plant alone cannot tell a mislabelled tube of the mother from a wrong mother plant.
                _, verdict = judged(strains, t["sample_id"], mother, t["father"])
                assert verdict.verdict is not Verdict.HYBRID, (t, mother)
                assert verdict.leading is Verdict.OFF_PEDIGREE, (t, mother)


def test_a_replicate_of_a_strain_is_a_self(strains):
    _, _, truth, _, lines = strains
    for t in truth:
        if t["role"] == "parent":
            for father in set(lines) - {t["line"]}:
                _, verdict = judged(strains, t["sample_id"], t["line"], father)
                assert verdict.verdict is Verdict.SELF, (t, father)
