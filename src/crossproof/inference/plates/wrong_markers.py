"""Markers that are wrong on one plate alone: their alleles exchanged, or heterozygous in every well.

For a marker and a plate, with T the genotypes that a plant's likeliest relation to its cross allows,

    as called    sum over plants of log sum_g T(g) L(g)
    exchanged    the same with L of the other homozygote in place of L(g); markers of two alleles
    heterozygous sum over plants of log [ 0.95 L(heterozygote) + 0.05 mean L ]

Parents are judged by their tubes on the other plates where they have any, or a plate would bear itself out.
A marker that errs on all plates alike is a bad assay, and none of this check. Of two plates that contradict
each other calls cannot say which one is wrong: the plate is named that fits worse.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, SeasonTables, heterozygous_codes
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.plates.proposals import misfit_wells
from crossproof.inference.plates.scores import PlateScores
from crossproof.inference.plates.tag_explanations import KNOWN_SHARE, Examined, speaks
from crossproof.inference.short_axes import sum_of_last
from crossproof.model.arrays import Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Scope
from crossproof.model.sentinels import NO_CALL_CODE

PRIOR_WRONG = 1e-4
"""Share of markers of a plate that are wrong on it as a whole. No source."""
LEAST_PLANTS, LEAST_CROSSES = 8, 3
EXCHANGED, HETEROZYGOUS = 0, 1
WORDS = {
    EXCHANGED: "its two alleles seem to be exchanged there",
    HETEROZYGOUS: "it reads heterozygous there whatever the plant is",
}


def _gains(scores: PlateScores, identity: Ints, wells: Ints, b: int) -> tuple[Floats, Ints]:
    """Gain of each story in nats (story, marker) at the nuclear markers of block `b`, and the crosses that
    speak for it by more than a nat (story, marker)."""
    season, n = scores.season, scores.season.n_lines
    x, codes = scores.likelihood[b], scores.plate.blocks[b].codes[scores.nuclear[b]]
    k = season.blocks[b].k
    het = heterozygous_codes(k)
    gain = np.zeros((2, len(x)))
    crosses = np.zeros((2, len(x)), dtype=np.int64)
    without = np.where(scores.tube, EMPTY, identity)
    elsewhere = scores.lines_under(without)
    wells = wells[np.argsort(identity[wells], kind="stable")]
    own, start, of = np.unique(identity[wells] - n, return_index=True, return_inverse=True)
    parents = season.mother[own], season.father[own]
    known = np.array(
        [min(map(elsewhere.known_share, pair)) for pair in zip(*(p.tolist() for p in parents), strict=True)]
    )
    table = np.empty((len(wells), len(x), x.shape[2]))
    for believed, mine in ((without, known >= KNOWN_SHARE), (identity, known < KNOWN_SHARE)):
        if mine.any():
            state, place = scores.lines_under(believed), np.flatnonzero(mine[of])
            relations = scores.own_relations(believed)[wells[place]] + scores.relation_prior()
            tables = scores.cross_table(b, *(scores.parent_table(b, p[mine], state) for p in parents))
            table[place] = tables[(np.cumsum(mine) - 1)[of[place]], relations.argmax(axis=1)]
    table = table.transpose(1, 0, 2)  # marker, well, genotype
    like = x[:, wells].astype(np.float64)
    as_called = np.log(sum_of_last(table * like))
    any_het = np.log(0.95 * like[..., het].mean(axis=2) + 0.05 * like.mean(axis=2))
    stories = [any_het if k > 2 else np.log(sum_of_last(table * like[..., ::-1])), any_het]
    for story, data in enumerate(stories):
        if story == EXCHANGED and k > 2:
            continue
        more = np.where(codes[:, wells] != NO_CALL_CODE, data - as_called, 0.0)
        for mine in np.split(more, start[1:], axis=1):
            of_cross = mine.sum(axis=1)
            gain[story] += of_cross
            crosses[story] += of_cross > 1.0
    return gain, crosses


def marker_gains(x: Examined) -> list[tuple[Floats, Ints]]:
    """`_gains` of a plate, by block; none where too few of its plants speak."""
    identity, season = x.search.identity, x.scores.season
    fits = speaks(x) & ~misfit_wells(x.search.matrix, identity, x.scores) & (identity >= season.n_lines)
    wells = np.flatnonzero(fits)
    if len(wells) < LEAST_PLANTS or len(np.unique(identity[wells])) < LEAST_CROSSES:
        return []
    return [_gains(x.scores, identity, wells, b) for b in range(len(season.blocks))]


def wrong_marker_findings(
    plates: Sequence[Examined], season: SeasonTables, threshold: float, each: Each = one_by_one
) -> list[Finding]:
    """Markers that are wrong on one plate of several, plate by plate."""
    use = [(x, its) for x, its in zip(plates, each(marker_gains, plates), strict=True) if its]
    if len(use) < 2:
        return []
    out = []
    for b, block in enumerate(season.blocks):
        every = np.stack([its[b][0] for _, its in use])  # plate, story, marker
        for x, its in use:
            gain, crosses = its[b]
            others = every.sum(axis=0) - gain
            odds = gain / np.log(10) + np.log10(PRIOR_WRONG)
            worst = gain >= every.max(axis=(0, 1))
            alone = worst & (crosses >= LEAST_CROSSES) & (odds >= threshold)
            for j in np.flatnonzero(alone.any(axis=0)).tolist():
                story = int(np.where(alone[:, j], gain[:, j], -np.inf).argmax())
                name = block.markers[int(x.scores.nuclear[b][j])]
                out.append(
                    Finding(
                        FindingKind.MARKER_WRONG,
                        Scope.MARKER,
                        x.plate.name,
                        name,
                        f"Marker {name} does not fit the plants of plate {x.plate.name}"
                        + (
                            ", while it does on the others"
                            if others[story, j] < 0
                            else ", or the others are wrong"
                        )
                        + f": {WORDS[story]}.",
                        "Look at the clusters of this marker on this plate; export it again, or empty its "
                        "calls in this plate's file.",
                        log10_odds=float(odds[story, j]),
                    )
                )
    return out
