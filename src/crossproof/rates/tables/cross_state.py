"""The one next step of each cross, and in a few words what it asks for or waits for.

Everything that names a next step (crosses.csv, report, worklist, terminal) shows what is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Ints, Objects
from crossproof.model.results import NextStep
from crossproof.text import agreeing, count_of


@dataclass(frozen=True)
class CrossFacts:
    """What decides the next step; arrays (cross,).

    `target`, `found`: hybrids wanted, and those that may be kept. `held`, `retest`: plants so decided.
    `parent_untyped`: plants that wait for a parent. `untyped`: names of the cross's parents without calls,
    "" where both have some. `open_parents`: names of those its plants wait for. `provable`: whether the
    panel can prove the cross. `seeds`, `stored`: seeds to test of those in store. `flowers`: to pollinate,
    -1 where that cannot be said.
    """

    target: Ints
    found: Ints
    held: Ints
    retest: Ints
    parent_untyped: Ints
    untyped: Objects
    open_parents: Objects
    provable: Bools
    seeds: Ints
    stored: Ints
    flowers: Ints


def next_steps(facts: CrossFacts) -> Objects:
    """The `NextStep` of each cross, (cross,): the first that applies."""
    lacking = facts.found < facts.target
    conditions = [
        (NextStep.HOLD, facts.held > 0),
        (NextStep.TYPE_PARENT, lacking & ((facts.parent_untyped > 0) | (facts.untyped != ""))),
        (NextStep.RETEST, lacking & ((facts.retest > 0) | ~facts.provable)),
        (NextStep.TEST_SEED, lacking & (facts.seeds > 0)),
        (NextStep.REPEAT, lacking),
    ]
    out = np.full(len(lacking), NextStep.DONE, dtype=object)
    for step, applies in reversed(conditions):
        out[applies] = step
    return out


def step_detail(facts: CrossFacts, i: int, step: NextStep) -> str:
    """What the step of cross `i` asks for or waits for."""
    if step is NextStep.HOLD:
        return f"{count_of(facts.held[i], 'plant')} on hold until a finding is settled"
    if step is NextStep.TYPE_PARENT:
        return _parent(facts, i)
    if step is NextStep.RETEST:
        return _retest(facts, i)
    if step is NextStep.TEST_SEED:
        return _test_seed(facts, i)
    if step is NextStep.REPEAT:
        if facts.flowers[i] < 0:
            return "pollinate again; too little is known to say how many flowers"
        return f"pollinate {count_of(facts.flowers[i], 'flower')}"
    if facts.target[i] == 0:
        return "no hybrids wanted"
    return f"{count_of(facts.found[i], 'hybrid')} to keep, {facts.target[i]} wanted"


def _parent(facts: CrossFacts, i: int) -> str:
    if facts.untyped[i]:
        return f"type {facts.untyped[i]}"
    who = facts.open_parents[i]
    if not who:
        return "type the parents of this cross"
    n = facts.parent_untyped[i]
    return f"type another plant of {who}; {count_of(n, 'plant')} {agreeing(n, 'waits', 'wait')} for that"


def _retest(facts: CrossFacts, i: int) -> str:
    if not facts.provable[i]:
        return "needs more markers at which the parents differ"
    n = facts.retest[i]
    return f"{count_of(n, 'plant')} {agreeing(n, 'needs', 'need')} a second sample"


def _test_seed(facts: CrossFacts, i: int) -> str:
    seeds, stored, lacking = facts.seeds[i], facts.stored[i], facts.target[i] - facts.found[i]
    if seeds < stored:
        return f"test {seeds} of {count_of(stored, 'stored seed')}"
    said = f"test the {count_of(stored, 'stored seed')}" if stored == 1 else f"test all {stored} stored seeds"
    if stored < lacking:
        said += (
            f"; {count_of(lacking, 'hybrid')} {agreeing(lacking, 'is', 'are')} wanted, so pollinate again too"
        )
    return said
