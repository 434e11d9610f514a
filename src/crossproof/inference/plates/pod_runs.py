"""What the places of plants in a pod say: DNA that ran over wells hits neighbours, pollen hits anyone.

Plants that look like outcrosses by one line are often of one donor that had part of a pod, and then lie
anywhere among the plants of that pod; those that DNA ran over lie in one run. Of a pod with k such plants and
m others, i of which lie within the run, and o more such plants elsewhere,

    log [ 0.9^k 0.1^i 0.01^o ]  +  log [ (n + 1) (n over k + o) ],    n = k + m + o

the second being one over the probability of just these plants, the share of the donor being anything.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaln

from crossproof.inference.plates.arrays import Plate
from crossproof.model.arrays import Ints

HIT, STRAY = 0.9, 0.01
"""Share of the wells within a run that show it, and of those elsewhere that seem to."""
LONGEST = 12
"""How many wells a run takes is open up to here."""


def run_nats(plate: Plate, identity: Ints, group: Ints, like: Ints, clear: Ints) -> float:
    """How much likelier the wells of `group` are those of a run than of pods' donors.

    `like`: the wells of the plate that look like outcrosses by the line; `clear`: those that do not show it.
    Nothing is said of wells without a pod; never less than 0.
    """
    if not plate.pods:
        return 0.0
    ways = [_in_order(plate, identity, group, like, clear, by_rows) for by_rows in (True, False)]
    return max(0.0, max(ways) - float(np.log(2)))


def _in_order(plate: Plate, identity: Ints, group: Ints, like: Ints, clear: Ints, by_rows: bool) -> float:
    place = (
        plate.rows * plate.format.columns + plate.columns
        if by_rows
        else plate.columns * plate.format.rows + plate.rows
    )
    first, last = place[group].min(), place[group].max()
    within = (place > first) & (place < last)
    nats = -np.log(LONGEST)
    hit = np.intersect1d(group, like)
    for cross, pod in {(int(identity[w]), plate.pods[w]) for w in hit.tolist() if plate.pods[w]}:
        shows, others = (_of_pod(plate, identity, wells, cross, pod) for wells in (like, clear))
        k, inside = int(np.isin(shows, hit).sum()), int(within[others].sum())
        ways = gammaln(len(shows) + len(others) + 2) - gammaln(len(shows) + 1) - gammaln(len(others) + 1)
        nats += k * np.log(HIT) + inside * np.log(1 - HIT) + (len(shows) - k) * np.log(STRAY) + ways
    return float(nats)


def _of_pod(plate: Plate, identity: Ints, wells: Ints, cross: int, pod: str) -> Ints:
    return np.array([w for w in wells.tolist() if identity[w] == cross and plate.pods[w] == pod], np.int64)
