"""Crosses whose plants fit no tag of their own: tags swapped, harvested under another tag, another parent
line.

Seen over all plates. For a cross c that fits badly, every other explanation h (the parents of another cross;
another line as mother; another line as father) is compared with the tag:

    lod(h) = sum over plants of clip(E_h - E_c, -bound, bound) / ln 10 + log10 prior(h)

The same other line in place of one line in all crosses made with it: see `line_events`.
Direction: nuclear markers cannot show it; maternal markers (chloroplast) test the mother alone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import SeasonTables, line_posterior
from crossproof.inference.plates.each import AskedOnce, one_by_one
from crossproof.inference.plates.proposals import GAIN, misfit_wells
from crossproof.inference.plates.reversed_tags import open_directions, reversed_findings
from crossproof.inference.plates.tag_explanations import (
    Examined,
    Explanation,
    bad_crosses,
    explain,
    given_back,
)
from crossproof.model.arrays import Floats
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

PARENT_IS = (CorrectionKind.MOTHER_IS, CorrectionKind.FATHER_IS)


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


def cross_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, asked: AskedOnce | None = None
) -> list[Finding]:
    """Tags, and parents, that the plants of badly fitting crosses fit instead.

    `asked`: what was asked of the same plates, or more of them, before.
    """
    asked = asked or AskedOnce(one_by_one)
    turned = reversed_findings(plates, season, threshold, asked)
    on: dict[int, list[Examined]] = {c: [] for c in bad_crosses(plates, season, asked) if c not in turned}
    for x in plates:
        for i in np.unique(x.search.identity).tolist():
            if i - season.n_lines in on:
                on[i - season.n_lines].append(x)
    answers = asked(lambda c: explain(c, on[c], season, threshold), list(on), lambda c: (c, *map(id, on[c])))
    explained = dict(zip(on, answers, strict=True))
    parents = {c: e for c, all_e in explained.items() for e in all_e if e.cross < 0}
    found = {c: e for c, all_e in explained.items() for e in all_e if e.cross >= 0}
    found |= _given_back(found, plates, season)
    tags = {c: e.cross for c, e in found.items()}
    out = [
        _wrong_tag(c, found[c], plates, season)
        if back is None
        else _swapped_tags(c, back, found, plates, season)
        for c, back in _with_partners(tags, season).items()
    ]
    out += [_wrong_parent(c, e, plates, season) for c, e in parents.items() if c not in tags]
    return [*out, *turned.values()]


def _given_back(
    found: dict[int, Explanation], plates: Sequence[Examined], season: SeasonTables
) -> dict[int, Explanation]:
    """Tags that fit their own parents no worse than others do, but whose crossed plants are of a tag that
    fits their parents: a bag of selfs and a few hybrids that changed places with it."""
    same = season.same_parents()[season.n_lines :]
    more: dict[int, Explanation] = {}
    for c, e in found.items():
        if any(same[o.cross] == same[c] for o in found.values()):
            continue
        for b in np.flatnonzero(same == same[e.cross]).tolist():
            given = None if b in found or b in more else given_back(b, c, plates, season)
            if given is not None:
                more[b] = given
                break
    return more


COMPARE = "Compare tags and crossing book. If so, add the proposed row to corrections.csv and run again."


def _with_partners(tags: dict[int, int], season: SeasonTables) -> dict[int, int | None]:
    """Crosses to report, each with the one that fits its parents in return, None where none does.

    `tags`: crosses to the one whose parents their plants fit. Of two that fit each other the first is kept.
    """
    same = season.same_parents()[season.n_lines :]
    out: dict[int, int | None] = {}
    done: set[int] = set()
    for c, other in tags.items():
        if c in done:
            continue
        out[c] = next(
            (b for b, o in tags.items() if b != c and same[b] == same[other] and same[o] == same[c]), None
        )
        if (back := out[c]) is not None:
            done |= {c, back}
    return out


def _swapped_tags(
    c: int, back: int, found: dict[int, Explanation], plates: Sequence[Examined], season: SeasonTables
) -> Finding:
    """The tags of two crosses are swapped."""
    wells, samples = _wells_of(c, plates, season)
    more_wells, more_samples = _wells_of(back, plates, season)
    name, other = season.crosses[c], season.crosses[back]
    e, e_back = found[c], found[back]
    moved = [(s, season.n_lines + back) for s in samples] + [(s, season.n_lines + c) for s in more_samples]
    return Finding(
        FindingKind.TAGS_SWAPPED,
        Scope.CROSS,
        _plates_text(wells + more_wells),
        name,
        f"Plants tagged {name} fit the parents of {other} ({e.gaining} of {e.called} fit better that way), "
        f"and those tagged {other} fit {name} ({e_back.gaining} of {e_back.called}).",
        COMPARE,
        wells=tuple(wells + more_wells),
        samples=tuple(samples + more_samples),
        other=other,
        log10_odds=e.log10_odds + e_back.log10_odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(CorrectionKind.SWAP_TAGS, name, other),),
        reassigned=tuple(moved),
    )


def _wrong_tag(c: int, e: Explanation, plates: Sequence[Examined], season: SeasonTables) -> Finding:
    """The plants of a cross are those of another."""
    wells, samples = _wells_of(c, plates, season)
    name, other = season.crosses[c], season.crosses[e.cross]
    return Finding(
        FindingKind.TAG_WRONG,
        Scope.CROSS,
        _plates_text(wells),
        name,
        f"Plants tagged {name} fit the parents of {other} and not their own: {e.gaining} of "
        f"{e.called} fit better that way.",
        COMPARE,
        wells=tuple(wells),
        samples=tuple(samples),
        other=other,
        log10_odds=e.log10_odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(CorrectionKind.TAG_IS, name, other),),
        reassigned=tuple((s, season.n_lines + e.cross) for s in samples),
    )


def _replacement(c: int, e: Explanation, season: SeasonTables) -> tuple[int, int]:
    """The recorded line, and the line in its place."""
    if e.mother != season.mother[c]:
        return int(season.mother[c]), e.mother
    return int(season.father[c]), e.father


def _wrong_parent(c: int, e: Explanation, plates: Sequence[Examined], season: SeasonTables) -> Finding:
    """A cross was made with another line than the one on its tag."""
    line, other = _replacement(c, e, season)
    wells, samples = _wells_of(c, plates, season)
    side = "mother" if line == season.mother[c] else "father"
    was, now = season.lines[line] if line >= 0 else "an unknown line", season.lines[other]
    return Finding(
        FindingKind.PARENT_WRONG,
        Scope.CROSS,
        _plates_text(wells),
        season.crosses[c],
        f"Plants of {season.crosses[c]} fit {now} as {side} and not {was}: {e.gaining} of "
        f"{e.called} fit better that way.",
        f"Check which plant was used as {side}. If it was {now}, add the proposed row to "
        "corrections.csv and run again.",
        wells=tuple(wells),
        samples=tuple(samples),
        other=now,
        log10_odds=e.log10_odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(PARENT_IS[side == "father"], season.crosses[c], now),),
    )


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
                f"{p_name}, the recorded father, not those of {m_name}: the cross was made the other way.",
                "Compare with the crossing book. If mother and father changed places, add the proposed "
                "row to corrections.csv and run again.",
                wells=tuple(wells),
                samples=tuple(samples),
                log10_odds=odds,
                hold=Hold.SAMPLES,
                corrections=(Correction(CorrectionKind.REVERSE_CROSS, name),),
            )
        )
    return out


def findings_of_directions(
    plates: Sequence[Examined],
    season: SeasonTables,
    evidence: tuple[Floats, ...],
    threshold: float,
    found: Sequence[Finding],
    asked: AskedOnce,
) -> list[Finding]:
    """Crosses made the other way round by their maternal markers, and those that may have been by their
    selfed seed, less those that are `found`."""
    turned = {f.subject for f in found if f.kind is FindingKind.RECIPROCAL}
    maternal = maternal_findings(plates, season, evidence, threshold)
    new = [f for f in maternal if f.subject not in turned]
    return [*new, *open_directions(plates, season, threshold, [*found, *new], asked)]
