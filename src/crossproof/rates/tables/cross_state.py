"""The one next step of each cross, and in a few words what it asks for or waits for.

Everything that names a next step (crosses.csv, report, worklist, terminal) shows what is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.model.arrays import Bools, Ints, Objects
from crossproof.model.results import NextStep
from crossproof.text import count_of


@dataclass(frozen=True)
class CrossFacts:
    """What decides the next step; arrays (cross,).

    `target`, `found`: hybrids wanted, and those that may be kept. `held`, `retest`: plants so decided.
    `parent_untyped`: plants that wait for a parent. `untyped`: names of the cross's parents without calls,
    "" where both have some. `provable`: whether the panel can prove the cross. `seeds`, `stored`: seeds to
    test of those in store. `flowers`: to pollinate, -1 where that cannot be said.
    """

    target: Ints
    found: Ints
    held: Ints
    retest: Ints
    parent_untyped: Ints
    untyped: Objects
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
        return f"genotype {facts.untyped[i] or 'the parents of this cross'}"
    if step is NextStep.RETEST:
        return _retest(facts, i)
    if step is NextStep.TEST_SEED:
        return f"test {facts.seeds[i]} of {count_of(facts.stored[i], 'stored seed')}"
    if step is NextStep.REPEAT:
        if facts.flowers[i] < 0:
            return "pollinate again; too little is known to say how many flowers"
        return f"pollinate {count_of(facts.flowers[i], 'flower')}"
    if facts.target[i] == 0:
        return "no hybrids wanted"
    return f"{count_of(facts.found[i], 'hybrid')} to keep, {facts.target[i]} wanted"


def _retest(facts: CrossFacts, i: int) -> str:
    if not facts.provable[i]:
        return "needs more markers at which the parents differ"
    wait = "waits" if facts.retest[i] == 1 else "wait"
    return f"{count_of(facts.retest[i], 'plant')} {wait} for a second sample"
