"""Types of arrays, declared once; shapes and units stand where an array is made or taken."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
"""Real numbers."""
Floats32 = NDArray[np.float32]
"""Real numbers, at half the memory."""
Ints = NDArray[np.int64]
"""Whole numbers: indices, rows, counts."""
Int8s = NDArray[np.int8]
"""Alleles and other small codes, negative where there is none."""
Int16s = NDArray[np.int16]
"""Codes that do not fit eight bits."""
Int32s = NDArray[np.int32]
"""Codes and rows of large tables."""
UInt8s = NDArray[np.uint8]
"""Genotype codes, phred values, percents."""
UInt16s = NDArray[np.uint16]
"""Read depths."""
Bools = NDArray[np.bool_]
"""Masks."""
Texts = NDArray[np.str_]
"""Text of fixed width."""
Objects = NDArray[np.object_]
"""Names as Python strings."""
