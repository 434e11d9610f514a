"""Two pods of different tags that changed places: the plants of each fit the parents of the other's tag.

For a pod `a` of cross i and a pod `b` of cross j, with F as in `tag_scores` and `s` the share of stray seed,

    log odds = F_a(j) + F_b(i) - T_a(i) - T_b(j) + log(PRIOR_PODS / pairs of pods on their plates)
    F_a(c)   = sum over the plants of a of F[w, c]
    T_a(i)   = log [ (1 - s) exp F_a(i) + s mean over all crosses of exp F_a(c) ]

so that it is weighed against two pods that went astray each by itself: their seed is from one bag, and that
is one event, not one for each plant. A pod may stand on several plates. No row is proposed unless it is
likelier, from DECIDED, than one foreign donor to a pod as well (`pod_donors`).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.plate_excess import odd_as_labelled
from crossproof.inference.plates.pod_donors import swap_odds, visited
from crossproof.inference.plates.stray_seed import STRAY_SHARE
from crossproof.inference.plates.tag_explanations import Examined, ask
from crossproof.inference.plates.tag_scores import scores_under
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PRIOR_PODS = 1e-2
"""Share of seasons of a plate or two in which two pods changed tags. No source."""
LEAST_PLANTS = 2
"""Fewest called plants of a pod that can speak; of one plant each it is two wells."""
MOST_ODD = 6
"""Most odd pods of a plate among which pairs are looked for: with more, the plate itself lies otherwise."""

MORE = 2
"""Fewest wells outside the pods that speak for another explanation. No source."""
SPEAKS = 1.0
"""log10 gain from which a well does."""

DECIDED = 1.0
"""log10 odds over one foreign donor to each pod as well from which a row is proposed."""
OR_VISITED = (
    " One foreign donor to a pod, as an insect leaves it, explains them nearly as well: no row is proposed."
)

Pod = tuple[int, str]
"""Identity and pod."""


@dataclass(frozen=True)
class PodSwap:
    """Two pods that changed places, and the log10 odds of it; `alone` T of each, in nats."""

    first: Pod
    second: Pod
    log10_odds: float
    alone: tuple[float, float]


def _pods(x: Examined, identity: Ints) -> dict[Pod, Ints]:
    """Wells of every pod on a plate."""
    pods, first, out = x.plate.pods, x.scores.season.n_lines, dict[Pod, list[int]]()
    if pods:
        for w, (i, pod) in enumerate(zip(identity.tolist(), pods, strict=True)):
            if pod and i >= first:
                out.setdefault((i, pod), []).append(w)
    return {pod: np.array(wells) for pod, wells in out.items()}


def _calls(x: Examined) -> Bools:
    """Wells with enough calls, (well,)."""
    return np.asarray(x.plate.n_called >= 0.3 * x.plate.n_markers)


def _called_pods(x: Examined) -> dict[Pod, Ints]:
    """Wells with enough calls of every pod on a plate that has some."""
    calls = _calls(x)
    pods = {pod: wells[calls[wells]] for pod, wells in _pods(x, x.plate.identity).items()}
    return {pod: wells for pod, wells in pods.items() if len(wells)}


def _odd_pods(x: Examined) -> dict[Pod, Ints]:
    """Called wells of the pods of a plate most of whose plants fit no tag of their own."""
    plate, found = x.plate, ask(odd_as_labelled, x)
    if not found.odd.any():
        return {}
    loose = np.zeros(len(plate), dtype=bool)
    loose[found.wells[found.odd]] = True
    odd = {pod: wells for pod, wells in ask(_called_pods, x).items() if loose[wells].mean() >= 0.5}
    return odd if len(odd) <= MOST_ODD else {}


def pod_swaps(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, each: Each = one_by_one
) -> list[PodSwap]:
    """Pairs of pods whose plants fit each other's tags, the surest first; no pod stands in two of them."""
    odd = [_odd_pods(x) for x in plates]
    plants: dict[Pod, int] = {}
    for here in odd:
        for pod, wells in here.items():
            plants[pod] = plants.get(pod, 0) + len(wells)
    pods = sorted(pod for pod, count in plants.items() if count >= LEAST_PLANTS)
    crosses = np.unique([identity - season.n_lines for identity, _ in pods]).astype(np.int64)
    if len(crosses) < 2:
        return []
    fit: dict[Pod, Floats] = {pod: np.zeros(len(crosses)) for pod in pods}
    of_tag: dict[int, set[Pod]] = {pod[0]: set() for pod in pods}
    tags = np.array(sorted(of_tag), dtype=np.int64)
    for x in (x for x in plates if np.isin(x.plate.identity, tags).any()):
        for pod in ask(_called_pods, x):
            if pod[0] in of_tag:
                of_tag[pod[0]].add(pod)
    first, of_cross = _one_of_each(crosses, season)
    n_pods = 0
    wanted = set(pods)
    with_odd = [(x, here) for x, here in zip(plates, odd, strict=True) if wanted & here.keys()]

    def fits(plate: tuple[Examined, dict[Pod, Ints]]) -> tuple[int, dict[Pod, Floats]]:
        """Pods of a plate, and how its odd ones fit all crosses."""
        x, here = plate
        mine = [pod for pod in pods if pod in here]
        wells = np.sort(np.concatenate([here[pod] for pod in mine]))
        full = scores_under(x.scores, x.plate.identity, wells, first).full[:, of_cross]
        of_pods = {pod: full[np.searchsorted(wells, here[pod])].sum(axis=0) for pod in mine}
        return len(_pods(x, x.plate.identity)), of_pods

    for count, of_pods in each(fits, with_odd):
        n_pods += count
        for pod, its_fit in of_pods.items():
            fit[pod] = fit[pod] + its_fit
    prior = float(np.log(PRIOR_PODS / max(n_pods * (n_pods - 1) // 2, 1)))
    places = {int(c) + season.n_lines: i for i, c in enumerate(crosses)}
    pairs = _pairs(pods, fit, crosses, prior, season)
    found = [s for s in pairs if not _whole_tags(s, of_tag, plants.keys(), fit, places)]
    out: list[PodSwap] = []
    taken: set[Pod] = set()
    for swap in sorted(found, key=lambda s: (-s.log10_odds, s.first, s.second)):
        if swap.log10_odds >= threshold and not taken & {swap.first, swap.second}:
            out.append(swap)
            taken |= {swap.first, swap.second}
    return out


def _one_of_each(crosses: Ints, season: SeasonTables) -> tuple[Ints, Ints]:
    """One cross of each two parents, and the place of every cross's among them, (cross,).

    There are as many at most as there are pairs of lines, however many crosses a season has.
    """
    same = season.same_parents()[season.n_lines + crosses]
    _, first, group = np.unique(same, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return crosses[first[order]], rank[group]


def _whole_tags(
    swap: PodSwap,
    of_tag: dict[int, set[Pod]],
    odd: Collection[Pod],
    fit: dict[Pod, Floats],
    places: dict[int, int],
) -> bool:
    """Whether all pods of both tags are odd and fit the other tag, more than one of a tag: it is the tags.

    `of_tag`: called pods by identity. A pod of one called plant has no `fit`; it says nothing against it.
    """
    i, j = swap.first[0], swap.second[0]
    both = of_tag[i] | of_tag[j]
    other = {i: j, j: i}
    return len(both) > 2 and all(
        pod in odd and (pod not in fit or fit[pod][places[other[pod[0]]]] > fit[pod][places[pod[0]]])
        for pod in both
    )


def _pairs(
    pods: Sequence[Pod], fit: dict[Pod, Floats], crosses: Ints, prior: float, season: SeasonTables
) -> list[PodSwap]:
    """All pairs both of whose pods fit the other's tag better.

    Crosses without an odd pod are taken to fit none: they would only make a stray pod likelier.
    """
    same = season.same_parents()
    place = {pod: int(np.searchsorted(crosses, pod[0] - season.n_lines)) for pod in pods}
    anyhow = {
        pod: float(
            np.logaddexp(
                np.log1p(-STRAY_SHARE) + fit[pod][place[pod]],
                np.log(STRAY_SHARE) + np.logaddexp.reduce(fit[pod]) - np.log(len(season.crosses)),
            )
        )
        for pod in pods
    }
    # Pods by cross: only those of crosses that a pod fits better than its own are looked at.
    of_cross: dict[int, list[int]] = {}
    for i, pod in enumerate(pods):
        of_cross.setdefault(place[pod], []).append(i)
    out = []
    for i, a in enumerate(pods):
        better = [c for c in np.flatnonzero(fit[a] > anyhow[a]).tolist() if c in of_cross]
        for b in (pods[j] for j in sorted(j for c in better for j in of_cross[c] if j > i)):
            gains = fit[a][place[b]] - anyhow[a], fit[b][place[a]] - anyhow[b]
            if same[a[0]] != same[b[0]] and min(gains) > 0:
                odds = float((sum(gains) + prior) / np.log(10))
                out.append(PodSwap(a, b, odds, (anyhow[a], anyhow[b])))
    return out


def explains_more(x: Examined, elsewhere: Bools) -> bool:
    """Whether layouts found on a plate explain wells besides those of the pods that seem to have changed
    places: MORE of them, in at least two tags, `elsewhere` (well,)."""
    gains: Bools = np.zeros(len(x.plate), dtype=bool)
    for step in x.search.steps:
        if step.layout is not None:
            gains |= step.gain > SPEAKS
    tags = x.plate.identity[gains & elsewhere]
    return len(tags) >= MORE and len(np.unique(tags)) >= 2


def swapped_identity(x: Examined, swaps: Sequence[PodSwap]) -> Ints:
    """Identities of a plate's wells with the pods exchanged, (well,)."""
    identity = x.plate.identity.copy()
    if not swaps:
        return identity
    pods = _pods(x, x.plate.identity)
    for swap in swaps:
        for pod, other in ((swap.first, swap.second), (swap.second, swap.first)):
            if pod in pods:
                identity[pods[pod]] = other[0]
    return identity


def pod_findings(swaps: Sequence[PodSwap], plates: Sequence[Examined], season: SeasonTables) -> list[Finding]:
    """What was found, as findings."""
    wanted = {pod for swap in swaps for pod in (swap.first, swap.second)}
    on_plates: dict[Pod, list[tuple[Examined, Ints]]] = {pod: [] for pod in wanted}
    for x in plates if wanted else ():
        for pod, wells in _pods(x, x.plate.identity).items():
            if pod in wanted:
                on_plates[pod].append((x, wells))
    out = []
    for swap in swaps:
        moved: list[tuple[str, str, int]] = []
        counts, donors = [], []
        for pod, other in ((swap.first, swap.second), (swap.second, swap.first)):
            before = len(moved)
            for x, wells in on_plates[pod]:
                moved += [(x.plate.place(int(w)), x.plate.samples[w], other[0]) for w in wells]
            counts.append(len(moved) - before)
            called = [(x, wells[_calls(x)[wells]]) for x, wells in on_plates[pod]]
            donors.append(visited(pod[0] - season.n_lines, called, season))
        decided = swap_odds(swap.log10_odds, swap.alone, donors) >= DECIDED
        names = [season.crosses[pod[0] - season.n_lines] for pod in (swap.first, swap.second)]
        a, b = (f"{name}:{pod[1]}" for name, pod in zip(names, (swap.first, swap.second), strict=True))
        on = sorted({place.rpartition(":")[0] for place, _, _ in moved} - {""})
        out.append(
            Finding(
                FindingKind.PODS_SWAPPED,
                Scope.CROSS,
                on[0] if len(on) == 1 else "",
                names[0],
                f"The {counts[0]} plants of pod {a} fit the parents of {names[1]}, and the {counts[1]} of "
                f"pod {b} those of {names[0]}: the two pods were exchanged."
                + ("" if decided else OR_VISITED),
                "Compare the bags with the crossing book. If so, add "
                + ("the proposed row" if decided else f"the row swap pods,{a},{b}")
                + " to corrections.csv and run again.",
                wells=tuple(place for place, _, _ in moved),
                samples=tuple(sample for _, sample, _ in moved),
                other=names[1],
                log10_odds=swap.log10_odds,
                hold=Hold.SAMPLES,
                corrections=(Correction(CorrectionKind.SWAP_PODS, a, b),) if decided else (),
                reassigned=tuple((sample, identity) for _, sample, identity in moved),
            )
        )
    return out
