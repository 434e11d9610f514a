"""The parents of a season: inbred lines, and F1s of two of them where the season is one of backcrosses."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from crossproof.model.arrays import Int8s, Ints
from crossproof.simulate.crosses import Tags
from crossproof.simulate.plan import SeasonPlan


@dataclass(frozen=True)
class Panel:
    """The typed lines of a season, and behind them those that nobody typed.

    `names` of the panel. `pairs` (line, 2, marker) int8: the two haplotypes of a plant of each line, panel
    first. `group` (panel line,): sister group, -1 outside any. `f1_of` (panel line, 2): the two lines of an
    F1 parent, -1 elsewhere.
    """

    names: list[str]
    pairs: Int8s
    group: Ints
    f1_of: Ints


def draw_panel(plan: SeasonPlan, alleles: Int8s, group: Ints, rng: np.random.Generator) -> Panel:
    """Lines from their one allele per marker (line, marker), with the F1 parents of the plan among them."""
    n_inbred = len(group)
    width = max(2, len(str(n_inbred)))
    names = [f"{plan.line_prefix}{i + 1:0{width}d}" for i in range(n_inbred)]
    pairs = np.repeat(alleles[:, None, :], 2, axis=1)
    f1_of = np.full((n_inbred, 2), -1)
    if plan.f1_parents:
        pairs_of_lines = np.array(list(combinations(range(n_inbred), 2)))
        lines = rng.choice(pairs_of_lines, plan.f1_parents, replace=False)
        f1 = np.stack([alleles[lines[:, 0]], alleles[lines[:, 1]]], axis=1)
        pairs = np.concatenate([pairs[:n_inbred], f1, pairs[n_inbred:]])
        f1_of = np.concatenate([f1_of, lines])
        group = np.concatenate([group, np.full(plan.f1_parents, -1)])
        names += [f"FA{i + 1:02d}" for i in range(plan.f1_parents)]
    return Panel(names, pairs, group, f1_of)


def backcrosses(panel: Panel, tags: Tags, rng: np.random.Generator) -> Tags:
    """The same tags, each now a cross of an F1 parent with one of its own two lines, either way round."""
    n = len(tags.mother)
    f1 = rng.choice(np.flatnonzero(panel.f1_of[:, 0] >= 0), n)
    line = panel.f1_of[f1, rng.integers(0, 2, n)]
    mother_is_f1 = rng.random(n) < 0.5
    mother, father = np.where(mother_is_f1, f1, line), np.where(mother_is_f1, line, f1)
    return replace(tags, mother=mother, father=father, father_plant=father.copy())
