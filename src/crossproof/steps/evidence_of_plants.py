"""The evidence of all plants of a season, one row per plant, from that of their families."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from crossproof.inference.family.verdicts import far_below_plate
from crossproof.inference.season_model import FamilyResult
from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.results import CLASSES
from crossproof.model.settings import Settings


@dataclass(frozen=True)
class EvidenceOfPlants:
    """Where the evidence of each plant stands; all (plant,).

    `families`: those with evidence. `held`: row of the plant among all of theirs, one family's after the
    other's, -1 where there is none. `at`: the same, -1 also for plants without calls. `number`: that in the
    plant's own family, -1 likewise. `source`: what it most likely comes from, "" where it has no calls.
    """

    families: tuple[FamilyResult, ...]
    held: Ints
    at: Ints
    number: list[int]
    source: list[str]

    @classmethod
    def of(
        cls,
        evidence: Mapping[str, FamilyResult],
        plants: Sequence[tuple[str, str]],
        called: Sequence[bool],
    ) -> EvidenceOfPlants:
        """The evidence, by cross, of plants (cross, plant), and whether they have calls."""
        families = tuple(evidence.values())
        keys = ((cross, name) for cross, r in evidence.items() for name in r.plants.tolist())
        place = {key: i for i, key in enumerate(keys)}
        numbers = np.concatenate([np.arange(0), *(np.arange(len(r)) for r in families), [-1]])
        held = np.array([place.get(plant, -1) for plant in plants], dtype=np.int64)
        at = np.where(np.array(called, dtype=bool), held, -1)
        sources = [name for r in families for name in r.sources[:, 0].tolist()]
        sources.append("")
        return cls(families, held, at, numbers[at].tolist(), [sources[i] for i in at.tolist()])

    def few_calls(self, plates: Sequence[str], settings: Settings, share: float) -> Bools:
        """Plants that call less than this share of what the others of their plate call, by the name of each
        one's."""
        out = np.zeros(len(self.held), dtype=bool)
        some = np.flatnonzero(self.held >= 0)
        if len(some):
            rate = self._stacked("call_rate", np.nan)[self.held[some]]
            plate, _ = pd.factorize(np.array(plates, dtype=object)[some])
            usual = pd.Series(rate).groupby(plate).median().to_numpy()[plate]
            out[some] = far_below_plate(rate, usual, settings, share)
        return out

    def numbers(self, untold: Bools) -> dict[str, Floats]:
        """The columns of numbers of the table of verdicts; `untold`: whose posterior says nothing."""
        told = np.where(untold, -1, self.at)
        sizes = [len(r) for r in self.families]
        contrasts = np.repeat([float(r.contrast_markers) for r in self.families], sizes)
        posterior = [r.class_posterior for r in self.families]
        classes = np.concatenate([*posterior, np.full((1, len(CLASSES)), np.nan)])[told]
        probability = [r.source_probability[:, 0] for r in self.families]
        return {
            "lod": self._stacked("lod", np.nan)[told],
            "source_probability": np.concatenate([*probability, [np.nan]])[told],
            "contrast_markers": np.append(contrasts, np.nan)[self.at],
            **{f"p_{c}": classes[:, i] for i, c in enumerate(CLASSES)},
            **{
                name: self._stacked(name, 0.0)[self.at]
                for name in ("contrast_scored", "contrast_het", "foreign_calls", "call_rate")
            },
        }

    def _stacked(self, name: str, missing: float) -> Floats:
        """A field of all families, and at the end what stands for a plant without evidence."""
        parts: list[NDArray[Any]] = [getattr(r, name) for r in self.families]
        return np.concatenate([*parts, [missing]]).astype(np.float64)
