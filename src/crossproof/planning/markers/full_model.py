"""What a marker set proves, asked of the full model cross by cross."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from crossproof.model.arrays import Bools, Int8s, Ints
from crossproof.model.results import Provable
from crossproof.planning.inputs import PanelGenotypes, PlanSettings
from crossproof.planning.markers.least_markers import pair_only
from crossproof.planning.markers.proven_set import Held
from crossproof.planning.markers.set_ceilings import set_ceilings
from crossproof.planning.power.bounds import FEW_BRANCHES, too_few_contrasts
from crossproof.planning.power.cross_power import cross_power, proven_by, simulate
from crossproof.planning.power.evidence import CrossEvidence, choose_markers, cross_evidence
from crossproof.planning.power.halves import MOST_MARKERS
from crossproof.planning.power.outcomes import MOST_BRANCHES
from crossproof.planning.power.provable import provable
from crossproof.planning.power.screen import PairScreen

MANY_CROSSES = 100
"""Of more crosses than this the sets are looked at less closely."""

_NEARLY = 0.035
"""A cross that misses the wanted chance by no more is still proposed for; a guess that guides the search."""

_MOST_PAIRS = 2e9
"""Pairs of half outcomes that all ceilings of a search may take; some ten seconds."""

_FEW_LINES = 20
_CHECK_DRAWS = 1000


class FullModel:
    """The judge of `proven_set`: remembers every set that it was asked about."""

    def __init__(
        self,
        pairs: Sequence[tuple[int, int]],
        panel: PanelGenotypes,
        fixed: Int8s,
        settings: PlanSettings,
        *,
        rough: bool = False,
    ) -> None:
        """pairs: places of mother and father in `panel.lines`; fixed: from `contrast_table`.

        What is borderline counts as not proven. rough: of more than a few markers Monte Carlo alone tells,
        until the model looks closer.
        """
        self._pairs, self._panel, self._fixed, self._settings = pairs, panel, fixed, settings
        self._near = replace(settings, wanted=settings.wanted - _NEARLY)
        self._branches = MOST_BRANCHES if len(panel.lines) <= _FEW_LINES else FEW_BRANCHES
        self._known: dict[tuple[tuple[int, int], bytes], Held] = {}
        self._ceilings: dict[tuple[tuple[int, int], bytes, int], Bools | None] = {}
        self._pairs_left = _MOST_PAIRS
        self._rough = rough
        self.looks = 0

    def held(self, cross: int, chosen: Bools) -> Held:
        """Whether the chosen markers (marker,) prove a cross.

        A borderline one is UNLIKELY, where Monte Carlo does not tell.
        """
        key = self._pairs[cross], np.packbits(chosen).tobytes()
        if key not in self._known:
            self.looks += 1
            self._known[key] = self._look(cross, np.flatnonzero(chosen))
        return self._known[key]

    def _look(self, cross: int, rows: Ints) -> Held:
        settings, evidence = self._settings, self._evidence(cross, rows)
        state = Provable.BORDERLINE
        if too_few_contrasts(int(evidence.contrast.sum()), settings.min_markers_scored):
            return Held.NO
        rough = self._rough and len(rows) > MOST_MARKERS
        if not rough:
            closest = MOST_BRANCHES if len(rows) <= MOST_MARKERS else self._branches
            state = provable(evidence, settings, closest)
        if state in (Provable.NO, Provable.PARTLY):
            return Held.NO
        rng = np.random.default_rng([settings.seed, *self._pairs[cross]])
        good = state is Provable.YES
        if rough:
            found = (simulate(evidence, c, settings, _CHECK_DRAWS, rng)[c] for c in (0, 1))
            good = all(share >= settings.wanted for share in found)
        if good and settings.prove_all_classes:
            good = proven_by(cross_power(evidence, settings, _CHECK_DRAWS, rng), settings)
        if state is Provable.YES and good:
            return Held.YES
        return Held.LIKELY if good else Held.UNLIKELY

    def may_prove(self, cross: int, markers: Ints, largest: int) -> Bools | None:
        """Sets of these markers that may prove a cross, (set,), by a strict ceiling of their chance.

        Sets of more than `largest` markers may. None where the pairs that a search may take are spent.
        """
        if len(markers) > self._settings.max_markers_per_cross:
            return None
        key = self._pairs[cross], markers.tobytes(), largest
        if key not in self._ceilings:
            evidence = self._evidence(cross, markers)
            most, spent = set_ceilings(evidence, self._settings, largest, self._pairs_left)
            self._pairs_left -= spent
            self._ceilings[key] = None if most is None else most >= self._settings.wanted
        return self._ceilings[key]

    def attainable(self, allowed: Bools) -> tuple[Bools, Bools]:
        """Crosses that all allowed markers together prove, and those they leave borderline, (cross,) bool."""
        here = np.where(allowed[:, None], self._fixed, -1).astype(np.int8)
        screen = PairScreen(self._panel, here, self._settings)
        proven = np.zeros(len(self._pairs), dtype=bool)
        borderline = proven.copy()
        for i, (mother, father) in enumerate(self._pairs):
            state = screen.state(mother, father, self._branches)
            proven[i], borderline[i] = state is Provable.YES, state is Provable.BORDERLINE
            if proven[i] and self._settings.prove_all_classes:
                proven[i] = self.held(i, allowed) in (Held.YES, Held.LIKELY)
        return proven, borderline

    def look_closer(self) -> None:
        """From now on as closely as a plan looks: what was not told for certain is looked at again."""
        closest = MOST_BRANCHES if len(self._pairs) <= MANY_CROSSES else FEW_BRANCHES
        if self._branches < closest or self._rough:
            self._branches, self._rough = closest, False
            sure = (Held.YES, Held.NO)
            self._known = {key: held for key, held in self._known.items() if held in sure}

    def parents_alone(self, cross: int, rows: Ints) -> bool:
        """Whether these contrast markers could do, were there no relations but those of the two parents."""
        evidence = pair_only(self._evidence(cross, rows))
        return provable(evidence, self._near) not in (Provable.NO, Provable.PARTLY)

    def states(self, crosses: Iterable[int], chosen: Bools) -> list[Provable]:
        """Whether the chosen markers (marker,) prove each cross, as it would stand in a plan."""
        self.look_closer()
        out = []
        for i in crosses:
            held = self.held(int(i), chosen)
            if held in (Held.YES, Held.NO):
                out.append(Provable.YES if held is Held.YES else Provable.PARTLY)
            else:
                evidence = self._evidence(int(i), np.flatnonzero(chosen))
                out.append(provable(evidence, self._settings, self._branches))
        return out

    def _evidence(self, cross: int, rows: Ints) -> CrossEvidence:
        mother, father = self._pairs[cross]
        if len(rows) > self._settings.max_markers_per_cross:
            a, b = self._fixed[rows, mother], self._fixed[rows, father]
            known = (a >= 0) & (b >= 0)
            most = self._settings.max_markers_per_cross
            rows = rows[choose_markers(known & (a != b), known & (a == b), most)]
        return cross_evidence(self._panel, self._fixed, mother, father, self._settings, rows)
