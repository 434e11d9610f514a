"""Parent tubes and replicated plants: those that disagree, and which one is odd; lines that are one line.

Two wells are compared at the markers where both are known. Same plant or line against two drawn from the
pool:

    llr = sum_j log [ sum_g p(g) L1(g) L2(g) / (sum_g p(g) L1(g) sum_g p(g) L2(g)) ]

They disagree if they differ at more than a given share of markers and llr speaks against "same".
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import connected_components

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.plates.arrays import Plate, SeasonTables, line_posterior
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Bools, Floats
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope

KNOWN = 0.9
"""Normalised likelihood from which a genotype counts as known for counting differences."""
LEAST_SHARED = 5
LEAST_DIFFERING = 3
SAME_LINE_ODDS = 6.0
SAME_LINE_DIFFERENCE = 0.02
TUBE_MATCH = 0.06
"""Share of markers at which a tube may differ from the line it is said to be instead."""


@dataclass(frozen=True)
class Pair:
    """Comparison of two wells: markers shared, differing, and log10 odds of "same" over "two of the pool"."""

    shared: int
    differing: int
    log10_same: float

    def disagree(self, share: float) -> bool:
        """Whether they are not one plant or line."""
        differ = self.differing >= LEAST_DIFFERING and self.differing > share * self.shared
        return self.shared >= LEAST_SHARED and differ and self.log10_same < -2.0


def _priors(season: SeasonTables, inbreeding: float) -> list[Floats]:
    return [pool_genotypes(b.pool * 0.98 + 0.02 / b.k, inbreeding) + 1e-6 for b in season.blocks]


def compare(left: Sequence[Floats], right: Sequence[Floats], prior: Sequence[Floats]) -> Pair:
    """Two sets of likelihoods per block (marker, genotype) under a prior (marker, genotype)."""
    shared = differing = 0
    llr = 0.0
    for a, b, p in zip(left, right, prior, strict=True):
        a = a / a.sum(axis=1, keepdims=True)
        b = b / b.sum(axis=1, keepdims=True)
        both = (a.max(axis=1) >= KNOWN) & (b.max(axis=1) >= KNOWN)
        shared += int(both.sum())
        differing += int((both & (a.argmax(axis=1) != b.argmax(axis=1))).sum())
        llr += float(np.log((p * a * b).sum(1) / ((p * a).sum(1) * (p * b).sum(1)) * p.sum(1)).sum())
    return Pair(shared, differing, llr / np.log(10))


def _data(plate: Plate, well: int) -> list[Floats]:
    return [b.likelihood[:, well].astype(np.float64) for b in plate.blocks]


def clusters(agree: Bools) -> list[list[int]]:
    """Groups of wells that agree, directly or through others, largest first, (well, well) -> lists."""
    _, label = connected_components(agree, directed=False)
    groups = [np.flatnonzero(label == g).tolist() for g in np.unique(label)]
    return sorted(groups, key=lambda g: (-len(g), g))


def _disagreement(
    data: Sequence[list[Floats]], prior: Sequence[Floats], conflict: float
) -> tuple[list[list[int]], Pair] | None:
    """Groups of wells that agree, largest first, and the pair that differs most; None where all agree."""
    agree = np.eye(len(data), dtype=bool)
    worst = Pair(0, 0, 0.0)
    for i in range(len(data)):
        for j in range(i + 1, len(data)):
            pair = compare(data[i], data[j], prior)
            agree[i, j] = agree[j, i] = not pair.disagree(conflict)
            worst = pair if pair.log10_same < worst.log10_same else worst
    if agree.all():
        return None
    groups = clusters(agree)
    return (groups, worst) if len(groups) > 1 else None


def _matching_line(
    data: Sequence[Floats], posteriors: Sequence[Floats], prior: Sequence[Floats], own: int
) -> tuple[int, Pair] | None:
    """The line that a tube's data match instead of its own, with the comparison."""
    best: tuple[int, Pair] | None = None
    for line in range(len(posteriors[0])):
        if line == own:
            continue
        pair = compare(data, [p[line] for p in posteriors], prior)
        close = pair.shared >= LEAST_SHARED and pair.differing <= TUBE_MATCH * pair.shared
        if close and pair.log10_same > 2.0 and (best is None or pair.log10_same > best[1].log10_same):
            best = line, pair
    return best


def line_tube_findings(
    plates: Sequence[Plate], season: SeasonTables, evidence: tuple[Floats, ...], conflict: float
) -> list[Finding]:
    """Lines whose tubes disagree; the odd tube is the one outside the largest agreeing group.

    Where groups are equal in size, a tube that matches another line is the odd one; else none can be named.
    """
    tubes: dict[int, list[tuple[Plate, int]]] = {}
    for plate in plates:
        enough = plate.n_called >= 0.3 * plate.n_markers
        for w in np.flatnonzero((plate.identity >= 0) & (plate.identity < season.n_lines) & enough):
            tubes.setdefault(int(plate.identity[w]), []).append((plate, int(w)))
    prior = _priors(season, 0.9)
    apart = {
        line: (mine, data, found)
        for line, mine in sorted(tubes.items())
        if (found := _disagreement(data := [_data(p, w) for p, w in mine], prior, conflict)) is not None
    }
    posteriors = [
        line_posterior(b.pool, e, season.inbreeding)
        for b, e in zip(season.blocks, evidence, strict=True)
        if apart
    ]
    out = []
    for line, (mine, data, (groups, worst)) in apart.items():
        matches = {i: _matching_line(data[i], posteriors, prior, line) for g in groups for i in g}
        odd, clear = _odd_tubes(groups, matches)
        out.append(_odd_tubes_finding(line, mine, odd, clear, matches, worst, season))
    return out


Matches = Mapping[int, tuple[int, Pair] | None]
"""The other line that each tube matches, with the comparison."""


def _odd_tubes(groups: Sequence[list[int]], matches: Matches) -> tuple[list[int], bool]:
    """Tubes outside the group that is right, and True; all of them, and False, where none can be named.

    `groups`, largest first: the largest is right. Of two equal ones it is the one that matches no other line,
    if the other does.
    """
    groups = list(groups)
    clear = True
    if len(groups[0]) == len(groups[1]):
        groups.sort(key=lambda g: (-len(g), any(matches[i] is not None for i in g)))
        innocent, suspect = ([matches[i] is not None for i in g] for g in groups[:2])
        clear = not any(innocent) and any(suspect)
    return [i for g in (groups[1:] if clear else groups) for i in g], clear


def _odd_tubes_finding(
    line: int,
    tubes: Sequence[tuple[Plate, int]],
    odd: Sequence[int],
    clear: bool,
    matches: Matches,
    worst: Pair,
    season: SeasonTables,
) -> Finding:
    """That tubes of a line disagree; `clear`: the odd ones are known, and rows are proposed for them."""
    wells = tuple(tubes[i][0].place(tubes[i][1]) for i in odd)
    samples = tuple(tubes[i][0].samples[tubes[i][1]] for i in odd)
    names = ", ".join(f"{s} ({w})" for s, w in zip(samples, wells, strict=True))
    others = ", ".join(sorted({season.lines[m[0]] for i in odd if clear and (m := matches[i]) is not None}))
    text = f"The {len(tubes)} tubes of line {season.lines[line]} disagree (up to {worst.differing} of "
    text += f"{worst.shared} markers). "
    text += f"Odd: {names}." if clear else f"Which is right cannot be told: {names}."
    if others:
        text += f" It matches {others}."
    rows = [
        Correction(CorrectionKind.IGNORE_SAMPLE, s)
        if (m := matches[i]) is None
        else Correction(CorrectionKind.SAMPLE_IS, s, season.lines[m[0]])
        for i, s in zip(odd, samples, strict=True)
        if clear
    ]
    return Finding(
        FindingKind.LINE_REPLICATES,
        Scope.LINE,
        tubes[odd[0]][0].name,
        season.lines[line],
        text,
        _remedy(rows),
        wells=wells,
        samples=samples,
        other=others,
        log10_odds=-worst.log10_same,
        corrections=tuple(rows),
    )


def _remedy(rows: Sequence[Correction]) -> str:
    """What to do about samples of a line that disagree, in keeping with the rows proposed."""
    again = "Genotype the line again from seed."
    if not rows:
        return again
    if all(r.kind is CorrectionKind.SAMPLE_IS for r in rows):
        return f"{again} If the odd sample is of the other line, add the proposed row, which says so."
    return f"{again} Until then the proposed row leaves the odd sample out."


def plant_replicate_findings(
    plates: Sequence[Plate], season: SeasonTables, conflict: float, each: Each = one_by_one
) -> list[Finding]:
    """Plants whose wells disagree; with three wells or more, which one is odd."""
    called = [
        np.flatnonzero((p.identity >= season.n_lines) & (p.n_called >= 0.3 * p.n_markers)).tolist()
        for p in plates
    ]
    count = Counter(p.plants[w] for p, mine in zip(plates, called, strict=True) for w in mine)
    wells: dict[str, list[tuple[Plate, int]]] = {}
    for plate, mine in zip(plates, called, strict=True):
        for w in mine:
            if plate.plants[w] and count[plate.plants[w]] > 1:
                wells.setdefault(plate.plants[w], []).append((plate, w))
    prior = _priors(season, 0.5)
    found = each(
        lambda copies: _disagreement([_data(p, w) for p, w in copies], prior, conflict), list(wells.values())
    )
    out = []
    for (plant, copies), apart in zip(wells.items(), found, strict=True):
        if apart is None:
            continue
        groups, worst = apart
        clear = len(groups[0]) > len(groups[1])
        odd = [i for g in groups[1:] for i in g] if clear else list(range(len(copies)))
        places = ", ".join(copies[i][0].place(copies[i][1]) for i in odd)
        out.append(
            Finding(
                FindingKind.PLANT_REPLICATES,
                Scope.SAMPLE,
                copies[odd[0]][0].name,
                copies[odd[0]][0].samples[copies[odd[0]][1]],
                f"The {len(copies)} wells of plant {plant} disagree at up to {worst.differing} of "
                f"{worst.shared} markers" + (f"; odd: {places}." if clear else f": {places}."),
                "Genotype the plant again."
                + (" Until then the proposed row leaves the odd well out." if clear else ""),
                wells=tuple(copies[i][0].place(copies[i][1]) for i in odd),
                samples=tuple(copies[i][0].samples[copies[i][1]] for i in odd),
                other=plant,
                log10_odds=-worst.log10_same,
                hold=Hold.SAMPLES,
                corrections=tuple(
                    Correction(CorrectionKind.EXCLUDE_WELL, copies[i][0].place(copies[i][1])) for i in odd
                )
                if clear
                else (),
            )
        )
    return out


def same_line_findings(season: SeasonTables, evidence: tuple[Floats, ...]) -> list[Finding]:
    """Pairs of lines that cannot be told apart at these markers."""
    prior = _priors(season, 0.95)
    data = [np.exp(e - most_of_last(e, keepdims=True)) for e in evidence]
    # Expected share of equal genotypes of all pairs at once; only close pairs are compared in full.
    equal = known = np.zeros((season.n_lines, season.n_lines))
    for d in data:
        p = d / sum_of_last(d, keepdims=True)
        sure = (most_of_last(p) >= KNOWN).astype(np.float64)
        best = np.zeros_like(p)
        np.put_along_axis(best, p.argmax(axis=2)[..., None], sure[..., None], axis=2)
        flat = best.reshape(len(p), p.shape[1] * p.shape[2])  # not -1: there may be no line or marker
        equal = equal + flat @ flat.T
        known = known + sure @ sure.T
    close = np.argwhere(np.triu((equal >= (1 - SAME_LINE_DIFFERENCE) * known) & (known >= LEAST_SHARED), 1))
    out = []
    for a, b in close:
        pair = compare([d[a] for d in data], [d[b] for d in data], prior)
        if pair.log10_same < SAME_LINE_ODDS:
            continue
        name, other = season.lines[a], season.lines[b]
        out.append(
            Finding(
                FindingKind.SAME_LINE,
                Scope.LINE,
                "",
                name,
                f"Lines {name} and {other} differ at {pair.differing} of {pair.shared} markers: one line "
                "under two names, one tube in two, or too close for this panel. A cross between them "
                "cannot be verified.",
                "Check seed source and tubes of both; if both are real, add markers that tell them apart.",
                other=other,
                log10_odds=pair.log10_same,
            )
        )
    return out
