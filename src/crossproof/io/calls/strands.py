"""The strand of a marker's alleles in one file against those of the others, as far as the bases prove it."""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

_COMPLEMENT = {"A": "T", "C": "G", "G": "C", "T": "A"}
BASES = frozenset("ACGT")


@lru_cache(maxsize=1 << 16)
def reading_of(known: tuple[str, ...], alleles: tuple[str, ...]) -> tuple[tuple[str, ...] | None, str]:
    """Names of `alleles` on the strand of `known`, or None and the reason why that is not proven."""
    ours, theirs = set(known), set(alleles)
    if ours <= theirs or theirs <= ours:
        return alleles, ""
    sizes = [{a for a in side if a.isdigit()} for side in (ours, theirs)]
    if any(sizes) and not (sizes[0] == ours and sizes[1] == theirs):
        return None, "One file gives fragment sizes, the other bases."
    if not (ours <= BASES and theirs <= BASES) or ours & theirs:
        return alleles, ""
    turned = tuple(_COMPLEMENT[a] for a in alleles)
    if not ours & set(turned):
        # Neither reading shares an allele; only the one given keeps the number of bases possible.
        return alleles, ""
    if set(turned) == ours and len(ours | theirs) == 4:
        return turned, ""
    return None, "One of the files may be on the other strand, and its calls do not prove it."


def reads_both_ways(alleles: set[str]) -> bool:
    """Whether these are A and T, or C and G, which are the same two on the other strand."""
    return alleles in ({"A", "T"}, {"C", "G"})


@lru_cache(maxsize=1 << 16)
def other_strand_fits(sets: frozenset[frozenset[str]], n_alleles: int) -> bool:
    """Whether turning round one or several of these sets of bases leaves no more than `n_alleles` in all."""
    whole = frozenset().union(*sets)
    if len(whole) < 2:
        return False
    if any(len(whole | _turned_bases(s)) <= n_alleles for s in sets):
        return True  # one of several files with the same alleles
    ordered = sorted(sets, key=sorted)
    return any(
        len(frozenset().union(*(s if s in kept else _turned_bases(s) for s in ordered))) <= n_alleles
        for size in range(1, len(ordered))
        for kept in combinations(ordered, size)
    )


def _turned_bases(bases: frozenset[str]) -> frozenset[str]:
    return frozenset(_COMPLEMENT[b] for b in bases)
