"""Which markers a cross is judged by, where there are more than it needs.

Verification needs hundreds of markers, not millions. Half of the places go to markers at which the parents
differ, half to markers that they share: only these expose foreign pollen, for at contrast markers alone an
outcross of the right mother looks like a backcross. Within each half the markers lie evenly along the genome.
"""

from __future__ import annotations

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints

CONTRAST_SHARE = 0.5


def evenly(candidates: Ints, wanted: int, phase: float = 0.5) -> Ints:
    """`wanted` of these places, spread evenly over their order; `phase` (0 to 1) shifts which ones."""
    if wanted >= len(candidates):
        return candidates
    if wanted <= 0:
        return candidates[:0]
    shift = min(int(phase * len(candidates)), len(candidates) - 1)
    return candidates[(np.arange(wanted) * len(candidates) + shift) // wanted]


def choose_markers(contrast: Floats, usable: Bools, wanted: int | None, phase: float = 0.5) -> Ints:
    """Places of the markers to use, increasing.

    `contrast` (marker,): probability that gametes of the two parents differ there; `usable` (marker,);
    `wanted`: at most so many, None for all; `phase`: as in `evenly`. Markers are taken to be in genome order.
    """
    places = np.flatnonzero(usable)
    if wanted is None or len(places) <= wanted:
        return places
    differs = contrast[places] > 0.5
    far, near = places[differs], places[~differs]
    n_far = min(len(far), max(round(wanted * CONTRAST_SHARE), wanted - len(near)))
    return np.sort(np.concatenate([evenly(far, n_far, phase), evenly(near, wanted - n_far, phase)]))
