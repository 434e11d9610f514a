"""Invented panels for the planning tests: inbred lines at biallelic markers, every number made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crossproof.model.genotypes import Markers
from crossproof.planning.inputs import PanelBlock, PanelGenotypes


def panel_of(alleles, *, call_rate=0.93, f=0.005, d=0.02, sure=0.996, on_panel=None) -> PanelGenotypes:
    """alleles (marker, line): 0 or 1, the allele the line is fixed for; -1 never typed."""
    alleles = np.asarray(alleles)
    m, n = alleles.shape
    consensus = np.full((m, n, 3), (1 - sure) / 2)
    np.put_along_axis(consensus, 2 * np.maximum(alleles, 0)[:, :, None], sure, 2)
    consensus[alleles < 0] = 1 / 3
    known = np.maximum((alleles >= 0).sum(axis=1), 1)
    q = np.clip(np.where(alleles == 1, 1.0, 0.0).sum(axis=1) / known, 0.02, 0.98)
    markers = Markers(
        np.array([f"M{i:03d}" for i in range(m)], dtype=object),
        np.array([f"Chr{i % 3 + 1:02d}" for i in range(m)], dtype=object),
        np.arange(m, dtype=np.int64) * 1000,
        (("A", "G"),) * m,
        np.zeros(m, dtype=bool),
    )
    block = PanelBlock(2, np.arange(m), consensus, np.column_stack([1 - q, q]), alleles >= 0)
    ones = np.ones(m)
    panel = PanelGenotypes(
        tuple(f"L{i:02d}" for i in range(n)),
        markers,
        (block,),
        ones * f,
        ones * d,
        ones * call_rate,
        ones > 0,
        ones > 0,
        ones,
    )
    return panel if on_panel is None else replace(panel, on_panel=np.asarray(on_panel, dtype=bool))


def random_panel(n_lines: int, n_markers: int, seed: int, **more) -> PanelGenotypes:
    """Lines drawn independently from allele frequencies between 0.1 and 0.9."""
    rng = np.random.default_rng(seed)
    q = rng.uniform(0.1, 0.9, n_markers)
    return panel_of((rng.random((n_markers, n_lines)) < q[:, None]).astype(int), **more)
