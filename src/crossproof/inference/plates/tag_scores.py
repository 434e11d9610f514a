"""What a plant under a tag can be, stray seed of other crosses included, and the share of stray seed.

    F[w, c] = log sum_r prior(r) P(data of w | r, cross c)
    T[w, c] = log [ (1 - s) exp F[w, c] + s mean over crosses of exp F[w, .] ]

`r`: hybrid, self, mother x each line of the panel, mother x unknown pollen, father selfed, F2, fixed progeny,
each line of the panel, a plant of the pool. `s` is the share of stray seed, of another cross than the tag's,
estimated from the season's other plants: the sum of their posteriors of being stray, with a beta prior.

Two wells are said to be swapped only where that is likelier than two plants each odd for itself, whatever
they are: a stray seed of one cross has s / crosses, an outcross or a plant of a parent line what its class
has.
"""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, gamete_table
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.score_matrix import Matrix
from crossproof.inference.plates.scores import LineState, PlateScores
from crossproof.inference.plates.stray_seed import TagScores
from crossproof.model.arrays import Floats, Ints

PANEL_DONORS = 0.7
"""Share of outcrosses whose pollen is of a line of the panel (model.md section 3)."""
OFF_SHARES = {"father": 0.25, "f2": 0.15, "fixed": 0.15, "line": 0.30, "pool": 0.15}
"""Shares within the class off pedigree."""
MAX_DONOR_TABLES = 20_000
"""Most pairs of a mother and a pollen donor; beyond, only the lines of this plate are taken as donors."""


def donor_scores(scores: PlateScores, mothers: Ints, donors: Ints, wells: Ints, state: LineState) -> Floats:
    """log P(data | mother x donor), (well, mother, donor)."""
    out = np.zeros((len(wells), len(mothers) * len(donors)))
    for b, x in enumerate(scores.likelihood):
        gametes = gamete_table(scores.season.blocks[b].k)
        of_mother = scores.parent_table(b, mothers, state) @ gametes
        of_donor = scores.parent_table(b, donors, state) @ gametes
        shape = (len(mothers), len(donors), *of_mother.shape[1:])
        child = child_of_gametes(
            np.broadcast_to(of_mother[:, None], shape), np.broadcast_to(of_donor[None], shape)
        )
        table = child.reshape(-1, *child.shape[2:]).transpose(1, 2, 0)
        out += log_sums(table, x[:, wells])
    return out.reshape(len(wells), len(mothers), len(donors))


def tag_scores(scores: PlateScores, matrix: Matrix, identity: Ints, wells: Ints) -> TagScores:
    """F of `wells` under every cross of the plate; kept with `scores`, which is asked twice for the plate as
    labelled."""
    key = identity.tobytes() + wells.tobytes()
    if key not in scores.tag_scores:
        n = scores.season.n_lines
        scores.tag_scores[key] = scores_under(scores, identity, wells, matrix.ids[matrix.ids >= n] - n)
    return scores.tag_scores[key]


def scores_under(scores: PlateScores, identity: Ints, wells: Ints, crosses: Ints) -> TagScores:
    """F of `wells` under `crosses`, with the consensus that `identity` implies."""
    season, n = scores.season, scores.season.n_lines
    lines = np.arange(n)
    mothers, of_cross = np.unique(season.mother[crosses], return_inverse=True)
    if len(mothers) * n > MAX_DONOR_TABLES:
        lines = scores.needed_lines(identity)
    parents = np.concatenate([season.mother[crosses], season.father[crosses]])
    state = scores.lines_under(identity, more=np.concatenate([lines, parents]))
    prior = np.asarray(season.class_prior, dtype=np.float64)
    shares = {name: prior[3] * share for name, share in OFF_SHARES.items()}
    relation = scores.relation_scores(season.mother[crosses], season.father[crosses], wells, state)
    weight = [*prior[:2], prior[2] * (1 - PANEL_DONORS), shares["father"], shares["f2"], shares["fixed"]]
    of_lines = log_sum(scores.line_scores(lines, wells, state), axis=1) - np.log(len(lines))
    donors = log_sum(donor_scores(scores, mothers, lines, wells, state), axis=2) - np.log(len(lines))
    parts = np.concatenate(
        [
            relation + np.log(weight),
            (donors[:, of_cross] + np.log(prior[2] * PANEL_DONORS))[..., None],
            np.broadcast_to(
                np.logaddexp(of_lines + np.log(shares["line"]), scores.pool[wells] + np.log(shares["pool"]))[
                    :, None, None
                ],
                (len(wells), len(crosses), 1),
            ),
        ],
        axis=2,
    )
    return TagScores(wells, crosses, np.asarray(log_sum(parts, axis=2)))
