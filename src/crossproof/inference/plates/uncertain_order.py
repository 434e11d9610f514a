"""Plates of which it is not likely, but too likely to cull by, that plants stand in one another's places.

Of n plants a share s stands elsewhere, in any order; T[w, c] of `tag_scores` against the tag that a well has:

    P(data | s) / P(data | as labelled) = perm(A) / perm(A0)
    A0 = (1 - s) I + s / n,   A[w, j] = A0[w, j] exp(T[w, tag of row j] - T[w, own tag])

over all permutations of rows and not the best alone (`disorder`): where few plants fit another tag clearly,
many orders explain them, most of all through selfs that come under several tags. The permanents are Bethe's
(belief propagation on the assignment of rows to wells); the marginals B[w, j] come with it. The odds of each
s are PRIOR_DISORDER / shares times the ratio, and

    P(plant u is culled, and is a hybrid) = sum over s, wells w that are not u's, of
                                            P(s) B_s[w, u] P(hybrid | w under the tag of u)

Where a well is as likely to hold another tag's plant as makes plants of a shifted row wait, the plants that
would be culled and may be hybrids wait.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crossproof.inference.plates.disorder import PRIOR_DISORDER, open_plants
from crossproof.inference.plates.doubtful_wells import LEAST_LOSS, LEAST_SHARE, class_posteriors
from crossproof.inference.plates.proposals import GAIN
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.inference.plates.tag_scores import tag_scores
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.text import count_of, percent

SHARES = (0.5, 0.35, 0.2, 0.1)
"""Shares of the plants that may stand elsewhere, the largest first. No source."""
LEAST_PLANTS = 3
"""Fewest plants that fit another tag of the plate: two are a pair, which is looked for by itself."""
LEAST_RATIO = 0.5
"""Nats for the largest share below which the others are not asked."""
MOST_PLANTS = 384
"""Most plants of a plate that is asked: the time goes with their square."""
MOST_AGAINST = -15.0
"""Nats of a well under another tag, at the least."""
MOST_STEPS = 150
SETTLED = 1e-4
LARGEST = 1e25
"""Bound of the messages: where one order is certain, they grow without end."""


@dataclass(frozen=True)
class OrderDoubt:
    """What speaks for plants that stand in one another's places.

    `wells` (w,): plants; `signs`: those that fit another tag better; `lost` (w,): the chance that it is
    a hybrid that would be culled; `most`: the greatest chance of a well to hold a plant of another tag.
    """

    wells: Ints
    signs: Ints
    lost: Floats
    most: float


def log_permanent(a: Floats) -> tuple[float, Floats]:
    """Bethe's log permanent of a matrix (n, n) of positive entries, and its marginals (n, n).

    It is at most the permanent, and exact where one permutation holds all of it.
    """

    def without_own(v: Floats, axis: int) -> Floats:
        rest = np.maximum(v.sum(axis=axis, keepdims=True) - v, 1e-30)
        return np.asarray(np.clip(1 / rest, 1 / LARGEST, LARGEST))

    of_columns = np.ones_like(a)
    for _ in range(MOST_STEPS):
        of_rows = without_own(a * of_columns, 1)
        new = without_own(a * of_rows, 0)
        moved = np.abs(np.log(new) - np.log(of_columns)).max()
        of_columns = np.sqrt(new * of_columns)
        if moved < SETTLED:
            break
    of_rows = without_own(a * of_columns, 1)
    both = a * of_rows * of_columns
    log = np.log((a * of_columns).sum(axis=1)).sum() + np.log((a * of_rows).sum(axis=0)).sum()
    return float(log - np.log1p(both).sum()), np.asarray(both / (1 + both))


def _gains(scores: PlateScores, matrix: Matrix, identity: Ints, open_wells: Bools) -> tuple[Ints, Floats]:
    """Wells whose plants may stand elsewhere, and what each says for each one's row, (well, well) in nats;
    no wells where too few plants fit another tag."""
    none = np.empty(0, dtype=np.int64), np.empty((0, 0))
    n = scores.season.n_lines
    loose = open_plants(scores, matrix, identity, open_wells)
    if len(loose) < LEAST_PLANTS:
        return none
    tags, tag = tag_scores(scores, matrix, identity, loose), identity[loose] - n
    called = scores.plate.n_called >= 0.3 * scores.plate.n_markers
    wells = np.flatnonzero((identity >= n) & open_wells)
    stray = tags.stray(tag, int(called[wells].sum()) - len(loose), scores.strays_elsewhere, loose[:0])
    fit = tags.under(stray)
    gain = fit.max(axis=1) - fit[np.arange(len(loose)), np.searchsorted(tags.crosses, tag)]
    if (gain > GAIN).sum() < LEAST_PLANTS or len(wells) > MOST_PLANTS:
        return none
    tags, tag = tag_scores(scores, matrix, identity, wells), identity[wells] - n
    fit = tags.under(stray)[:, np.searchsorted(tags.crosses, tag)]
    gain = np.maximum(fit - np.diag(fit)[:, None], MOST_AGAINST)
    gain[~called[wells]] = 0.0
    gain[tag[:, None] == tag[None, :]] = 0.0
    return wells, gain


def chance_elsewhere(gain: Floats, alike: Bools, otherwise: float = 0.0) -> Floats:
    """P(well w holds row j, and some plants stand elsewhere), (well, well); zero where none speaks for it.

    `alike` (well, well): rows of one tag. Their exchange shows nowhere; it is as likely as without the data,
    which Bethe's marginals, frozen in the best order, do not say. `otherwise`: odds over the plate as
    labelled of what else was found, which no order has to explain then.
    """
    n = len(gain)
    ratio, held = [], []
    for share in SHARES:
        labelled = (1 - share) * np.eye(n) + share / n
        log, marginal = log_permanent(labelled * np.exp(gain))
        ratio.append(log - log_permanent(labelled)[0])
        held.append(np.where(alike, np.maximum(marginal, share / n), marginal))
        if ratio[0] < LEAST_RATIO:
            return np.zeros_like(gain)
    odds = np.exp(np.minimum(ratio, 500.0)) * PRIOR_DISORDER / len(SHARES)
    return np.asarray(np.tensordot(odds / (1 + otherwise + odds.sum()), np.stack(held), axes=1))


def only_pairs(x: Examined) -> bool:
    """Whether pairs of wells that changed places are all that was found."""
    steps, as_labelled = x.search.steps, (x.search.start == x.plate.identity).all()
    return bool(as_labelled and any(s.wells for s in steps) and all(s.layout is None for s in steps))


def _pairs_of_plants(x: Examined) -> bool:
    """Whether pairs of plants are."""
    alone = only_pairs(x) and all(s.wells for s in x.search.steps)
    return alone and bool((x.plate.identity[_paired(x)] >= x.scores.season.n_lines).all())


def _paired(x: Examined) -> list[int]:
    """Wells of the pairs."""
    return [w for s in x.search.steps for w in s.wells or ()]


def _odds_of_pairs(x: Examined) -> float:
    """Odds of the pairs over the plate as labelled."""
    return float(10.0 ** min(sum(s.log10_odds for s in x.search.steps if s.wells), 300.0))


def order_doubt(x: Examined, open_wells: Bools) -> OrderDoubt | None:
    """What speaks for plants in one another's places, None where too little does; `open_wells` (well,): those
    of which no finding says what they hold.

    Where pairs of wells are all that was found, they are weighed with the other orders: two of the plants of
    a plate in disorder always fit each other's rows. Their own wells do not speak for more than the pairs.
    """
    plate, n = x.plate, x.scores.season.n_lines
    pairs = _pairs_of_plants(x)
    identity, matrix = (plate.identity, x.search.labelled) if pairs else (x.search.identity, x.search.matrix)
    wells, gain = _gains(x.scores, matrix, identity, open_wells)
    if not len(wells):
        return None
    crosses = np.unique(identity[identity >= n])
    tag = np.searchsorted(crosses, identity[wells])
    alike = tag[:, None] == tag[None, :]
    chance = chance_elsewhere(gain, alike, _odds_of_pairs(x) if pairs else 0.0)
    if not chance.any():
        return None
    classes, _ = class_posteriors(x)
    hybrid = classes[wells][:, tag, 0]  # (well, row)
    np.fill_diagonal(chance, 0.0)
    culled = (np.diag(hybrid) < 0.5) & (plate.n_called >= 0.3 * plate.n_markers)[wells]
    lost = np.where(culled, (chance * hybrid).sum(axis=0), 0.0)
    elsewhere = np.where(alike, 0.0, chance).sum(axis=1)
    most = float(elsewhere[~np.isin(wells, _paired(x) if pairs else [])].max(initial=0.0))
    return OrderDoubt(wells, wells[gain.max(axis=1) > GAIN], lost, most)


def order_findings(x: Examined, explained: frozenset[str]) -> list[Finding]:
    """One finding if plants that would be culled may be hybrids that stand elsewhere, none otherwise.

    `explained`: samples of which other findings say what they are.
    """
    open_wells = np.array([s not in explained for s in x.plate.samples], dtype=bool)
    if _pairs_of_plants(x):
        open_wells[_paired(x)] = True
    doubt = order_doubt(x, open_wells)
    if doubt is None or doubt.most < LEAST_SHARE or doubt.lost.max() < LEAST_LOSS:
        return []
    return [_finding(x, doubt.wells[doubt.lost >= LEAST_LOSS], doubt.signs, doubt.most)]


def _finding(x: Examined, held: Ints, signs: Ints, most: float) -> Finding:
    plate = x.plate
    names = [plate.well_name(int(w)) for w in signs]
    some = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    return Finding(
        FindingKind.IN_DOUBT,
        Scope.PLATE,
        plate.name,
        plate.name,
        f"Plants of plate {plate.name} may stand in one another's places: those of {some} fit another cross "
        f"of the plate better than their own. That is little, and chance may be behind it ({percent(most)} "
        f"likely to be so). Held: {count_of(len(held), 'plant')} that would be culled and may be hybrids if "
        "it is so.",
        "Compare the sheet with the list that the plate was filled from. If all is in place, dismiss this "
        "finding; else correct the sheet, or genotype these wells again.",
        wells=tuple(plate.place(int(w)) for w in held),
        samples=tuple(plate.samples[w] for w in held),
        log10_odds=float(np.log10(most / (1 - most))) if most < 1 else float("inf"),
        hold=Hold.SAMPLES,
    )
