"""Every special code used inside arrays."""

MISSING = -1
"""Allele not observed."""

ABSENT = -2
"""No such chromosome copy: the second place of a haploid call."""

NO_CALL_CODE = 255
"""Observation code (uint8) of a well without a call at a marker."""
