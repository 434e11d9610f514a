"""Tags that are wrong as a whole, and backcrosses on purpose: against Mendel, without noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from quiet_seasons import QUIET

from crossproof.model.results import Relation
from crossproof.simulate import SeasonPlan, SimulatedSeason, TagFault, TagFaultKind, simulate_season


def season(plan: SeasonPlan, seed: int = 4) -> SimulatedSeason:
    return simulate_season(plan, np.random.default_rng(seed))


def test_a_tag_wrong_as_a_whole_is_one_donors() -> None:
    sim = season(replace(QUIET, tag_faults=(TagFault(TagFaultKind.UNTYPED_DONOR, 2, one_father=True),)))
    crosses = sim.crosses.set_index("cross_id")
    assert len(set(sim.faulty_tags)) == 2
    assert crosses.loc[list(sim.faulty_tags), "father"].nunique() == 1
    for tag in sim.faulty_tags:
        mine = sim.truth[sim.truth["sample_id"].str.startswith(f"{tag}-")]
        assert set(mine["relation"]) == {str(Relation.OUTCROSS_UNKNOWN)}
        wells = [list(sim.samples["sample_id"]).index(name) for name in mine["sample_id"]]
        mother = sim.line_alleles[sim.line_names.index(crosses.loc[tag, "mother"])]
        pollen = sim.well_genotypes[:, wells].sum(axis=2) - mother[:, None]
        assert (pollen == pollen[:, :1]).all()  # inbred lines without departures: one donor, one gamete


def test_a_relative_differs_from_the_father_where_told_and_only_in_its_pods() -> None:
    fault = TagFault(TagFaultKind.RELATIVE, pods=0.5, differs=0.2)
    sim = season(replace(QUIET, tag_faults=(fault,), plants_per_cross=8, base_self=0.001, outcross=0.0))
    (tag,) = sim.faulty_tags
    row = sim.crosses.set_index("cross_id").loc[tag]
    mother, father = (sim.line_alleles[sim.line_names.index(row[x])] for x in ("mother", "father"))
    wrong_pods, right_pods = set(), set()
    for plant in sim.truth[sim.truth["sample_id"].str.startswith(f"{tag}-")].itertuples():
        at = list(sim.samples["sample_id"]).index(plant.sample_id)
        differs = (sim.well_genotypes[:, at].sum(axis=1) != mother + father).sum()
        if plant.relation == str(Relation.OUTCROSS_UNKNOWN):
            assert differs == round(0.2 * 60)
            wrong_pods.add(sim.samples["pod"][at])
        elif plant.truth == "hybrid":
            assert differs == 0
            right_pods.add(sim.samples["pod"][at])
    assert wrong_pods
    assert not wrong_pods & right_pods


@pytest.mark.parametrize(
    ("kind", "relation"),
    [
        (TagFaultKind.ADVANCED, Relation.ADVANCED),
        (TagFaultKind.BACKCROSS_MOTHER, Relation.BACKCROSS_MOTHER),
        (TagFaultKind.BACKCROSS_FATHER, Relation.BACKCROSS_FATHER),
    ],
)
def test_a_tag_a_generation_further(kind: TagFaultKind, relation: Relation) -> None:
    sim = season(replace(QUIET, tag_faults=(TagFault(kind),)))
    mine = sim.truth[sim.truth["sample_id"].str.startswith(f"{sim.faulty_tags[0]}-")]
    assert set(mine["relation"]) == {str(relation)}


def test_backcross_seasons_have_f1_parents_and_their_own_lines() -> None:
    sim = season(replace(QUIET, f1_parents=2, outcross=0.0, off_pedigree=0.0, base_self=0.001))
    f1s = sim.samples[sim.samples["line"].str.startswith("FA")]
    assert set(f1s["inbreeding"]) == {"0"}
    lines = dict(zip(sim.line_names, sim.line_alleles, strict=True))
    for row in sim.crosses.itertuples():
        f1, line = (row.mother, row.father) if row.mother.startswith("FA") else (row.father, row.mother)
        assert f1.startswith("FA")
        assert not line.startswith("FA")
        tube = list(sim.samples["sample_id"]).index(f"{f1}-1")
        pair = sim.well_genotypes[:, tube]
        assert (pair == lines[line][:, None]).any(axis=1).all()  # one haplotype is this line's
    het = sim.well_genotypes[:, :, 0] != sim.well_genotypes[:, :, 1]
    place = {name: i for i, name in enumerate(sim.samples["sample_id"])}
    crosses = sim.crosses.set_index("cross_id")
    own = []
    for name in sim.truth["sample_id"]:
        row = crosses.loc[name.split("-")[0]]
        f1 = row["mother"] if row["mother"].startswith("FA") else row["father"]
        own.append(het[:, place[name]].sum() / het[:, place[f"{f1}-1"]].sum())
    assert abs(np.mean(own) - 0.5) < 0.05  # half of the F1's heterozygous markers, by Mendel
