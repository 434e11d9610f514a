"""Blanks that carry calls, samples and markers that hardly call, and batches whose errors are not the
season's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import betaincc

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables, heterozygous_codes
from crossproof.inference.plates.call_rate_model import beta_binomial_log, call_rate_log
from crossproof.inference.plates.failed_wells import dead_plate, edge_failed, low_plate
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.sentinels import NO_CALL_CODE
from crossproof.text import count_of, percent

BLANK_ODDS_PRIOR = 1e-2
"""Share of blanks that carry DNA, before looking."""


def blank_findings(
    plate: Plate,
    identity: np.ndarray,
    matrix: Matrix,
    season: SeasonTables,
    *,
    usual: float,
    background: float,
    threshold: float,
) -> list[Finding]:
    """Blanks whose number of calls does not come from the plate's background.

    The background is that of the plate's other blanks, drawn to the season's by the weight of two blanks.
    Hypothesis "carries DNA": any share of the markers is called. Critical where a blank calls at half the
    usual rate or more: then wells are not where the sheet says, or everything is contaminated.
    """
    n = plate.n_markers
    called = plate.n_called
    blanks = np.flatnonzero(identity == EMPTY)
    out = []
    for w in blanks:
        others = blanks[(blanks != w) & (called[blanks] < 0.5 * usual * n)]
        rate = (called[others].sum() + 2 * n * background) / (n * (len(others) + 2))
        if called[w] <= rate * n + 1:
            continue
        as_blank = beta_binomial_log(called[w : w + 1], n, rate, 100.0)[0]
        odds = float((-np.log(n + 1.0) - as_blank) / np.log(10) + np.log10(BLANK_ODDS_PRIOR))
        if odds < threshold:
            continue
        full = called[w] >= 0.5 * usual * n
        source = ""
        if len(matrix.ids):
            best = int(np.argmax(matrix.plain[w]))
            if matrix.plain[w, best] - matrix.anything[w] > -1.0:
                source = f" Its calls fit {season.name(int(matrix.ids[best]))}."
        other_text = (
            f"the other {len(others)} blanks at most {int(called[others].max())}"
            if len(others)
            else "no other blank"
        )
        out.append(
            Finding(
                FindingKind.BLANK_CALLS,
                Scope.SAMPLE,
                plate.name,
                plate.samples[w],
                f"Blank {plate.well_name(int(w))} of plate {plate.name} has calls at {called[w]} of {n} "
                f"markers (background {rate:.1%}; {other_text}).{source}",
                "Find out what is in this well; a full set of calls means that the sheet and the plate "
                "disagree."
                if full
                else "Check reagents and tips for carry-over; treat faint samples of this plate with care.",
                wells=(plate.place(int(w)),),
                samples=(plate.samples[w],),
                log10_odds=odds,
                hold=Hold.PLATE if full else Hold.NOTHING,
                # A full blank says that wells are not where the sheet has them: leaving it out mends nothing.
                corrections=() if full else (Correction(CorrectionKind.EXCLUDE_WELL, plate.place(int(w))),),
            )
        )
    return out


CALL_AGAIN = "Extract or genotype it again."
CALL_AGAIN_IF_OPEN = (
    "Where its plant has no verdict, extract or genotype it again; a verdict stands all the same."
)
"""A plant with few calls is judged by them: what reaches the threshold is a verdict like any other."""


def low_call_findings(
    plate: Plate,
    identity: np.ndarray,
    season: SeasonTables,
    *,
    usual: float,
    background: float,
    min_call_rate: float,
    min_marker_call_rate: float,
    threshold: float,
) -> list[Finding]:
    """Samples under the call rate, samples that call like a blank, the plate as a whole, and its markers."""
    n = max(plate.n_markers, 1)
    rate = plate.n_called / n
    samples = np.flatnonzero(identity >= 0)
    if len(samples) == 0:
        return []
    low = samples[rate[samples] < min_call_rate]
    as_sample, as_blank = call_rate_log(plate.n_called, n, usual, background)
    silent = (as_blank - as_sample) / np.log(10) > threshold
    told = dead_plate(plate, samples, usual) or low_plate(plate, samples, low, rate, min_call_rate)
    out = list(told)
    if not told or told[0].kind is not FindingKind.DEAD_PLATE:
        edge = edge_failed(plate, samples, low)
        out += edge
        known = set(edge[0].samples) if edge else set()
        for w in low:
            if plate.samples[w] in known:
                continue
            out.append(
                Finding(
                    FindingKind.EMPTY_SAMPLES if silent[w] else FindingKind.LOW_CALL_SAMPLE,
                    Scope.SAMPLE,
                    plate.name,
                    plate.samples[w],
                    f"{plate.samples[w]} ({plate.place(int(w))}) calls at {plate.n_called[w]} of "
                    f"{count_of(int(n), 'marker')}" + (", like a blank." if silent[w] else "."),
                    CALL_AGAIN_IF_OPEN if plate.plants[w] else CALL_AGAIN,
                    wells=(plate.place(int(w)),),
                    samples=(plate.samples[w],),
                )
            )
    good = samples[rate[samples] >= min_call_rate]
    if len(good) >= 8:
        for block, names in zip(plate.blocks, season.blocks, strict=True):
            marker_rate = (block.codes[:, good] != NO_CALL_CODE).mean(axis=1)
            for j in np.flatnonzero(marker_rate < min_marker_call_rate):
                out.append(
                    Finding(
                        FindingKind.LOW_CALL_MARKER,
                        Scope.MARKER,
                        plate.name,
                        names.markers[j],
                        f"Marker {names.markers[j]} is called in {percent(marker_rate[j])} of the good "
                        f"samples of plate {plate.name}.",
                        "Leave it out for this plate, or repeat the assay.",
                        note=True,
                    )
                )
    return out


def _mismatches(scores: PlateScores, matrix: Matrix, identity: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Tubes' false heterozygotes and calls, per batch marker, over parent tubes that fit their line."""
    season, plate = scores.season, scores.plate
    fits = matrix.own(identity) - (matrix.anything + scores.called) > -3.0
    tubes = np.flatnonzero((identity >= 0) & (identity < season.n_lines) & fits)
    tubes = tubes[season.inbreeding[identity[tubes]] > 0.9]
    het, seen = [], []
    for b, block in enumerate(plate.blocks):
        codes = block.codes[scores.nuclear[b]][:, tubes]
        table = np.zeros(256, dtype=bool)
        flags = heterozygous_codes(block.k)
        table[: len(flags)] = flags
        het.append(table[codes].sum(axis=1))
        seen.append((codes < len(flags)).sum(axis=1))
    return np.concatenate(het), np.concatenate(seen)


def batch_findings(
    scores: Sequence[PlateScores],
    matrices: Sequence[Matrix],
    identities: Sequence[np.ndarray],
    threshold: float,
) -> list[Finding]:
    """Batches whose inbred parent tubes read heterozygous more often than those of the other batches.

    Beta-binomial comparison: the batch has the season's rate, or any rate up to one half above it.
    """
    by_batch: dict[str, list[int]] = {}
    for s, m, i in zip(scores, matrices, identities, strict=True):
        het, seen = _mismatches(s, m, i)
        total = by_batch.setdefault(s.plate.batch, [0, 0])
        total[0] += int(het.sum())
        total[1] += int(seen.sum())
    out = []
    all_het, all_seen = (sum(t[i] for t in by_batch.values()) for i in (0, 1))
    for batch, (n_het, n_seen) in by_batch.items():
        rest_het, rest_seen = all_het - n_het, all_seen - n_seen
        if n_seen < 100 or rest_seen < 100:
            continue
        usual = (rest_het + 1) / (rest_seen + 100)
        if n_het / n_seen < 2 * usual:
            continue
        same = beta_binomial_log(np.array([n_het]), n_seen, usual, 200.0)[0]
        any_rate = (
            np.log(betaincc(n_het + 1, n_seen - n_het + 1, usual)) - np.log(n_seen + 1.0) - np.log1p(-usual)
        )
        odds = float((any_rate - same) / np.log(10) - 2.0)
        if odds >= threshold:
            out.append(
                Finding(
                    FindingKind.BATCH_ERRORS,
                    Scope.BATCH,
                    "",
                    batch,
                    f"Inbred parent tubes of batch {batch} read heterozygous at {n_het} of {n_seen} calls "
                    f"({n_het / n_seen:.1%}); those of the other batches at {rest_het / rest_seen:.1%}.",
                    "Look at this batch's clusters or thresholds; compare a replicated plant across batches.",
                    log10_odds=odds,
                )
            )
    return out
