"""How well each well's data fit each identity: the one matrix that all layout checks share.

    S[w, i] = log P(data of well w | identity i), natural log

    line    consensus of its tubes, the well itself left out, blended with the pool at rate h
    cross   mixture over what a plant of that cross may be (hybrid, self, outcross, off pedigree; class prior)
    EMPTY   the background call rate, and whatever genotypes such calls show
    UNKNOWN anything: where a layout brings in a place that the sheet does not describe

`E[w, i]` is S made robust: with probability ODD a well holds something else (a plant from the pool, or any
other identity of the plate), whatever the layout, so a single odd plant bounds what it can say to
log(identities / ODD). The number of markers called is evidence too: samples call at the plate's usual rate,
or fail; blanks call at the background rate (`call_rate_model`).

A layout that moves parent tubes also changes the consensus that progeny are judged by, so `PlateScores`
rebuilds the consensus from the tubes that each layout implies.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables
from crossproof.inference.plates.call_rate_model import call_rate_log
from crossproof.inference.plates.cross_tables import cross_table, of_lines, relations_of_many
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.score_matrix import ODD, UNKNOWN, Matrix
from crossproof.inference.plates.stray_seed import TagScores
from crossproof.inference.short_axes import most_of_last, range_of_last, sum_of_last
from crossproof.model.arrays import Floats, Ints

OFF_PEDIGREE_SHARES = (0.4, 0.4, 0.2)
"""Father selfed, F2, fixed progeny, within the off-pedigree class."""
N_RELATIONS = 6
FEW_PAIRS = 64
"""Pairs of parents from which on what they have in common is worked out once."""
MOST_STATES, MOST_ASKED = 4, 64
"""Layouts whose line evidence, and whose lines, a plate keeps at hand."""


@dataclass(frozen=True, eq=False)
class LineState:
    """Lines' evidence as one layout implies it: per block (line, marker, genotype), for the lines in
    `lines`. Each is told from others by what it is."""

    lines: Ints
    evidence: tuple[Floats, ...]
    tables: dict[int, Floats] = field(default_factory=dict, repr=False, compare=False)
    """Tables of these lines, and last of an unknown one, by block, once `PlateScores` has made them."""

    def at(self, lines: Ints) -> Ints:
        """Rows of these lines."""
        return np.searchsorted(self.lines, lines)

    @cached_property
    def known(self) -> Floats:
        """Share of the markers at which a line's tubes say what it is, (line,); last 0, for an unknown
        line."""
        count, total = np.zeros(len(self.lines) + 1), 0
        for e in self.evidence:
            count[:-1] += (range_of_last(e) > 1.0).sum(axis=1)
            total += e.shape[1]
        return np.asarray(count / max(total, 1))

    def known_share(self, line: int) -> float:
        """The same of one line, -1 for an unknown one."""
        return float(self.known[int(self.at(np.array(line))) if line >= 0 else -1])


class PlateScores:
    """Scores of one plate's wells under any assignment of identities.

    `evidence`: the season's line evidence per block (line, marker, genotype) with this plate's tubes in it,
    except those of the samples in `odd_tubes`. `usual`, `background`: call rates of samples and blanks.
    """

    def __init__(
        self,
        plate: Plate,
        season: SeasonTables,
        evidence: tuple[Floats, ...],
        *,
        usual: float,
        background: float,
        odd_tubes: frozenset[str] = frozenset(),
    ) -> None:
        self.plate, self.season = plate, season
        self.nuclear, self.pool_of, self.pollen = season.nuclear, season.pool_of, season.pollen
        self.likelihood = [
            b.likelihood if len(n) == len(b.likelihood) else b.likelihood[n]
            for b, n in zip(plate.blocks, self.nuclear, strict=True)
        ]
        kept = np.array([s not in odd_tubes for s in plate.samples], dtype=bool)
        self.tube = (plate.identity >= 0) & (plate.identity < season.n_lines)
        self.kept_tube = self.tube & kept
        self._evidence = evidence
        self._tubes: dict[int, dict[int, Floats]] = {}
        self.relations: dict[bytes, Floats] = {}
        """What `own_relations` gives, by identities."""
        self._plain: dict[bytes, Floats] = {}
        self._states: dict[tuple[bytes, bool, bytes], LineState] = {}
        self._lines: dict[tuple[bytes, bool, bytes], Ints] = {}
        self.called, self.blank = call_rate_log(plate.n_called, plate.n_markers, usual, background)
        self.pool = self._pool()
        self.strays_elsewhere = (0.0, 0.0)
        """Stray seed, and plants, on the other plates of the season (see `tag_scores`)."""
        self.tag_scores: dict[bytes, TagScores] = {}
        self.answers: dict[str, Any] = {}
        """What was asked of the plate as labelled, by question (see `tag_explanations.ask`)."""

    # ---- tables -----------------------------------------------------------------------------------------

    def _pool(self) -> Floats:
        """log P(data | an unknown plant of the pool, inbred or outbred), (well,)."""
        both = np.zeros((len(self.plate), 2))
        for t, x in zip(self.season.of_pool, self.likelihood, strict=True):
            both += log_sums(t, x)
        return np.asarray(log_sum(both, axis=1) - np.log(2))

    def log_likelihood(self, b: int, wells: Ints) -> Floats:
        """Natural log of the likelihoods of some wells, (marker, well, genotype)."""
        return np.log(self.likelihood[b][:, wells], dtype=np.float64)

    def needed_lines(self, identity: Ints) -> Ints:
        """Lines on the plate, and parents of the crosses on it."""
        n = self.season.n_lines
        crosses = identity[identity >= n] - n
        parents = self.season.mother[crosses], self.season.father[crosses]
        return self._sorted(identity[identity < n], *parents)

    def _sorted(self, *lines: Ints) -> Ints:
        """Lines each once, in order; numbers below 0 are none."""
        every = np.concatenate(lines)
        return np.flatnonzero(np.bincount(every[every >= 0]))

    def _own_tubes(self, b: int) -> dict[int, Floats]:
        """What this plate's tubes as labelled say of their lines, by line (marker, genotype)."""
        if b not in self._tubes:
            wells = np.flatnonzero(self.kept_tube)
            of = self.plate.identity[wells]
            self._tubes[b] = {
                i: self.log_likelihood(b, wells[of == i]).sum(axis=1) for i in np.unique(of).tolist()
            }
        return self._tubes[b]

    def lines_under(self, identity: Ints, labelled: bool = False, more: Ints | None = None) -> LineState:
        """Line evidence with this plate's tubes where `identity` has them, odd tubes left out if `labelled`.

        `more`: further lines to have at hand.
        """
        labelled = labelled and bool((self.tube & ~self.kept_tube).any())
        asked = identity.tobytes(), labelled, b"" if more is None else more.tobytes()
        if asked not in self._lines:
            if len(self._lines) >= MOST_ASKED:
                self._lines.clear()
            lines = self.needed_lines(identity)
            self._lines[asked] = lines if more is None else self._sorted(lines, more)
        lines = self._lines[asked]
        key = *asked[:2], lines.tobytes()
        if key not in self._states:
            if len(self._states) >= MOST_STATES:
                del self._states[next(iter(self._states))]
            self._states[key] = self._lines_under(identity, labelled, lines)
        return self._states[key]

    def _lines_under(self, identity: Ints, labelled: bool, lines: Ints) -> LineState:
        evidence = []
        of_lines = (identity >= 0) & (identity < self.season.n_lines)
        tubes = np.flatnonzero(of_lines & self.kept_tube if labelled else of_lines)
        rows = np.searchsorted(lines, identity[tubes])
        for b, nuclear in enumerate(self.nuclear):
            total = self._evidence[b][lines[:, None], nuclear]
            for line, own in self._own_tubes(b).items():
                total[lines == line] -= own
            for row, log_x in zip(rows, self.log_likelihood(b, tubes).transpose(1, 0, 2), strict=True):
                total[row] += log_x
            evidence.append(total)
        return LineState(lines, tuple(evidence))

    def _line_table(self, b: int, lines: Ints, evidence: Floats) -> Floats:
        """Genotype distribution of plants of these lines, (line, marker, genotype)."""
        h = self.season.departure
        outbred, fixed, unknown = self.season.line_priors[b]
        f = self.season.inbreeding[lines][:, None, None]
        posterior = (1 - f) * outbred + f * fixed + 1e-12
        posterior = posterior * np.exp(evidence - most_of_last(evidence, keepdims=True))
        posterior /= sum_of_last(posterior, keepdims=True)
        return np.asarray((1 - h) * posterior + h * unknown)

    def cross_table(self, b: int, mother: Floats, father: Floats) -> Floats:
        """What a plant of each cross may be, (cross, relation, marker, genotype), from parents (cross,
        marker, g)."""
        return cross_table(mother, father, self.pollen[b])

    def relation_prior(self) -> Floats:
        """log prior of the relations of `relation_scores`: hybrid, self, outcross, father selfed, F2,
        fixed."""
        prior = np.asarray(self.season.class_prior, dtype=np.float64)
        return np.asarray(np.log(np.concatenate([prior[:3], prior[3] * np.array(OFF_PEDIGREE_SHARES)])))

    def parent_table(self, b: int, parents: Ints, state: LineState) -> Floats:
        """Genotype distributions of parents given as line indices, -1 for unknown, (parent, marker,
        genotype)."""
        if b not in state.tables:
            known = self._line_table(b, state.lines, state.evidence[b])
            state.tables[b] = np.concatenate([known, self.season.line_priors[b][2][None]])
        row = np.where(parents >= 0, np.searchsorted(state.lines, parents), len(state.lines))
        return np.asarray(state.tables[b][row])

    def identity_tables(self, identity: int, well: int, state: LineState) -> tuple[list[Floats], Floats]:
        """What a well of this identity may hold: per block (relation, marker, genotype), and log prior
        (relation,).

        A tube of a line is judged by the line's other tubes.
        """
        n = self.season.n_lines
        tables = []
        for b in range(len(self.likelihood)):
            if identity < n:
                row = int(np.searchsorted(state.lines, identity))
                rest = state.evidence[b][row] - self.log_likelihood(b, np.array([well]))[:, 0]
                tables.append(self._line_table(b, np.array([identity]), rest[None]))
            else:
                pair = (self.season.mother[identity - n], self.season.father[identity - n])
                parents = [self.parent_table(b, np.array([p]), state) for p in pair]
                tables.append(self.cross_table(b, *parents)[0])
        return tables, np.zeros(1) if identity < n else self.relation_prior()

    # ---- scores -----------------------------------------------------------------------------------------

    def relation_scores(self, mother: Ints, father: Ints, wells: Ints, state: LineState) -> Floats:
        """log P(data | relation) of wells under pairs of parents (line indices), (well, pair, relation)."""
        if len(mother) > FEW_PAIRS:
            here = [x[:, wells] for x in self.likelihood]
            return relations_of_many(
                mother, father, here, self.pollen, lambda b, lines: self.parent_table(b, lines, state)
            )
        out = np.zeros((len(wells), len(mother) * N_RELATIONS))
        for b, x in enumerate(self.likelihood):
            table = self.cross_table(b, *(self.parent_table(b, p, state) for p in (mother, father)))
            flat = table.transpose(2, 3, 0, 1).reshape(len(x), x.shape[2], out.shape[1])
            out += log_sums(flat, x[:, wells])
        return out.reshape(len(wells), len(mother), N_RELATIONS)

    def _keep_own(self, identity: Ints, crosses: Ints, by_relation: Floats) -> None:
        """Keep what `own_relations` gives, from scores of all wells (well, cross, relation)."""
        plants = np.flatnonzero(identity >= self.season.n_lines)
        own = np.zeros((len(identity), N_RELATIONS))
        own[plants] = by_relation[plants, np.searchsorted(crosses, identity[plants] - self.season.n_lines)]
        own.flags.writeable = False
        self.relations[identity.tobytes()] = own

    def own_relations(self, identity: Ints) -> Floats:
        """log P(data | relation) of every plant to the cross of its tag, 0 of other wells, (well,
        relation)."""
        key = identity.tobytes()
        if key not in self.relations:
            crosses = np.unique(identity[identity >= self.season.n_lines]) - self.season.n_lines
            parents = self.season.mother[crosses], self.season.father[crosses]
            wells, state = np.arange(len(identity)), self.lines_under(identity)
            self._keep_own(identity, crosses, self.relation_scores(*parents, wells, state))
        return self.relations[key]

    def own_plain(self, identity: Ints) -> Floats:
        """`plain` with the consensus that the identities imply, kept for who asks again, (well,)."""
        key = identity.tobytes()
        if key not in self._plain:
            self._plain[key] = self.plain(identity, self.lines_under(identity))
            self._plain[key].flags.writeable = False
        return self._plain[key]

    @cached_property
    def best_fit(self) -> Floats:
        """Most that log P(data) can be whatever a well holds, (well,)."""
        out = np.zeros(len(self.plate))
        for x in self.likelihood:
            out += np.log(most_of_last(x), dtype=np.float64).sum(axis=0)
        return out

    def outcross_scores(self, lines: Ints, wells: Ints, state: LineState) -> Floats:
        """log P(data | mother x unknown pollen) for mothers of these lines, (well, line)."""
        out = np.zeros((len(wells), len(lines)))
        for b, x in enumerate(self.likelihood):
            table = of_lines(self.parent_table(b, lines, state), self.pollen[b])[1]
            out += log_sums(table.transpose(1, 2, 0), x[:, wells])
        return out

    def pair_scores(self, mother: Ints, father: Ints, wells: Ints, state: LineState) -> Floats:
        """S of wells as plants of mother x father, (well, pair)."""
        scores = self.relation_scores(mother, father, wells, state)
        return np.asarray(log_sum(scores + self.relation_prior(), axis=2))

    def line_scores(self, lines: Ints, wells: Ints, state: LineState) -> Floats:
        """log P(data | line), (well, line)."""
        out = np.zeros((len(wells), len(lines)))
        rows = state.at(lines)
        for b, x in enumerate(self.likelihood):
            table = self._line_table(b, lines, state.evidence[b][rows])
            out += log_sums(table.transpose(1, 2, 0), x[:, wells])
        return out

    def _without_themselves(self, wells: Ints, lines: Ints, state: LineState) -> Floats:
        """log P(data of tubes | the other tubes of their lines), (tube,)."""
        total = np.zeros(len(wells))
        rows = state.at(lines)
        for b, x in enumerate(self.likelihood):
            mine = self.log_likelihood(b, wells).transpose(1, 0, 2)
            table = self._line_table(b, lines, state.evidence[b][rows] - mine)  # tube, marker, genotype
            total += np.log(sum_of_last(table * x[:, wells].transpose(1, 0, 2))).sum(axis=1)
        return total

    def _only_tubes(self, identity: Ints, state: LineState) -> list[int]:
        """Tubes without which less than half of the markers would say anything of their line."""
        out = []
        for w in np.flatnonzero((identity >= 0) & (identity < self.season.n_lines)):
            known = total = 0
            row = int(state.at(identity[w : w + 1])[0])
            for b in range(len(self.likelihood)):
                rest = state.evidence[b][row] - self.log_likelihood(b, np.array([w]))[:, 0]
                known += int((range_of_last(rest) > 1.0).sum())
                total += len(rest)
            if known < total / 2:
                out.append(int(w))
        return out

    def plain(self, identity: Ints, state: LineState) -> Floats:
        """S of each well under its own identity of `identity`, (well,); 0 for EMPTY and UNKNOWN."""
        n = self.season.n_lines
        out = np.zeros(len(identity))
        progeny = np.flatnonzero(identity >= n)
        if len(progeny):
            crosses, of_cross = np.unique(identity[progeny] - n, return_inverse=True)
            scores = np.zeros((len(progeny), N_RELATIONS))
            for b, x in enumerate(self.likelihood):
                parents = (self.season.mother[crosses], self.season.father[crosses])
                table = self.cross_table(b, *(self.parent_table(b, p, state) for p in parents))
                for start in range(0, len(progeny), 256):
                    part = slice(start, start + 256)
                    of_well = table[of_cross[part]]  # well, relation, marker, genotype
                    data = x[:, progeny[part]].transpose(1, 0, 2)[:, None]
                    scores[part] += np.log(sum_of_last(of_well * data)).sum(axis=2)
            out[progeny] = log_sum(scores + self.relation_prior(), axis=1)
        tubes = np.flatnonzero((identity >= 0) & (identity < n))
        if len(tubes):
            out[tubes] = self._without_themselves(tubes, identity[tubes], state)
        return out

    def matrix(self, identity: Ints, labelled: bool = False) -> Matrix:
        """S and E of all wells under all identities that occur, consensus as `identity` implies it."""
        n = self.season.n_lines
        state = self.lines_under(identity, labelled)
        ids = np.unique(identity[identity >= 0])
        lines, crosses = ids[ids < n], ids[ids >= n] - n
        wells = np.arange(len(identity))
        s = np.zeros((len(wells), len(ids)))
        if len(lines):
            s[:, : len(lines)] = self.line_scores(lines, wells, state)
            tubes = np.flatnonzero((identity >= 0) & (identity < n) & (self.kept_tube | (not labelled)))
            own = np.searchsorted(ids, identity[tubes])
            s[tubes, own] = self._without_themselves(tubes, identity[tubes], state)
        if len(crosses):
            parents = self.season.mother[crosses], self.season.father[crosses]
            by_relation = self.relation_scores(*parents, wells, state)
            s[:, len(lines) :] = log_sum(by_relation + self.relation_prior(), axis=2)
            if state is self.lines_under(identity):
                self._keep_own(identity, crosses, by_relation)
            for w in self._only_tubes(identity, state):
                # Its crosses are judged by this tube alone: what they say of it is what it says itself.
                line = identity[w]
                made = (self.season.mother[crosses] == line) | (self.season.father[crosses] == line)
                s[w, len(lines) + np.flatnonzero(made)] = self.pool[w]
        mean = log_sum(s, axis=1) - np.log(max(len(ids), 1)) if len(ids) else self.pool
        anything = np.logaddexp(self.pool, mean) - np.log(2)
        return Matrix(ids, s, self.robust(s, anything), anything, self.empty, self.unknown(anything))

    @property
    def empty(self) -> Floats:
        """Score of each well as a blank, (well,)."""
        return self.blank + self.pool

    def unknown(self, anything: Floats) -> Floats:
        """Score of each well where the sheet says nothing of the place, (well,)."""
        return np.asarray(np.logaddexp(self.empty, self.called + anything) - np.log(2))

    def robust(self, s: Floats, anything: Floats) -> Floats:
        """E from S, (well, ...)."""
        shape = (-1,) + (1,) * (s.ndim - 1)
        odd = np.log(ODD) + anything.reshape(shape)
        return np.asarray(np.logaddexp(np.log1p(-ODD) + s, odd) + self.called.reshape(shape))

    def exact(self, identity: Ints, anything: Floats) -> Floats:
        """E of each well under its identity, consensus rebuilt from the tubes that `identity` implies,
        (well,)."""
        scores = self.robust(self.plain(identity, self.lines_under(identity)), anything)
        scores = np.where(identity == EMPTY, self.empty, scores)
        return np.where(identity == UNKNOWN, self.unknown(anything), scores)
