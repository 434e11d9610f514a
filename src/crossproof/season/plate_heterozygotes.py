"""Heterozygous calls by plate at markers that were set aside: whether one plate alone made them so."""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.inference.evidence.blocks import Wells
from crossproof.inference.lines.panel import Panel
from crossproof.inference.plates.arrays import heterozygous_codes
from crossproof.inference.plates.set_aside_markers import set_aside_for_one_plate
from crossproof.inference.run_wide.panel_fit import TOO_HETEROZYGOUS
from crossproof.model.findings import Finding
from crossproof.model.plates import Role


def set_aside_by_a_plate(
    samples: pd.DataFrame, panel: Panel, wells: Wells, threshold: float
) -> list[Finding]:
    """Markers that were set aside as heterozygous in fixed lines though only one plate shows them so.

    `samples` (plate, role): row labels are the numbers of `wells`; blanks and rows of no plate are left out.
    """
    rows = np.flatnonzero(panel.set_aside == TOO_HETEROZYGOUS)
    numbers = samples.index.to_numpy(dtype=np.int64)
    plate = samples["plate"].fillna("").astype(str).to_numpy()
    known = numbers < len(wells.place[0])
    typed = np.zeros(len(numbers), dtype=bool)
    typed[known] = wells.place[0][numbers[known]] >= 0
    use = typed & (plate != "") & (samples["role"] != Role.BLANK).to_numpy()
    names = sorted(set(plate[use]))
    if not len(rows) or len(names) < 2:
        return []
    heterozygous = np.zeros((len(names), len(rows)), dtype=np.int64)
    called = np.zeros_like(heterozygous)
    kinds = wells.markers.n_alleles[rows]
    for p, name in enumerate(names):
        codes = wells.codes(rows, numbers[use & (plate == name)])
        for k in np.unique(kinds[kinds > 1]).tolist():
            flags = heterozygous_codes(k)
            mine = codes[kinds == k]
            full = mine < len(flags)
            called[p, kinds == k] = full.sum(axis=1)
            heterozygous[p, kinds == k] = (full & flags[np.minimum(mine, len(flags) - 1)]).sum(axis=1)
    markers = [str(wells.markers.ids[r]) for r in rows]
    return set_aside_for_one_plate(markers, names, heterozygous, called, threshold)
