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

import numpy as np

from crossproof.inference.pedigree import pool_genotypes
from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables
from crossproof.inference.plates.call_rate_model import call_rate_log
from crossproof.inference.plates.cross_tables import cross_table, of_lines, of_pairs
from crossproof.inference.plates.log_sums import log_sum, log_sums
from crossproof.inference.plates.score_matrix import ODD, UNKNOWN, Matrix
from crossproof.inference.plates.stray_seed import TagScores
from crossproof.model.arrays import Floats, Ints

OFF_PEDIGREE_SHARES = (0.4, 0.4, 0.2)
"""Father selfed, F2, fixed progeny, within the off-pedigree class."""
N_RELATIONS = 6
FEW_PAIRS = 64
"""Pairs of parents from which on what they have in common is worked out once."""
MOST_STATES = 4
"""Layouts whose line evidence a plate keeps at hand."""


@dataclass(frozen=True)
class LineState:
    """Lines' evidence as one layout implies it: per block (line, marker, genotype), for the lines in
    `lines`."""

    lines: Ints
    evidence: tuple[Floats, ...]
    tables: dict[int, Floats] = field(default_factory=dict, repr=False, compare=False)
    """Tables of these lines, and last of an unknown one, by block, once `PlateScores` has made them."""

    def at(self, lines: Ints) -> Ints:
        """Rows of these lines."""
        return np.searchsorted(self.lines, lines)


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
        self.nuclear = [np.flatnonzero(~b.maternal) for b in season.blocks]
        self.likelihood = [b.likelihood[n] for b, n in zip(plate.blocks, self.nuclear, strict=True)]
        self.log_likelihood = [np.log(x, dtype=np.float64) for x in self.likelihood]
        kept = np.array([s not in odd_tubes for s in plate.samples], dtype=bool)
        self.tube = (plate.identity >= 0) & (plate.identity < season.n_lines)
        self.kept_tube = self.tube & kept
        self._evidence = evidence
        self._off: dict[int, list[Floats]] = {}
        self._states: dict[tuple[bytes, bool, bytes], LineState] = {}
        self.pool_of = [b.pool[n] for b, n in zip(season.blocks, self.nuclear, strict=True)]
        self.pollen = [q * 0.98 + 0.02 / q.shape[1] for q in self.pool_of]
        self.called, self.blank = call_rate_log(plate.n_called, plate.n_markers, usual, background)
        self._priors = [tuple(pool_genotypes(q, f) for f in (0.0, 1.0, 0.9)) for q in self.pool_of]
        self.pool = self._pool()
        self.strays_elsewhere = (0.0, 0.0)
        """Stray seed, and plants, on the other plates of the season (see `tag_scores`)."""
        self.tag_scores: dict[bytes, TagScores] = {}

    # ---- tables -----------------------------------------------------------------------------------------

    def _pool(self) -> Floats:
        """log P(data | an unknown plant of the pool, inbred or outbred), (well,)."""
        tables = []
        for q in self.pollen:
            tables.append(np.stack([pool_genotypes(q, 0.0), pool_genotypes(q, 0.98)], axis=-1))
        both = np.zeros((len(self.plate), 2))
        for t, x in zip(tables, self.likelihood, strict=True):
            both += log_sums(t, x)
        return np.asarray(log_sum(both, axis=1) - np.log(2))

    def needed_lines(self, identity: Ints) -> Ints:
        """Lines on the plate, and parents of the crosses on it."""
        n = self.season.n_lines
        crosses = np.unique(identity[identity >= n]) - n
        parents = np.concatenate([self.season.mother[crosses], self.season.father[crosses]])
        lines = np.concatenate([identity[(identity >= 0) & (identity < n)], parents[parents >= 0]])
        return np.unique(lines)

    def _line_off(self, line: int) -> list[Floats]:
        """Evidence on a line from its tubes elsewhere, per block (marker, genotype)."""
        if line not in self._off:
            mine = np.flatnonzero(self.kept_tube & (self.plate.identity == line))
            self._off[line] = [
                e[line][n] - x[:, mine].sum(axis=1)
                for e, n, x in zip(self._evidence, self.nuclear, self.log_likelihood, strict=True)
            ]
        return self._off[line]

    def lines_under(self, identity: Ints, labelled: bool = False, more: Ints | None = None) -> LineState:
        """Line evidence with this plate's tubes where `identity` has them, odd tubes left out if `labelled`.

        `more`: further lines to have at hand.
        """
        key = identity.tobytes(), labelled, b"" if more is None else more.tobytes()
        if key not in self._states:
            if len(self._states) >= MOST_STATES:
                del self._states[next(iter(self._states))]
            self._states[key] = self._lines_under(identity, labelled, more)
        return self._states[key]

    def _lines_under(self, identity: Ints, labelled: bool, more: Ints | None) -> LineState:
        lines = self.needed_lines(identity)
        if more is not None:
            lines = np.union1d(lines, more[more >= 0])
        evidence = []
        for b, x in enumerate(self.log_likelihood):
            total = (
                np.stack([self._line_off(int(line))[b] for line in lines])
                if len(lines)
                else np.zeros((0, *x.shape[::2]))
            )
            for w in np.flatnonzero((identity >= 0) & (identity < self.season.n_lines)):
                if self.kept_tube[w] or not labelled:
                    total[np.searchsorted(lines, identity[w])] += x[:, w]
            evidence.append(total)
        return LineState(lines, tuple(evidence))

    def _line_table(self, b: int, lines: Ints, evidence: Floats) -> Floats:
        """Genotype distribution of plants of these lines, (line, marker, genotype)."""
        h = self.season.departure
        outbred, fixed, unknown = self._priors[b]
        f = self.season.inbreeding[lines][:, None, None]
        posterior = (1 - f) * outbred + f * fixed + 1e-12
        posterior = posterior * np.exp(evidence - evidence.max(axis=-1, keepdims=True))
        posterior /= posterior.sum(axis=-1, keepdims=True)
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
            state.tables[b] = np.concatenate([known, self._priors[b][2][None]])
        row = np.where(parents >= 0, np.searchsorted(state.lines, parents), len(state.lines))
        return np.asarray(state.tables[b][row])

    def identity_tables(self, identity: int, well: int, state: LineState) -> tuple[list[Floats], Floats]:
        """What a well of this identity may hold: per block (relation, marker, genotype), and log prior
        (relation,).

        A tube of a line is judged by the line's other tubes.
        """
        n = self.season.n_lines
        tables = []
        for b, log_x in enumerate(self.log_likelihood):
            if identity < n:
                row = int(np.searchsorted(state.lines, identity))
                rest = state.evidence[b][row] - log_x[:, well]
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
            return self._relations_of_many(mother, father, wells, state)
        out = np.zeros((len(wells), len(mother) * N_RELATIONS))
        for b, x in enumerate(self.likelihood):
            table = self.cross_table(b, *(self.parent_table(b, p, state) for p in (mother, father)))
            flat = table.transpose(2, 3, 0, 1).reshape(len(x), x.shape[2], out.shape[1])
            out += log_sums(flat, x[:, wells])
        return out.reshape(len(wells), len(mother), N_RELATIONS)

    def _relations_of_many(self, mother: Ints, father: Ints, wells: Ints, state: LineState) -> Floats:
        """The same, what is of a single line once for each, and F1 and what follows it once for two lines."""
        mothers, of_mother = np.unique(mother, return_inverse=True)
        fathers, of_father = np.unique(father, return_inverse=True)
        both = np.sort(np.stack([mother, father]), axis=0)
        number = both[0] * (self.season.n_lines + 1) + both[1]
        pairs, first, of_pair = np.unique(number, return_index=True, return_inverse=True)
        low, high = both[:, first]
        sizes = (3 * len(pairs), 2 * len(mothers), len(fathers))
        fit = [np.zeros((len(wells), size)) for size in sizes]
        for b, x in enumerate(self.likelihood):
            here, pollen = x[:, wells], self.pollen[b]
            tables = (
                of_pairs(
                    self.parent_table(b, low, state), self.parent_table(b, high, state), pollen.shape[1]
                ),
                of_lines(self.parent_table(b, mothers, state), pollen),
                of_lines(self.parent_table(b, fathers, state), pollen)[:1],
            )
            for total, table in zip(fit, tables, strict=True):
                total += log_sums(table.transpose(2, 3, 0, 1).reshape(len(x), x.shape[2], -1), here)
        of_two, of_mothers, of_fathers = fit
        columns = {
            0: of_two[:, of_pair],
            1: of_mothers[:, of_mother],
            2: of_mothers[:, len(mothers) + of_mother],
            3: of_fathers[:, of_father],
            4: of_two[:, len(pairs) + of_pair],
            5: of_two[:, 2 * len(pairs) + of_pair],
        }
        return np.stack([columns[relation] for relation in range(N_RELATIONS)], axis=2)

    def known_share(self, line: int, state: LineState) -> float:
        """Share of the markers at which a line's tubes say what it is, 0 for an unknown line (-1)."""
        if line < 0:
            return 0.0
        row = int(np.searchsorted(state.lines, line))
        known = [np.ptp(e[row], axis=-1) > 1.0 for e in state.evidence]
        return float(np.concatenate(known).mean())

    def marker_scores(self, mother: int, father: int, wells: Ints, state: LineState) -> Floats:
        """log P(data at each marker | likeliest relation to mother x father), (marker, well)."""
        pair = np.array([mother]), np.array([father])
        relation = (self.relation_scores(*pair, wells, state)[:, 0] + self.relation_prior()).argmax(axis=1)
        out = []
        for b, x in enumerate(self.likelihood):
            table = self.cross_table(b, *(self.parent_table(b, p, state) for p in pair))[0][relation]
            out.append(np.log((table.transpose(1, 0, 2) * x[:, wells]).sum(axis=2)))
        return np.concatenate(out)

    def markers_against(self, identity: Ints, changed: Ints, labelled: bool = False) -> tuple[int, int]:
        """Markers at which the plants of moved tubes' lines speak for `changed`, and against it.

        Over all plants, from 2 nats. Nothing if no tube moves.
        """
        n = self.season.n_lines
        moved = identity != changed
        lines = np.unique(np.concatenate([identity[moved], changed[moved]]))
        lines = lines[(lines >= 0) & (lines < n)]
        stay = ~moved & (identity >= n) & (self.plate.n_called >= 0.3 * self.plate.n_markers)
        before, after = self.lines_under(identity, labelled), self.lines_under(changed)
        votes: Floats | float = 0.0
        for i in np.unique(identity[stay]):
            pair = int(self.season.mother[i - n]), int(self.season.father[i - n])
            if set(pair) & set(lines.tolist()):
                wells = np.flatnonzero(stay & (identity == i))
                gain = self.marker_scores(*pair, wells, after) - self.marker_scores(*pair, wells, before)
                votes = votes + gain.sum(axis=1)
        votes = np.asarray(votes)
        return int((votes > 2.0).sum()), int((votes < -2.0).sum())

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
        for b, (x, log_x) in enumerate(zip(self.likelihood, self.log_likelihood, strict=True)):
            mine = log_x[:, wells].transpose(1, 0, 2)
            table = self._line_table(b, lines, state.evidence[b][rows] - mine)  # tube, marker, genotype
            total += np.log((table * x[:, wells].transpose(1, 0, 2)).sum(axis=2)).sum(axis=1)
        return total

    def _only_tubes(self, identity: Ints, state: LineState) -> list[int]:
        """Tubes without which less than half of the markers would say anything of their line."""
        out = []
        for w in np.flatnonzero((identity >= 0) & (identity < self.season.n_lines)):
            known = total = 0
            row = int(state.at(identity[w : w + 1])[0])
            for b, log_x in enumerate(self.log_likelihood):
                rest = state.evidence[b][row] - log_x[:, w]
                known += int((np.ptp(rest, axis=-1) > 1.0).sum())
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
                    scores[part] += np.log((of_well * data).sum(axis=3)).sum(axis=2)
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
            s[:, len(lines) :] = self.pair_scores(
                self.season.mother[crosses], self.season.father[crosses], wells, state
            )
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
