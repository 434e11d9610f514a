"""Parents that are F1 plants: which lines their two copies come from.

A parent whose two copies differ gives gametes that are chains along the chromosome. Which allele lies on
which copy, the *phase*, follows from the two lines that the F1 was made of: as the samples sheet gives them,
or as they are recognised, when a tube's genotypes are those of an F1 of two typed lines beyond doubt. Where
neither is known the phase is open: either order of a heterozygote's alleles is as likely, and the plants of
the family have to tell.

Recognition compares, for a tube with heterozygous markers, P(data | F1 of lines A and B), for pairs of lines
that each explain it well with unknown pollen, with the best of: the line as a fixed line, a plant of the
pool, an F1 of one line with an unknown one; the last is taken only for a tube that the sheet calls
heterozygous. A tube of two mixed lines shows the same calls; so a line with
tubes that contradict each other is never taken for an F1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.lines.panel import FIXED_LINE, UNKNOWN_COPY, Panel
from crossproof.inference.pedigree import child_of_gametes, pool_genotypes
from crossproof.inference.season_results import LineInput
from crossproof.inference.short_axes import most_of_last, sum_of_last
from crossproof.model.arrays import Floats, Ints
from crossproof.model.findings import Finding, FindingKind, Scope

OUTBRED = 0.5
"""Inbreeding below which a line's plants are taken to segregate."""
HETEROZYGOUS = 0.05
"""Share of clear genotypes that are heterozygous, at or above which a tube may be an F1's."""
NOT_FIXED = 0.15
"""Share of clear genotypes that are heterozygous, at or above which a line is no parent of an F1: F4 and F5
lines are parents too, an F1 is none."""
AGREES = 0.9
"""Share, at least, of the markers where all three are clear, at which an F1 has the genotype expected of its
two lines: relatives of the true parents can lead all other pairs and still give a wrong phase."""
LINES_PAIRED = 12
"""Lines whose pairs are compared, those that explain the tube best with unknown pollen."""
BEYOND_DOUBT = 12.0
"""Natural-log likelihood by which the F1 of two lines must lead what else the tube may be."""
CLEAR = 0.9


def copies_of(panel: Panel, places: tuple[Ints, ...], versions: Ints) -> list[Floats | None]:
    """Weights (m, k, k) of ordered pairs of alleles on a parent's copies, per block; None for a fixed one.

    `versions`: those of the parent's line; the first one counts.
    """
    copies = panel.copies[versions[0]] if len(versions) and len(panel.copies) else None
    if copies is None or copies[0] == FIXED_LINE:
        return [None] * len(panel.blocks)
    out: list[Floats | None] = []
    for block, place in zip(panel.blocks, places, strict=True):
        if block.maternal:
            out.append(None)
            continue
        first, second = (
            block.q[place] if v == UNKNOWN_COPY else block.gametes[place, v].astype(np.float64)
            for v in copies.tolist()
        )
        out.append(first[:, :, None] * second[:, None, :])
    return out


def name_copies(
    copies: list[Floats | None], het: list[Floats], chromosome: list[Ints]
) -> list[Floats | None]:
    """The same with the copies of each chromosome told apart where no line tells.

    Which copy is called the first is a matter of names: at the marker of each chromosome that is most surely
    heterozygous the first allele is put on the first copy. All other markers stay open, and are learned from
    the sibs, which carry the same two copies. `het` (m,) per block: probability of a heterozygote;
    `chromosome` (m,) per block.
    """
    out = [None if c is None else c.copy() for c in copies]
    best: dict[int, tuple[float, int, int]] = {}
    for b, weights in enumerate(out):
        if weights is None:
            continue
        for j, (c, p) in enumerate(zip(chromosome[b].tolist(), het[b].tolist(), strict=True)):
            if c >= 0 and p > best.get(c, (0.5, 0, 0))[0]:
                best[c] = (p, b, j)
    for _, b, j in best.values():
        weights = out[b]
        assert weights is not None
        weights[j] = np.triu(weights[j])
    return out


def phase_open(panel: Panel, line: str) -> bool:
    """Whether a parent segregates and the lines of its copies are neither given nor clear from its tube."""
    if not panel.segregates(line):
        return False
    version = int(panel.versions(line)[0])
    first, second = panel.copies[version].tolist()
    if first == second == UNKNOWN_COPY:
        return True
    if UNKNOWN_COPY in (first, second) or not panel.recognised[version]:
        return False
    return _agreement(panel, version, first, second) < AGREES


def _agreement(panel: Panel, version: int, first: int, second: int) -> float:
    """Share of markers at which a plant has the genotype of the F1 of two lines, of those at which all three
    are clear."""
    same = count = 0
    for block in panel.blocks:
        if block.maternal:
            continue
        use = np.flatnonzero(panel.set_aside[block.rows] == "")
        left, right = (block.gametes[use, v].astype(np.float64) for v in (first, second))
        own = block.consensus[use, version].astype(np.float64)
        clear = np.minimum(left.max(axis=1), right.max(axis=1)) >= CLEAR
        clear &= own.max(axis=1) >= CLEAR * own.sum(axis=1)
        child = child_of_gametes(left, right)
        same += int((clear & (child.argmax(axis=1) == own.argmax(axis=1))).sum())
        count += int(clear.sum())
    return same / max(count, 1)


def find_copies(panel: Panel, lines: Sequence[LineInput], likelihoods: Sequence[Floats]) -> Panel:
    """The panel with `copies` and `recognised` of every version.

    `lines` in the order of the panel's; `likelihoods` per block (m, version, genotype).
    """
    n = len(panel.version_line)
    copies = np.full((n, 2), FIXED_LINE, dtype=np.int64)
    recognised = np.zeros(n, dtype=bool)
    het = _heterozygosity(panel, likelihoods)
    alone = np.bincount(panel.version_line, minlength=len(lines))[panel.version_line] == 1
    for v in range(n):
        line = lines[panel.version_line[v]]
        if line.line_mother or line.line_father:
            copies[v] = [_version(panel, name) for name in (line.line_mother, line.line_father)]
        elif het[v] >= HETEROZYGOUS and alone[v]:
            pair = _recognise(panel, likelihoods, v, np.flatnonzero(het < NOT_FIXED))
            if pair is not None:
                copies[v], recognised[v] = pair, True
        if copies[v, 0] == FIXED_LINE and line.inbreeding < OUTBRED:
            pair = _recognise(panel, likelihoods, v, np.flatnonzero(het < NOT_FIXED), one_unknown=True)
            copies[v] = UNKNOWN_COPY if pair is None else pair
    return replace(panel, copies=copies, recognised=recognised)


def outbred_lines(panel: Panel, lines: Sequence[LineInput]) -> list[LineInput]:
    """The lines with inbreeding 0 where their tube was recognised as an F1's."""
    found = set(panel.version_line[panel.recognised].tolist())
    return [replace(x, inbreeding=0.0) if i in found else x for i, x in enumerate(lines)]


def f1_findings(panel: Panel) -> list[Finding]:
    """A finding for every line whose tube was recognised as that of an F1, lines by name."""
    out = []
    for v in np.flatnonzero(panel.recognised).tolist():
        line = panel.lines[panel.version_line[v]]
        one, two = sorted(panel.lines[panel.version_line[x]] for x in panel.copies[v].tolist())
        out.append(
            Finding(
                FindingKind.LINE_IS_F1,
                Scope.LINE,
                "",
                line,
                f"The tube of {line} looks like an F1 of {one} and {two}, and its progeny is judged as that "
                "of an F1.",
                f"If it is one, write {one} and {two} as its line_mother and line_father in the samples "
                f"sheet; if {line} is a fixed line, its tube may hold two plants: type it again.",
                other=f"{one} x {two}",
            )
        )
    return sorted(out, key=lambda f: f.subject)


def _version(panel: Panel, line: str) -> int:
    versions = panel.versions(line)
    return int(versions[0]) if len(versions) else UNKNOWN_COPY


def _heterozygosity(panel: Panel, likelihoods: Sequence[Floats]) -> Floats:
    """Share of clear genotypes (version,) that are heterozygous."""
    n = len(panel.version_line)
    clear, het = np.zeros(n), np.zeros(n)
    for block, like in zip(panel.blocks, likelihoods, strict=True):
        if block.maternal:
            continue
        use = panel.set_aside[block.rows] == ""
        share = like[use] / sum_of_last(like[use], keepdims=True)
        hit = most_of_last(share) >= CLEAR
        b = np.arange(block.k)
        fixed = np.isin(share.argmax(axis=2), b * (b + 3) // 2)
        clear += hit.sum(axis=0)
        het += (hit & ~fixed).sum(axis=0)
    return np.asarray(het / np.maximum(clear, 1))


def _recognise(
    panel: Panel,
    likelihoods: Sequence[Floats],
    v: int,
    candidates: Ints,
    *,
    one_unknown: bool = False,
) -> tuple[int, int] | None:
    """The two versions that tube v is the F1 of, beyond doubt; with `one_unknown` the second may be
    UNKNOWN_COPY."""
    candidates = candidates[panel.version_line[candidates] != panel.version_line[v]]
    if len(candidates) < 2 - one_unknown:
        return None
    with_pool = np.zeros(len(candidates))
    other = np.zeros(2)
    parts = []
    for block, like in zip(panel.blocks, likelihoods, strict=True):
        if block.maternal:
            continue
        use = np.flatnonzero(panel.set_aside[block.rows] == "")
        own = like[use, v]
        gametes = block.gametes[use][:, candidates].astype(np.float64)
        pool = np.broadcast_to(block.q[use][:, None], gametes.shape)
        with_pool += _log_fit(own, child_of_gametes(gametes, pool))
        pools = [pool_genotypes(block.q[use], f) for f in (0.0, 1.0)]
        other += _log_fit(own, np.stack(pools, axis=1))
        parts.append((own, gametes))
    best = np.sort(np.argsort(-with_pool, kind="stable")[:LINES_PAIRED])
    left, right = np.triu_indices(len(best), 1)
    left, right = best[left], best[right]
    alone = int(with_pool.argmax())
    if len(left):
        pairs = sum(_log_fit(own, child_of_gametes(g[:, left], g[:, right])) for own, g in parts)
        assert isinstance(pairs, np.ndarray)
        top = int(pairs.argmax())
        count = len(candidates) * (len(candidates) - 1) / 2
        if pairs[top] - np.log(count) - max(float(with_pool[alone]), float(other.max())) >= BEYOND_DOUBT:
            return int(candidates[left[top]]), int(candidates[right[top]])
    if one_unknown and with_pool[alone] - np.log(len(candidates)) - other.max() >= BEYOND_DOUBT:
        return int(candidates[alone]), UNKNOWN_COPY
    return None


def _log_fit(own: Floats, tables: Floats) -> Floats:
    """log likelihood (table,) of genotype likelihoods (m, n_g) under distributions (m, table, n_g)."""
    return np.asarray(np.log(np.einsum("mg,mtg->mt", own, tables)).sum(axis=0))


__all__ = ["copies_of", "find_copies", "outbred_lines", "phase_open"]
