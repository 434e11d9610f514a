"""What the plants of many crosses may be, as distributions of their genotypes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from crossproof.inference.pedigree import child_of_gametes, fixed_table, gamete_table, self_table
from crossproof.inference.plates.log_sums import log_sums
from crossproof.model.arrays import Floats, Floats32, Ints


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


def relations_of_many(
    mother: Ints,
    father: Ints,
    likelihood: Sequence[Floats32],
    pollen: Sequence[Floats],
    parents: Callable[[int, Ints], Floats],
) -> Floats:
    """log P(data | relation) of wells under many pairs of lines, (well, pair, relation) in the order of
    `cross_table`: what follows from one line once for it, F1 and what follows from it once for two lines.

    Per block `likelihood` (marker, well, genotype) and `pollen` (marker, allele); `parents`: tables (line,
    marker, genotype) of a block's lines.
    """
    n_wells = likelihood[0].shape[1]
    mothers, of_mother = np.unique(mother, return_inverse=True)
    fathers, of_father = np.unique(father, return_inverse=True)
    both = np.sort(np.stack([mother, father]), axis=0)
    number = both[0] * (int(both.max()) + 2) + both[1]
    pairs, first, of_pair = np.unique(number, return_index=True, return_inverse=True)
    fit = [np.zeros((n_wells, size)) for size in (3 * len(pairs), 2 * len(mothers), len(fathers))]
    for b, (x, q) in enumerate(zip(likelihood, pollen, strict=True)):
        low, high = (parents(b, lines) for lines in both[:, first])
        tables = (
            of_pairs(low, high, q.shape[1]),
            of_lines(parents(b, mothers), q),
            of_lines(parents(b, fathers), q)[:1],
        )
        for total, table in zip(fit, tables, strict=True):
            total += log_sums(table.transpose(2, 3, 0, 1).reshape(len(x), x.shape[2], total.shape[1]), x)
    of_two, of_mothers, of_fathers = fit
    return np.stack(
        [
            of_two[:, of_pair],
            of_mothers[:, of_mother],
            of_mothers[:, len(mothers) + of_mother],
            of_fathers[:, of_father],
            of_two[:, len(pairs) + of_pair],
            of_two[:, 2 * len(pairs) + of_pair],
        ],
        axis=2,
    )
