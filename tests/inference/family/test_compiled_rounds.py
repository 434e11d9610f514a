"""Rounds of messages by compiled loops: what numpy gives, and the same bits compiled or not, alone or not."""

from __future__ import annotations

import importlib
import os
import sys
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from small_seasons import Recipe, simulate

from crossproof.inference import compilation
from crossproof.inference.family import compiled_rounds, family_model, kernel_arrays
from crossproof.inference.family.compiled_rounds import CompiledRounds
from crossproof.inference.family.emissions import FamilyBlock
from crossproof.inference.family.family_model import Family
from crossproof.inference.family.posteriors import Priors, Start
from crossproof.inference.pedigree import PAIR_RELATIONS, hybrid_table, self_table
from crossproof.inference.season_model import (
    Settings,
    fit_panel,
    judge,
    panel_from_arrays,
    panel_to_arrays,
    prepare_crosses,
    to_arrays,
    verify_family,
)
from crossproof.season import kept_loops
from crossproof.season.evidence import panel_digest

N_PAIR = len(PAIR_RELATIONS)

kernel_solve = pytest.importorskip(
    "crossproof.inference.family.kernel_solve", reason="nothing is compiled here", exc_type=ImportError
)
kernels, kernel_blocks, kernel_rounds = (
    sys.modules[f"crossproof.inference.family.{x}"] for x in ("kernels", "kernel_blocks", "kernel_rounds")
)
LOOPS = (kernels, kernel_blocks, kernel_rounds, kernel_solve)


def family_of(seed, plants=7, markers=40, k=2, chromosomes=4, donors=3):
    """Hybrids and selfs of two lines, one plant of the pool; a third of the markers without a place."""
    rng = np.random.default_rng(seed)
    n_g = k * (k + 1) // 2
    homozygous = np.array([b * (b + 1) // 2 + b for b in range(k)])
    mother, father = (homozygous[rng.integers(k, size=markers)] for _ in range(2))
    like = np.full((markers, plants, n_g), 0.01)
    for i in range(plants):
        for j in range(markers):
            p = self_table(k)[mother[j]] if i % 3 == 1 else hybrid_table(k)[mother[j], father[j]]
            like[j, i, rng.integers(n_g) if i == 5 else rng.choice(n_g, p=p)] += 1
    like /= like.sum(axis=2, keepdims=True)
    parents = []
    for line in (mother, father):
        prior = np.full((markers, n_g), 0.05 / n_g)
        prior[np.arange(markers), line] += 0.95
        parents.append((prior,))
    chromosome = rng.integers(-1, chromosomes, size=markers)
    block = FamilyBlock(
        k, False, like, rng.dirichlet(np.ones(k), (markers, donors)), chromosome, rng.uniform(0, 1, markers)
    )
    weights = rng.dirichlet(np.ones(N_PAIR + donors + 1))
    flat = np.log(weights[-1]) + np.log(rng.uniform(0.2, 0.4, (markers, plants))).sum(axis=0)
    return block, parents, Priors(np.log(weights[:N_PAIR]), np.log(weights[N_PAIR:-1]), flat)


def solved(family, **asked):
    blocks, parents, priors = family
    blocks = blocks if isinstance(blocks, tuple) else (blocks,)
    return Family(blocks, priors, compiled=True).solve(*parents, **asked)


def family_of_blocks(seed, plants=7):
    """The same plants at markers of two and of four alleles, in turn along the chromosomes, at two of the
    mother's line alone, and at none of three alleles."""
    made = [family_of(seed, plants), family_of(seed + 1, plants, markers=6, k=4)]
    made += [family_of(seed + 2, plants, markers=m, k=3) for m in (2, 0)]
    blocks = [block for block, _, _ in made]
    rng = np.random.default_rng(seed)
    as_mother = made[2][1][0][0].argmax(axis=1)
    like = np.full_like(blocks[2].like, 0.05)
    like[
        np.arange(2)[:, None], np.arange(plants), np.where(rng.random(plants) < 0.9, as_mother[:, None], 0)
    ] += 1
    blocks[2] = replace(blocks[2], maternal=True, like=like / like.sum(axis=2, keepdims=True))
    mother, father = (tuple(parents[side][0] for _, parents, _ in made) for side in (0, 1))
    return tuple(blocks), (mother, father), made[0][2]


def numbers_of(solution):
    return [solution.pair, solution.donor, *solution.mother, *solution.father, *solution.outside]


@pytest.mark.parametrize(
    "family",
    [
        family_of(1),
        family_of(2, plants=40, markers=90),
        family_of(3, plants=1),
        family_of(4, k=3),
        family_of(5, chromosomes=1, markers=120),
        family_of(6, plants=18, chromosomes=0),
        family_of_blocks(21),
        family_of_blocks(25, plants=1),
    ],
    ids=[
        "few",
        "many plants",
        "one plant",
        "three alleles",
        "one chromosome",
        "no map",
        "all kinds",
        "one of all",
    ],
)
@pytest.mark.parametrize("start", [Start.ALONE, Start.HYBRID_OR_SELF])
def test_the_loops_give_what_numpy_gives(family, start, monkeypatch):
    calls = []
    solve = compiled_rounds.loops()
    monkeypatch.setattr(compiled_rounds, "loops", lambda: lambda *a: calls.append(1) or solve(*a))
    by_loops = solved(family, start=start, keep_outside=True)
    assert calls
    monkeypatch.setattr(family_model, "loops", lambda: None)
    by_numpy = solved(family, start=start, keep_outside=True)
    assert by_loops.rounds == by_numpy.rounds
    assert by_loops.converged == by_numpy.converged
    assert by_loops.log_evidence == pytest.approx(by_numpy.log_evidence, rel=1e-10)
    assert by_loops.active.tolist() == by_numpy.active.tolist()
    for mine, other in zip(numbers_of(by_loops), numbers_of(by_numpy), strict=True):
        np.testing.assert_allclose(mine, other, rtol=1e-7, atol=1e-12)


def test_damped_messages_and_rounds_that_do_not_rest(monkeypatch):
    family = family_of(7)
    monkeypatch.setattr(family_model, "DAMP_AFTER", 1)
    monkeypatch.setattr(family_model, "TOLERANCE", 0.0)
    damped = solved(family, max_rounds=6)
    assert not damped.converged
    assert damped.rounds == 6
    monkeypatch.setattr(family_model, "TOLERANCE", 1e-4)
    by_loops = solved(family)
    monkeypatch.setattr(family_model, "loops", lambda: None)
    np.testing.assert_allclose(by_loops.pair, solved(family).pair, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize(
    "family",
    [family_of(seed, plants=4, markers=12, chromosomes=2) for seed in (11, 12)]
    + [family_of_blocks(31, plants=3)],
)
def test_compiled_or_interpreted_the_bits_are_the_same(family, monkeypatch):
    compiled = solved(family, keep_outside=True)
    for module in LOOPS:
        for name, loop in list(vars(module).items()):
            if hasattr(loop, "py_func"):
                monkeypatch.setattr(module, name, loop.py_func)
    monkeypatch.setattr(compiled_rounds, "loops", lambda: kernel_solve.solve)
    interpreted = solved(family, keep_outside=True)
    assert compiled.log_evidence == interpreted.log_evidence
    for mine, other in zip(numbers_of(compiled), numbers_of(interpreted), strict=True):
        assert mine.tobytes() == other.tobytes()


def test_a_family_gives_the_same_bits_whichever_are_judged_beside_it(monkeypatch):
    monkeypatch.setattr(compilation, "ENOUGH_FAMILIES", 12)
    season = simulate(Recipe(crosses=12, lines=10), 3)
    settings = Settings()
    panel = fit_panel(season.wells, season.lines, season.families, settings)
    assert panel.compiled
    others = prepare_crosses(season.records, panel)

    def judged(families):
        return {
            f.cross_id: to_arrays(verify_family(f, season.wells, panel, settings, others)) for f in families
        }

    together = judged(season.families)
    for one in season.families[::-3]:
        alone = judged([one])[one.cross_id]
        assert {k: v.tobytes() for k, v in alone.items()} == {
            k: v.tobytes() for k, v in together[one.cross_id].items()
        }


def test_a_season_is_judged_one_way_and_either_way_says_the_same(monkeypatch):
    season = simulate(Recipe(crosses=6, lines=8), 5)
    settings = Settings()
    seen, run = [], CompiledRounds.solve
    monkeypatch.setattr(CompiledRounds, "solve", lambda *a: seen.append(1) or run(*a))
    panels, found = [], []
    for enough in (6, 7):
        monkeypatch.setattr(compilation, "ENOUGH_FAMILIES", enough)
        panel = fit_panel(season.wells, season.lines, season.families, settings)
        others = prepare_crosses(season.records, panel)
        assert bool(seen) == panel.compiled == (enough == 6)
        assert panel_from_arrays(panel_to_arrays(panel)).compiled == panel.compiled
        results = [verify_family(f, season.wells, panel, settings, others) for f in season.families]
        assert bool(seen) == panel.compiled
        seen.clear()
        panels.append(panel)
        found.append(results)
    markers = season.wells.markers
    assert panel_digest(panels[0], markers) == panel_digest(replace(panels[0], compiled=False), markers)
    np.testing.assert_allclose(panels[0].class_prior, panels[1].class_prior, rtol=1e-9)
    for by_loops, by_numpy in zip(*found, strict=True):
        np.testing.assert_allclose(by_loops.class_posterior, by_numpy.class_posterior, atol=1e-9)
        for i in range(len(by_loops)):
            assert judge(by_loops, i, settings) == judge(by_numpy, i, settings)


def test_an_older_panel_without_the_choice_is_judged_by_numpy():
    season = simulate(Recipe(crosses=2, lines=6), 5)
    arrays = panel_to_arrays(fit_panel(season.wells, season.lines, season.families[:0], Settings()))
    del arrays["compiled"]
    assert not panel_from_arrays(arrays).compiled


def test_loops_are_for_many_families_or_where_they_have_been_compiled_for_some():
    assert compilation.pays(compilation.ENOUGH_FAMILIES, kept=False)
    assert not compilation.pays(compilation.ENOUGH_FAMILIES - 1, kept=False)
    assert compilation.pays(compilation.FAMILIES_KEPT, kept=True)
    assert not compilation.pays(compilation.FAMILIES_KEPT - 1, kept=True)


def test_kept_loops_are_looked_for_where_the_compiler_keeps_them(monkeypatch, tmp_path):
    compiled_rounds.load()
    monkeypatch.setattr(kept_loops, "LOOPS", tmp_path / "src" / "kernel_solve.py")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "own"))
    name = next(f.name for f in Path(kernel_solve.solve.stats.cache_path).glob("kernel_solve.solve-*.nbi"))
    for place, named in (("src/__pycache__", ""), ("own/numba/family_1", ""), ("named/family_1", "named")):
        monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / named) if named else "")
        assert not kept_loops.loops_are_kept()
        (tmp_path / place).mkdir(parents=True)
        (tmp_path / place / name).touch()
        assert kept_loops.loops_are_kept()
        (tmp_path / "src").mkdir(exist_ok=True)
        (tmp_path / "src" / "kernels.py").touch()
        os.utime(tmp_path / place / name, (0, 0))
        assert not kept_loops.loops_are_kept()  # compiled before what they are made from was changed
        (tmp_path / place / name).write_bytes(b"of " + sha256(b"").digest())
        os.utime(tmp_path / place / name, (0, 0))
        assert kept_loops.loops_are_kept()  # by its content it was not
        (tmp_path / "src" / "kernels.py").unlink()
        (tmp_path / place / name).unlink()
    monkeypatch.setattr(kept_loops, "find_spec", lambda _: None)
    assert kept_loops.loops_are_kept()


def test_families_of_segregating_parents_are_left_to_numpy():
    block, parents, priors = family_of(8)
    copies = np.full((len(block.like), 2, 2), 0.25)
    other = Family((replace(block, mother_copies=copies),), priors, compiled=True)
    assert other._compiled is None
    assert Family((block,), priors, compiled=True)._compiled is not None
    assert Family((block,), priors, compiled=True).solve(*parents).converged


def test_without_the_compiler_numpy_does(monkeypatch):
    monkeypatch.setitem(sys.modules, "numba", None)
    with pytest.raises(ImportError):
        compilation.compiled(abs)
    for module in LOOPS:
        monkeypatch.delitem(sys.modules, module.__name__)
        monkeypatch.delattr(module.__name__)
    assert compiled_rounds.loops.__wrapped__() is None


def test_what_is_kept_is_of_the_files_that_it_was_made_from(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(tmp_path)
    stamps = []
    for text in ("", "", "# other"):
        module = tmp_path / "called_by_loops.py"
        if not module.exists() or module.read_text()[:-1] != f"def one(x):\n    return x  {text}":
            module.write_text(f"def one(x):\n    return x  {text}\n")
        called = compilation.compiled(importlib.import_module("called_by_loops").one)
        del sys.modules["called_by_loops"]
        made = compilation.compiled_from(called)(lambda x: x)
        stamps.append(made._cache._cache_file._source_stamp)
    assert stamps[0] == stamps[1]
    assert stamps[0] != stamps[2]


def test_nothing_is_compiled_where_it_cannot_be_kept(monkeypatch):
    def refuse(**_):
        def wrap(_):
            raise RuntimeError("cannot cache function: no locator available")

        return wrap

    monkeypatch.setattr("numba.njit", refuse)
    with pytest.raises(ImportError, match="no folder"):
        compilation.compiled(abs)


def test_loading_ahead_takes_the_types_that_families_have():
    compiled_rounds.load()
    for family in (family_of(9), family_of(3, plants=1), family_of(4, k=3), family_of(5, donors=30)):
        solved(family)
        solved(family, active=np.array([0, 2]))
    solved(family_of_blocks(41))
    assert len(kernel_solve.solve.signatures) == 1
    assert kernel_arrays.Fits._fields[0] == "emission"
