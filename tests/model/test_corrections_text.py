"""A correction as a sentence."""

from __future__ import annotations

import pytest

from crossproof.model.corrections import Correction, CorrectionKind


@pytest.mark.parametrize(
    ("correction", "sentence"),
    [
        (Correction(CorrectionKind.ROTATE, "P1"), "rotate plate | P1"),
        (Correction(CorrectionKind.SWAP_TAGS, "C1", "C2"), "swap tags | C1 | C2"),
        (Correction(CorrectionKind.SHIFT, "P1", detail="right"), "shift plate | P1 | (right)"),
        (
            Correction(CorrectionKind.LINE_IS, "LN1", "LN2", "tubes", "seen on 4 June"),
            "line is | LN1 | LN2 | (tubes)",
        ),
    ],
)
def test_sentence(correction: Correction, sentence: str) -> None:
    assert correction.sentence() == sentence
