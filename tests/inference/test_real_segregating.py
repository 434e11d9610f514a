"""Real F2 and backcross plants with maps, every one declared as an F1 of its two parents: none is one.

Data: `listeria` (F2) and `hyper` (first backcross to C57BL/6J) of Debian's package r-cran-qtl, GPL-3+, kept
outside this repository (see the README there). The calls of both parents are implied.
"""

from __future__ import annotations

import pytest
from real_calls import chromosomes, judged_as_f1, real_data

from crossproof.model.results import Relation, Verdict


@pytest.mark.parametrize(
    ("name", "named"),
    [("f2", Relation.ADVANCED), ("bc1", Relation.BACKCROSS_MOTHER)],
)
def test_no_segregating_plant_is_called_hybrid(name: str, named: Relation) -> None:
    found = judged_as_f1(real_data("linked_crosses"), name)
    verdicts = found.verdicts
    assert found.classes[:, 0].max() < 0.5
    assert verdicts.count(Verdict.HYBRID) == 0
    assert verdicts.count(Verdict.OFF_PEDIGREE) >= 0.97 * len(verdicts)
    assert (found.relations.argmax(axis=1) == list(Relation).index(named)).mean() >= 0.9


@pytest.mark.parametrize(
    ("name", "chromosome"),
    [
        ("f2", "13"),
        *(pytest.param("f2", c, marks=pytest.mark.slow) for c in ["1", "3", "7", "12"]),
        *(pytest.param("bc1", c, marks=pytest.mark.slow) for c in ["1", "4", "11"]),
    ],
)
def test_one_chromosome_alone_makes_nobody_sure_of_a_hybrid(name: str, chromosome: str) -> None:
    folder = real_data("linked_crosses")
    assert chromosomes(folder, name)[chromosome] >= 6
    found = judged_as_f1(folder, name, chromosome)
    assert set(found.verdicts) <= {Verdict.OFF_PEDIGREE, Verdict.UNDETERMINED}
    assert found.classes[:, 0].max() < 0.95
