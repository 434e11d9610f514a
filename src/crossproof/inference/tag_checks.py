"""Crosses whose plants fit no tag of their own: tags swapped, harvested under another tag, another parent
line.

Seen over all plates. For a cross c that fits badly, every other explanation h (the parents of another cross;
another line as mother; another line as father) is compared with the tag:

    lod(h) = sum over plants of clip(E_h - E_c, -bound, bound) / ln 10 + log10 prior(h)

The same other line in place of one line in all crosses made with it says that the line itself is wrong.
Direction: nuclear markers cannot show it; maternal markers (chloroplast) test the mother alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crossproof.inference.findings import Finding, FindingKind, Hold, Scope
from crossproof.inference.layout_search import PRIOR_ONE_TAG, Search
from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.inference.plate_arrays import Floats, Plate, SeasonTables, line_posterior
from crossproof.inference.plate_scores import PlateScores, log_sums
from crossproof.inference.proposals import GAIN, LEAST_MARKERS, misfit_wells
from crossproof.model.corrections import Correction, CorrectionKind

PRIOR_PARENT = 1e-2
"""Share of crosses made with another line than recorded."""
BAD_SHARE = 0.5
"""A cross fits badly if more of its called plants than this are neither hybrid nor self of their tag."""
CLOSE = 5.0
"""Explanations that fit worse than the best by this many nats are dropped."""
KNOWN_SHARE = 0.6
"""Share of markers at which both recorded parents must be known before another is named."""
WHOLE_LINE = 0.6
"""A line is another line if this share of its crosses (2 at least) says so."""
MAX_OTHERS = 1000
"""Most other crosses that a badly fitting one is compared with in full: those whose F1 it fits best."""


@dataclass(frozen=True)
class Examined:
    """One plate with its scores and what the search made of it."""

    scores: PlateScores
    search: Search

    @property
    def plate(self) -> Plate:
        """The plate."""
        return self.scores.plate


@dataclass(frozen=True)
class _Explanation:
    """What else the plants of a cross may be: `mother` x `father`, or the other cross `cross` (-1: none)."""

    mother: int
    father: int
    cross: int
    log10_odds: float
    gaining: int
    called: int


def called_plants(examined: Examined, identity: int) -> NDArray[np.int64]:
    """Wells with enough calls to speak, of one identity, after the search, (n,)."""
    return np.flatnonzero((examined.search.identity == identity) & _speaks(examined))


def _speaks(examined: Examined) -> NDArray[np.bool_]:
    """Wells with enough calls, (well,)."""
    plate = examined.plate
    return np.asarray(plate.n_called >= 0.3 * plate.n_markers)


def _others(cross: int, plates: Sequence[Examined], season: SeasonTables) -> tuple[NDArray[np.int64], Floats]:
    """Other crosses that the plants of a cross may be, and the share of all others that each stands for.

    In a large season crosses of the same two lines count once, by the first of them, and the MAX_OTHERS are
    kept whose F1, or whose mother selfed, the plants fit best.
    """
    other = np.flatnonzero((season.mother != season.mother[cross]) | (season.father != season.father[cross]))
    if len(other) <= MAX_OTHERS:
        return other, np.full(len(other), 1 / max(len(other), 1))
    pairs = np.stack([season.mother[other], season.father[other]])
    _, first, count = np.unique(pairs, axis=1, return_index=True, return_counts=True)
    share = count / len(other)
    other = other[first]
    if len(other) <= MAX_OTHERS:
        return other, share
    lines = np.arange(-1, season.n_lines)  # an unknown line comes first
    fit = np.zeros(len(other))
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        state = x.scores.lines_under(x.search.identity, more=lines)
        crossed, selfed = np.zeros((len(wells), len(other))), np.zeros((len(wells), len(lines)))
        for b, likelihood in enumerate(x.scores.likelihood):
            table = x.scores.parent_table(b, lines, state)
            gametes = table @ gamete_table(x.scores.plate.blocks[b].k)
            f1 = child_of_gametes(gametes[season.mother[other] + 1], gametes[season.father[other] + 1])
            crossed += log_sums(f1.transpose(1, 2, 0), likelihood[:, wells])
            selfed += log_sums(table.transpose(1, 2, 0), likelihood[:, wells])
        fit += np.maximum(crossed, selfed[:, season.mother[other] + 1]).sum(axis=0)
    best = np.sort(np.argsort(-fit, kind="stable")[:MAX_OTHERS])
    return other[best], share[best]


def _explain(
    cross: int, plates: Sequence[Examined], season: SeasonTables, threshold: float
) -> list[_Explanation]:
    """The best other cross and the best other parent of a badly fitting cross, each if it reaches the
    threshold.

    None that fits worse than the other by CLOSE is kept.
    """
    m, p = int(season.mother[cross]), int(season.father[cross])
    lines = np.arange(season.n_lines)
    other, share = _others(cross, plates, season)
    as_mother, as_father = lines[lines != m], lines[lines != p]
    mothers = np.concatenate([season.mother[other], as_mother, np.full(len(as_father), m)])
    fathers = np.concatenate([season.father[other], np.full(len(as_mother), p), as_father])
    which = np.concatenate([other, np.full(len(as_mother) + len(as_father), -1)])
    of_line = np.full(len(as_mother) + len(as_father), PRIOR_PARENT / (2 * max(len(lines), 1)))
    prior = np.concatenate([PRIOR_ONE_TAG * share, of_line])
    total = np.log10(prior)
    fit = np.log(prior)  # without the bound: it tells explanations apart that all reach it
    gaining = np.zeros(len(mothers), dtype=np.int64)
    called = 0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells) == 0:
            continue
        state = x.scores.lines_under(x.search.identity, more=np.concatenate([mothers, fathers]))
        s = x.scores.pair_scores(mothers, fathers, wells, state)
        matrix = x.search.matrix
        odd = matrix.anything[wells] + np.log(0.002)
        e = np.logaddexp(s, odd[:, None]) + x.scores.called[wells][:, None]
        gain = np.clip(e - matrix.own(x.search.identity)[wells][:, None], -matrix.bound, matrix.bound)
        total = total + gain.sum(axis=0) / np.log(10)
        fit = fit + e.sum(axis=0)
        gaining += (gain > GAIN).sum(axis=0)
        called += len(wells)
    if called == 0:
        return []
    found = []
    best_fit = float(fit.max())
    for group in (np.flatnonzero(which >= 0), np.flatnonzero(which < 0)):
        if len(group) == 0:
            continue
        best = int(group[np.argmax(fit[group])])
        # A cross of the records that fits as well is the simpler story than a parent line of no other record.
        close = fit[best] > best_fit - CLOSE
        enough = total[best] >= threshold and gaining[best] >= max(3, 0.5 * called)
        if close and enough and _many_markers(cross, int(mothers[best]), int(fathers[best]), plates, season):
            found.append(
                _Explanation(
                    int(mothers[best]),
                    int(fathers[best]),
                    int(which[best]),
                    float(total[best]),
                    int(gaining[best]),
                    called,
                )
            )
    return found


def _many_markers(
    cross: int, mother: int, father: int, plates: Sequence[Examined], season: SeasonTables
) -> bool:
    """Whether LEAST_MARKERS markers or more speak for other parents, and three times as many as against.

    A parent plant that departs from its line, or a miscalled tube, shows in all plants of the family at the
    same
    few markers: many plants do not make these more.
    """
    votes: Floats | float = 0.0
    for x in plates:
        wells = called_plants(x, season.n_lines + cross)
        if len(wells):
            lines = np.array([mother, father])
            state = x.scores.lines_under(x.search.identity, more=lines)
            other = x.scores.marker_scores(mother, father, wells, state)
            recorded = int(season.mother[cross]), int(season.father[cross])
            if min(x.scores.known_share(p, state) for p in recorded) < KNOWN_SHARE:
                return False  # a tube that failed: any line would fit better
            own = x.scores.marker_scores(*recorded, wells, state)
            votes = votes + (other - own).sum(axis=1)
    for_it, against = int((np.asarray(votes) > 2 * GAIN).sum()), int((np.asarray(votes) < -2 * GAIN).sum())
    return for_it >= LEAST_MARKERS and for_it >= 3 * against


def bad_crosses(plates: Sequence[Examined], season: SeasonTables) -> list[int]:
    """Crosses most of whose called plants (3 at least) are neither hybrid nor self of their tag.

    One outcross is nothing unusual; a whole family of them says that its father is another.
    """
    n = season.n_lines
    strange = np.zeros(len(season.crosses), dtype=np.int64)
    called = np.zeros(len(season.crosses), dtype=np.int64)
    for x in plates:
        identity = x.search.identity
        misfit = misfit_wells(x.search.matrix, identity, x.scores)
        state = x.scores.lines_under(identity)
        for i in np.unique(identity[identity >= n]):
            c, wells = int(i) - n, called_plants(x, int(i))
            if len(wells) == 0:
                continue
            scores = x.scores.relation_scores(season.mother[[c]], season.father[[c]], wells, state)[:, 0]
            relation = (scores + x.scores.relation_prior()).argmax(axis=1)
            called[c] += len(wells)
            strange[c] += int((misfit[wells] | (relation >= 2)).sum())
    return [int(c) for c in np.flatnonzero((called >= 3) & (strange > BAD_SHARE * called))]


def _wells_of(cross: int, plates: Sequence[Examined], season: SeasonTables) -> tuple[list[str], list[str]]:
    wells, samples = [], []
    for x in plates:
        for w in np.flatnonzero(x.search.identity == season.n_lines + cross):
            wells.append(x.plate.place(int(w)))
            samples.append(x.plate.samples[w])
    return wells, samples


def _plates_text(wells: list[str]) -> str:
    names = list(dict.fromkeys(w.rpartition(":")[0] for w in wells))
    return names[0] if len(names) == 1 else ""


def cross_findings(plates: Sequence[Examined], season: SeasonTables, threshold: float) -> list[Finding]:
    """Tags, and parents, that the plants of badly fitting crosses fit instead."""
    on: dict[int, list[Examined]] = {c: [] for c in bad_crosses(plates, season)}
    for x in plates:
        for i in np.unique(x.search.identity).tolist():
            if i - season.n_lines in on:
                on[i - season.n_lines].append(x)
    explained = {c: _explain(c, its_plates, season, threshold) for c, its_plates in on.items()}
    parents = {c: e for c, all_e in explained.items() for e in all_e if e.cross < 0}
    whole = _whole_lines(parents, plates, season)
    of_line = {c for c, e in parents.items() if _replacement(c, e, season) in whole}
    found = {c: e for c, all_e in explained.items() for e in all_e if e.cross >= 0 and c not in of_line}
    tags = {c: e.cross for c, e in found.items()}
    same = season.same_parents()[season.n_lines :]
    out: list[Finding] = []
    done: set[int] = set()
    for c, other in tags.items():
        if c in done:
            continue
        e = found[c]
        back = next(
            (b for b, o in tags.items() if b != c and same[b] == same[other] and same[o] == same[c]), None
        )
        wells, samples = _wells_of(c, plates, season)
        name = season.crosses[c]
        if back is not None:
            done |= {c, back}
            e_back = found[back]
            more_wells, more_samples = _wells_of(back, plates, season)
            b_name = season.crosses[back]
            moved = tuple((s, season.n_lines + back) for s in samples)
            moved += tuple((s, season.n_lines + c) for s in more_samples)
            out.append(
                Finding(
                    FindingKind.TAGS_SWAPPED,
                    Scope.CROSS,
                    _plates_text(wells + more_wells),
                    name,
                    f"Plants tagged {name} fit the parents of {b_name} ({e.gaining} of {e.called} better "
                    f"so), and "
                    f"those tagged {b_name} fit {name} ({e_back.gaining} of {e_back.called}).",
                    "Compare tags and crossing book. If it is so, add the proposed row to "
                    "corrections.csv and run "
                    "again.",
                    wells=tuple(wells + more_wells),
                    samples=tuple(samples + more_samples),
                    other=b_name,
                    log10_odds=e.log10_odds + e_back.log10_odds,
                    hold=Hold.SAMPLES,
                    corrections=(Correction(CorrectionKind.SWAP_TAGS, name, b_name),),
                    reassigned=moved,
                )
            )
            continue
        o_name = season.crosses[other]
        out.append(
            Finding(
                FindingKind.TAG_WRONG,
                Scope.CROSS,
                _plates_text(wells),
                name,
                f"Plants tagged {name} fit the parents of {o_name} and not their own: {e.gaining} of "
                f"{e.called} "
                "better so.",
                "Compare tags and crossing book. If it is so, add the proposed row to corrections.csv "
                "and run again.",
                wells=tuple(wells),
                samples=tuple(samples),
                other=o_name,
                log10_odds=e.log10_odds,
                hold=Hold.SAMPLES,
                corrections=(Correction(CorrectionKind.TAG_IS, name, o_name),),
                reassigned=tuple((s, season.n_lines + other) for s in samples),
            )
        )
    return out + _parent_findings({c: e for c, e in parents.items() if c not in tags}, whole, plates, season)


def _replacement(c: int, e: _Explanation, season: SeasonTables) -> tuple[int, int]:
    """The recorded line, and the line in its place."""
    if e.mother != season.mother[c]:
        return int(season.mother[c]), e.mother
    return int(season.father[c]), e.father


def _by_line(parents: dict[int, _Explanation], season: SeasonTables) -> dict[tuple[int, int], list[int]]:
    out: dict[tuple[int, int], list[int]] = {}
    for c, e in parents.items():
        out.setdefault(_replacement(c, e, season), []).append(c)
    return out


def _whole_lines(
    parents: dict[int, _Explanation], plates: Sequence[Examined], season: SeasonTables
) -> set[tuple[int, int]]:
    """(line, other line) where most crosses made with the line fit the other in its place."""
    called = np.zeros(season.n_lines + len(season.crosses), dtype=np.int64)
    for x in plates:
        np.add.at(called, x.search.identity[_speaks(x) & (x.search.identity >= 0)], 1)
    seen = set(np.flatnonzero(called[season.n_lines :] >= 3).tolist())
    out = set()
    for (line, other), crosses in _by_line(parents, season).items():
        made = {c for c in seen if line in (season.mother[c], season.father[c])}
        if line >= 0 and len(crosses) >= 2 and len(crosses) >= WHOLE_LINE * len(made):
            out.add((line, other))
    return out


def _parent_findings(
    parents: dict[int, _Explanation],
    whole: set[tuple[int, int]],
    plates: Sequence[Examined],
    season: SeasonTables,
) -> list[Finding]:
    """Crosses made with another line; where most crosses of a line say the same, the line is the other."""
    by_line = _by_line(parents, season)
    out: list[Finding] = []
    for (line, other), crosses in by_line.items():
        each = [_wells_of(c, plates, season) for c in crosses]
        wells, samples = ([name for pair in each for name in pair[i]] for i in (0, 1))
        names = ", ".join(season.crosses[c] for c in crosses)
        odds = sum(parents[c].log10_odds for c in crosses)
        was = season.lines[line] if line >= 0 else "an unknown line"
        now = season.lines[other]
        if (line, other) in whole:
            mutual = (other, line) in whole
            if mutual and other < line:
                continue
            kind = FindingKind.LINES_SWAPPED if mutual else FindingKind.LINE_WRONG
            rows = (
                (Correction(CorrectionKind.SWAP_LINES, was, now),)
                if mutual
                else (Correction(CorrectionKind.LINE_IS, was, now, "crosses"),)
            )
            text = f"Crosses made with {was} ({names}) fit {now} in its place" + (
                f", and those of {now} fit {was}: their tubes changed places." if mutual else "."
            )
            out.append(
                Finding(
                    kind,
                    Scope.LINE,
                    _plates_text(wells),
                    was,
                    text,
                    f"Genotype {was} and {now} again from seed. If the plants used for crossing were "
                    f"{now}, add the "
                    "proposed row to corrections.csv and run again.",
                    wells=tuple(wells),
                    samples=tuple(samples),
                    other=now,
                    log10_odds=odds,
                    hold=Hold.SAMPLES,
                    corrections=rows,
                )
            )
            continue
        for c in crosses:
            wells_c, samples_c = _wells_of(c, plates, season)
            side = "mother" if line == season.mother[c] else "father"
            e = parents[c]
            out.append(
                Finding(
                    FindingKind.PARENT_WRONG,
                    Scope.CROSS,
                    _plates_text(wells_c),
                    season.crosses[c],
                    f"Plants of {season.crosses[c]} fit {now} as {side} and not {was}: {e.gaining} of "
                    f"{e.called} "
                    "better so.",
                    f"Check which plant was used as {side}. If it was {now}, correct the {side} in the "
                    f"crosses sheet.",
                    wells=tuple(wells_c),
                    samples=tuple(samples_c),
                    other=now,
                    log10_odds=e.log10_odds,
                    hold=Hold.SAMPLES,
                )
            )
    return out


def maternal_findings(
    plates: Sequence[Examined], season: SeasonTables, evidence: tuple[Floats, ...], threshold: float
) -> list[Finding]:
    """Crosses all of whose plants carry the father's maternal markers: the cross was made the other way.

    Sum over plants and maternal markers of log P(data | mother's type) against the father's. Plants fit the
    nuclear markers of the cross by assumption (others are left out).
    """
    if not any(b.maternal.any() for b in season.blocks):
        return []
    n = season.n_lines
    total = np.zeros(len(season.crosses))
    for_father = np.zeros(len(season.crosses), dtype=np.int64)
    informative = np.zeros(len(season.crosses), dtype=np.int64)
    tables = [
        0.99 * line_posterior(b.pool[b.maternal], e[:, b.maternal], np.ones(n)) + 0.01 / e.shape[2]
        for b, e in zip(season.blocks, evidence, strict=True)
    ]
    for x in plates:
        identity = x.search.identity
        misfit = misfit_wells(x.search.matrix, identity, x.scores)
        for w in np.flatnonzero((identity >= n) & ~misfit):
            c = int(identity[w]) - n
            m, p = int(season.mother[c]), int(season.father[c])
            if m < 0 or p < 0:
                continue
            ratio = 0.0
            for b, table in enumerate(tables):
                data = x.plate.blocks[b].likelihood[season.blocks[b].maternal, w]
                ratio += float((np.log((table[p] * data).sum(1)) - np.log((table[m] * data).sum(1))).sum())
            if abs(ratio) > GAIN:
                informative[c] += 1
                for_father[c] += ratio > 0
                total[c] += ratio
    out = []
    for c in np.flatnonzero((informative >= 2) & (for_father >= 0.9 * informative)).tolist():
        odds = float(total[c] / np.log(10) - 2.0)
        if odds < threshold:
            continue
        wells, samples = _wells_of(c, plates, season)
        name = season.crosses[c]
        m_name, p_name = season.lines[season.mother[c]], season.lines[season.father[c]]
        out.append(
            Finding(
                FindingKind.RECIPROCAL,
                Scope.CROSS,
                _plates_text(wells),
                name,
                f"{for_father[c]} of {informative[c]} plants of {name} carry the maternal markers of "
                f"{p_name}, the "
                f"recorded father, not those of {m_name}: the cross was made the other way.",
                "Compare with the crossing book. If mother and father changed places, add the proposed "
                "row to "
                "corrections.csv and run again.",
                wells=tuple(wells),
                samples=tuple(samples),
                log10_odds=odds,
                hold=Hold.SAMPLES,
                corrections=(Correction(CorrectionKind.REVERSE_CROSS, name),),
            )
        )
    return out
