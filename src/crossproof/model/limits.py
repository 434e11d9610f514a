"""Largest numbers that records may hold: one beyond them is a slip, such as a date in the wrong column.

The work of a run grows with these numbers, so that one mistyped cell would otherwise ask for all the memory
there is. They lie far above what hand crossing reaches (common practice, no source).
"""

MOST_FLOWERS = 10_000
"""Flowers pollinated, or pods harvested, under one tag."""
MOST_SEEDS = 1_000_000
"""Seeds of one tag."""
MOST_HYBRIDS_WANTED = 1_000
"""Hybrid plants wanted of one cross."""
