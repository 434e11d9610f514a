"""What the plants of many crosses may be, as distributions of their genotypes."""

from __future__ import annotations

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, fixed_table, gamete_table, self_table
from crossproof.model.arrays import Floats


def _times(plants: Floats, table: Floats) -> Floats:
    """Distributions (..., genotype) through a table (genotype, outcome) as one product, not one a plant."""
    flat = plants.reshape(-1, plants.shape[-1]) @ table
    return flat.reshape(*plants.shape[:-1], table.shape[1])


def of_lines(plants: Floats, pollen: Floats) -> Floats:
    """Selfed progeny of plants (plant, marker, genotype) and their progeny by unknown pollen (marker,
    allele), (2, plant, marker, genotype)."""
    k = pollen.shape[1]
    out = np.empty((2, *plants.shape))
    out[0] = _times(plants, self_table(k))
    out[1] = child_of_gametes(_times(plants, gamete_table(k)), pollen)
    return out


def of_pairs(mother: Floats, father: Floats, k: int) -> Floats:
    """F1, F2 and fixed progeny of pairs of plants (pair, marker, genotype), (3, pair, marker, genotype)."""
    out = np.empty((3, *mother.shape))
    f1 = child_of_gametes(_times(mother, gamete_table(k)), _times(father, gamete_table(k)))
    out[0], out[1], out[2] = f1, _times(f1, self_table(k)), _times(f1, fixed_table(k))
    return out


def cross_table(mother: Floats, father: Floats, pollen: Floats) -> Floats:
    """What a plant of each cross may be, (cross, relation, marker, genotype): hybrid, self, outcross, father
    selfed, F2, fixed.

    `mother`, `father` (cross, marker, genotype); `pollen` (marker, allele), of unknown plants.
    """
    k = pollen.shape[1]
    out = np.empty((len(mother), 6, *mother.shape[1:]))
    gametes = _times(mother, gamete_table(k))
    f1 = child_of_gametes(gametes, _times(father, gamete_table(k)))
    out[:, 0] = f1
    out[:, 1] = _times(mother, self_table(k))
    out[:, 2] = child_of_gametes(gametes, pollen)
    out[:, 3] = _times(father, self_table(k))
    out[:, 4] = _times(f1, self_table(k))
    out[:, 5] = _times(f1, fixed_table(k))
    return out
