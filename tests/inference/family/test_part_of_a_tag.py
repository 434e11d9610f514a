"""A tag of which another plant's pollen has had one pod; lines, calls and errors are invented."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from small_seasons import wells_of_calls

from crossproof.inference.family.gathering import prepare
from crossproof.inference.family.parent_hypotheses import PART_SHARES
from crossproof.inference.family.pod_shares import MIXED_POD, shared_by_pods
from crossproof.inference.family.verification import readings_of, verify_family
from crossproof.inference.season_model import FamilyInput, LineInput, Plant, fit_panel
from crossproof.model.settings import Settings

SETTINGS = Settings()
MARKERS, SISTER_MARKERS, LOST = 160, 12, 3


ONE_POD = ["S"] * 4 + ["P"] + ["S"] * 4


def tag(
    seed: int,
    fathers=("untyped",) * 3 + ("P",) * 8,
    pods=(1, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5),
    lost: int = LOST,
):
    """Wells, lines and a family M x P: a pod of three plants by a line never typed, four pods of two hybrids.

    S is a line all but P. The fourth plant has lost P's allele at `lost` of the SISTER_MARKERS at which S has
    the mother's. `fathers`, `pods`: of each plant.
    """
    rng = np.random.default_rng(seed)
    lines = {name: rng.integers(0, 2, MARKERS) for name in ("M", "P", "Q", "R", "T", "untyped")}
    contrast = np.flatnonzero(lines["M"] != lines["P"])
    near = rng.choice(contrast, SISTER_MARKERS, replace=False)
    lines["S"] = lines["P"].copy()
    lines["S"][near] = lines["M"][near]
    typed = ["M", "P", "Q", "R", "S", "T"]
    doses = np.stack([2 * lines[n] for n in typed] + [lines["M"] + lines[f] for f in fathers], axis=1)
    doses[near[:lost], len(typed) + 3] = 2 * lines["M"][near[:lost]]
    words = np.array(["0/0", "0/1", "1/1"])[doses].astype(object)
    words[rng.random(words.shape) < 0.05] = "./."
    words[near, len(typed) + 3] = np.array(["0/0", "0/1", "1/1"])[doses[near, len(typed) + 3]]
    wells = wells_of_calls({f"m{j:03d}": list(words[j]) for j in range(MARKERS)})
    plants = tuple(Plant(f"C-{i:02d}", (len(typed) + i,), f"{pod}") for i, pod in enumerate(pods))
    return wells, [LineInput(n, (i,)) for i, n in enumerate(typed)], FamilyInput("C", "M", "P", plants)


@pytest.mark.parametrize("seed", range(4))
def test_a_hybrid_is_not_taken_for_pollen_of_a_sister_line(seed: int) -> None:
    """A plant fits P by odds that no float can tell from certainty; the sister line, weighed last, fits it
    far worse than P and far better than all that was weighed before."""
    wells, lines, family = tag(seed)
    panel = fit_panel(wells, lines, [family], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert result.parent_faults[1, 0] < 0.5, "the tag's pollen is of two plants"
    assert (result.class_posterior[:3, 2] > 0.99).all()
    assert (result.class_posterior[3:, 0] > 0.99).all()
    assert (result.lod[3:] > 2).all()


@pytest.mark.parametrize("seed", range(4))
def test_the_share_of_a_plant_is_never_more_than_its_pod_says(seed: int) -> None:
    """One plant in twenty is not as its pod, whatever its own data: they are weighed once, not twice."""
    wells, lines, family = tag(seed)
    panel = fit_panel(wells, lines, [family], SETTINGS)
    readings = readings_of(prepare(family, wells, panel, SETTINGS, None), panel, SETTINGS)
    shares = [s for r, s in zip(readings.readings, readings.typed_share, strict=True) if r.part]
    assert shares
    for share in shares:
        assert (share >= 0.05 - 1e-9).all()
        assert (share <= 0.95 + 1e-9).all()


def test_what_the_sibs_of_a_hybrid_are_does_not_rule_it_out() -> None:
    """One pod, eight of whose nine plants are by a sister line: where another plant was likely used for the
    tag, the ninth is the hybrid that its calls show all the same."""
    with_another_father = 0
    for seed in range(12):
        wells, lines, family = tag(seed, ONE_POD, (1,) * 9, lost=0)
        panel = fit_panel(wells, lines, [family], SETTINGS)
        result = verify_family(family, wells, panel, SETTINGS)
        if result.parent_faults[1, 0] > 0.01:
            continue
        with_another_father += 1
        by_sister = [i for i, father in enumerate(ONE_POD) if father == "S"]
        assert (result.class_posterior[by_sister, 2] > result.class_posterior[by_sister, 0]).all()
        assert result.class_posterior[4, 0] > 0.6
    assert with_another_father >= 3


def test_shares_of_plants_by_full_enumeration() -> None:
    """Every assignment of plants and pods to the two sets, and every share, added up."""
    rng = np.random.default_rng(5)
    pods = np.array([0, 0, 1, 1, 1])
    for _ in range(20):
        typed, other = rng.normal(0, 3, (2, len(pods)))
        joint = {}
        for share, of_pod in product(PART_SHARES, product((0, 1), repeat=2)):
            for sets in product((0, 1), repeat=len(pods)):
                p = np.prod([1 - share if s else share for s in of_pod]) / len(PART_SHARES)
                for i, s in enumerate(sets):
                    p *= (1 - MIXED_POD if s == of_pod[pods[i]] else MIXED_POD) * np.exp((typed, other)[s][i])
                joint[share, of_pod, sets] = p
        total, prior = shared_by_pods(typed, other, pods, 2)
        assert total == pytest.approx(np.log(sum(joint.values())), abs=1e-9)
        for i in range(len(pods)):
            right = sum(p for (_, _, sets), p in joint.items() if not sets[i]) / sum(joint.values())
            weight = prior[i] * np.exp(typed[i]), (1 - prior[i]) * np.exp(other[i])
            assert weight[0] / sum(weight) == pytest.approx(right, abs=1e-9)
