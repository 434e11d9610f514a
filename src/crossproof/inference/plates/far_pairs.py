"""Two plants on two plates that changed places: each fits the other's tag and not its own.

As two wells of one plate (`well_pairs`), against all that two odd plants can be by themselves:

    log odds = T[a, j] + T[b, i] - T[a, i] - T[b, j] + log(PRIOR_FAR_PAIR / pairs of plants of the season)

for plants a and b on different plates that carry the tags i and j. Both are to be typed again.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.plate_excess import odd_plants
from crossproof.inference.plates.proposals import GAIN
from crossproof.inference.plates.stray_seed import STRAY_SHARE
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.tag_scores import scores_under
from crossproof.inference.plates.well_pairs import PAIR_ODDS, count_called
from crossproof.model.arrays import Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_FAR_PAIR = 0.02
"""Share of seasons in which two plants of two plates changed places. No source."""
MOST_ODD = 200
"""Most odd plants of a season among which such pairs are looked for."""


def far_pairs(
    examined: Sequence[Examined], season: SeasonTables, known: Sequence[Finding] = ()
) -> list[Finding]:
    """A finding for each pair, the likeliest first; each plant is in one.

    `examined`: plates that lie as labelled; `known`: findings, of whose samples none is looked for.
    """
    explained = frozenset(s for f in known for s in f.samples)
    odd = [_odd(x, explained) for x in examined]
    plate = np.repeat(np.arange(len(odd)), [len(w) for w in odd])
    if not 2 <= len(plate) <= MOST_ODD or len(np.unique(plate)) < 2:
        return []
    well, n = np.concatenate(odd), season.n_lines
    tag = np.concatenate([x.search.identity[w] for x, w in zip(examined, odd, strict=True)]) - n
    crosses = np.unique(tag)
    gain = np.concatenate([_gains(x, w, crosses) for x, w in zip(examined, odd, strict=True) if len(w)])[
        :, np.searchsorted(crosses, tag)
    ]
    speaks = (gain > GAIN) & (gain.T > GAIN) & (plate[:, None] != plate)
    plants = sum(count_called(x.scores, x.search.identity) for x in examined)
    prior = np.log(PRIOR_FAR_PAIR / max(plants * (plants - 1) / 2, 1))
    odds = np.where(speaks, gain + gain.T + prior, -np.inf) / np.log(10)
    found, used = list[Finding](), set[int]()
    first, second = np.nonzero(np.triu(odds > PAIR_ODDS, 1))
    for o in np.argsort(-odds[first, second], kind="stable"):
        i, j = int(first[o]), int(second[o])
        if not used & {i, j}:
            used |= {i, j}
            pair = (examined[plate[i]], int(well[i])), (examined[plate[j]], int(well[j]))
            found.append(_finding(*pair, season, float(odds[i, j])))
    return found


def _odd(x: Examined, explained: frozenset[str]) -> Ints:
    """Called plants of a plate that fit no tag of their own, and of which no other finding speaks."""
    found = odd_plants(x.scores, x.search.matrix, x.search.identity)
    free = np.array([x.plate.samples[w] not in explained for w in found.wells], dtype=bool)
    return np.asarray(found.wells[found.odd & free])


def _gains(x: Examined, wells: Ints, crosses: Ints) -> Floats:
    """What plants say for each of these crosses against their own tags, (well, cross) in nats.

    A stray seed may be of any cross of the season: of those that are not asked it fits none.
    """
    stray = STRAY_SHARE * len(crosses) / len(x.scores.season.crosses)
    own = np.searchsorted(crosses, x.search.identity[wells] - x.scores.season.n_lines)
    fit = scores_under(x.scores, x.search.identity, wells, crosses).under(stray)
    return np.asarray(fit - fit[np.arange(len(wells)), own][:, None])


def _finding(a: tuple[Examined, int], b: tuple[Examined, int], season: SeasonTables, odds: float) -> Finding:
    plates, wells = (a[0].plate, b[0].plate), (a[1], b[1])
    places = tuple(p.place(w) for p, w in zip(plates, wells, strict=True))
    samples = tuple(p.samples[w] for p, w in zip(plates, wells, strict=True))
    tags = [season.name(int(p.identity[w])) for p, w in zip(plates, wells, strict=True)]
    return Finding(
        FindingKind.WELLS_SWAPPED,
        Scope.SAMPLE,
        plates[0].name,
        samples[0],
        f"Wells {places[0]} ({tags[0]}) and {places[1]} ({tags[1]}) each fit the other's cross and not their "
        "own.",
        "Genotype both plants again; if they changed places, correct the sheets.",
        wells=places,
        samples=samples,
        other=samples[1],
        log10_odds=odds,
        hold=Hold.SAMPLES,
    )
