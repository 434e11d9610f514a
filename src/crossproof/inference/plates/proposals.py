"""Proposals to read a plate otherwise than its sheet: what they are made of, and when wells speak for one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crossproof.inference.plates.arrays import EMPTY
from crossproof.inference.plates.marker_votes import markers_against
from crossproof.inference.plates.score_matrix import UNKNOWN, Matrix
from crossproof.inference.plates.scores import PlateScores
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.findings import FindingKind
from crossproof.model.layouts import Layout

GAIN = 1.0
"""A well speaks for a proposal from this many nats."""
EVEN = 0.0
"""log10 odds from which wells shifted by one, or a row or column that was copied, are claimed: few wells can
show it, and a hold asks less than a cull takes."""
NEVER = float("inf")
"""In place of these odds: a proposal for which too few wells speak is never made."""
LEAST_MARKERS = 5
"""Fewest markers at which plants must speak for other parents, or another tube of one."""


@dataclass(frozen=True)
class Proposal:
    """One way to re-label a plate.

    Exactly one of `layout`, `wells` (two wells change places), `tags` (two identities; `mutual`: they change
    places, else the first is really the second) is set. `identity` (well,) afterwards; `gain` (well,) log10.
    """

    words: str
    log10_odds: float
    likelihood: float
    identity: Ints
    gain: Floats
    layout: Layout | None = None
    wells: tuple[int, int] | None = None
    tags: tuple[int, int] | None = None
    mutual: bool = False
    same_as: tuple[str, ...] = ()
    tied: tuple[Layout, ...] = ()
    """Layouts of which it is open whether they are the true one."""
    next_best: tuple[str, float] | None = None
    """The likeliest other layout that was compared, and its log10 odds; None where there was none."""
    rivals: tuple[str, ...] = ()
    """Layouts of another kind, not as likely, that may be the true one (see `layout_choice.SETTLED`)."""
    least: float | None = None
    """log10 odds from which it is taken, if not those of the whole search."""
    between: bool = False
    """Whether it is a stretch of wells that ends anywhere (see `stretches`): never taken, but where it is the
    likelier, no other layout is proposed."""

    @property
    def kind(self) -> FindingKind | None:
        """What its layout is, None where it has none."""
        return None if self.layout is None else self.layout.kind

    @property
    def whole_plate(self) -> bool:
        """Whether nearly every well is concerned."""
        return self.layout is not None and " and " not in self.words and "reversed" not in self.words


def wells_under(source: Ints, scores: PlateScores) -> Ints:
    """Well whose row of the sheet describes each well once the sheet is read as a layout says, -1 for none,
    (..., well); `source` as in `identities_under`."""
    plate = scores.plate
    there = source[..., plate.position]
    return np.where(there >= 0, plate.well_of_position[there], -1)


def identities_under(source: Ints, scores: PlateScores, identity: Ints) -> Ints:
    """Identity of each well once the sheet is read as a layout says, (..., well).

    `source` (..., position): `Layout.source` of one or more layouts.
    """
    return np.asarray(np.append(identity, UNKNOWN)[wells_under(source, scores)])


def lessened(proposal: Proposal, gain: Floats) -> Proposal:
    """The proposal with the odds that these gains (well,) in place of its own give it; its own stay."""
    less = float((proposal.gain - gain).sum())
    return replace(proposal, log10_odds=proposal.log10_odds - less, likelihood=proposal.likelihood - less)


def misfit_wells(matrix: Matrix, identity: Ints, scores: PlateScores) -> Bools:
    """Wells that anything else explains better than their identity does, (well,).

    A sample: "something else" is likelier than its tag although it is given probability ODD only. A blank or
    a sample without calls: its number of calls fits the other kind by 4 nats or more.
    """
    own = matrix.own(identity)
    sample = scores.called + matrix.anything
    odd = np.where(identity == EMPTY, sample - own > 4.0, sample - own > 1.0)
    silent = (identity != EMPTY) & (scores.blank - scores.called > 4.0)
    return np.asarray((odd | silent) & (identity != UNKNOWN))


def clipped(difference: Floats, matrix: Matrix) -> Floats:
    """Differences of log scores, bounded by what one well may say."""
    return np.clip(difference, -matrix.bound, matrix.bound)


def broad(gain: Floats, least: int) -> bool:
    """Whether many wells speak for it, not a few loud ones: `least` wells, and 1.5 times what speaks
    against."""
    for_it, against = gain[gain > GAIN], gain[gain < -GAIN]
    return len(for_it) >= least and float(for_it.sum()) >= -1.5 * float(against.sum())


def many_markers(scores: PlateScores, identity: Ints, changed: Ints) -> bool:
    """Whether LEAST_MARKERS markers or more speak for moved tubes, and three times as many as against.

    A parent plant that departs from its line, or a miscalled tube, shows in all plants of the family at the
    same few markers: another consensus would fit better whatever tube it is of, and many plants do not make
    these markers more.
    """
    for_it, against = markers_against(scores, identity, changed)
    return for_it >= LEAST_MARKERS and for_it >= 3 * against


def make_proposal(words: str, gain: Floats, prior: float, identity: Ints) -> Proposal:
    """A proposal still without what it is made of, from gains in nats."""
    likelihood = float(gain.sum() / np.log(10))
    return Proposal(words, likelihood + float(np.log10(prior)), likelihood, identity, gain / np.log(10))


def doubtful_tubes(scores: PlateScores, matrix: Matrix, identity: Ints) -> list[int]:
    """Parent tubes most of whose line's progeny on this plate fit anything better than their tags."""
    season, n = scores.season, scores.season.n_lines
    misfit = misfit_wells(matrix, identity, scores)
    plants = np.flatnonzero(identity >= n)
    mother, father = season.mother[identity[plants] - n], season.father[identity[plants] - n]
    doubtful = []
    for w in np.flatnonzero((identity >= 0) & (identity < n)):
        family = plants[(mother == identity[w]) | (father == identity[w])]
        if len(family) and misfit[family].mean() > 0.5:
            doubtful.append(int(w))
    return doubtful
