"""What the readers of VCF and BCF hand on: accepted records, and counts for the notes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields

from crossproof.io.vcf.fields import Numeric
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.model.arrays import Int8s, Ints
from crossproof.model.genotypes import MAX_ALLELES

ASIDE = "record(s) were set aside, the others go on: "
MOST_NAMED = 5
"""Records set aside for one reason that are named; the others are counted."""

DEPTH_UNUSABLE = "records have an AD that is not one depth for each allele, by the header; it is not read"


@dataclass
class Tally:
    """Counts of what was read, from which the notes are written; those of two regions can be added."""

    records: int = 0
    filtered: int = 0
    many_alleles: int = 0
    undeclared: int = 0
    same_position: int = 0
    unsorted: int = 0
    beyond_contig: int = 0
    from_likelihood: int = 0
    without_likelihood: int = 0
    without_depth: int = 0
    depth_unusable: int = 0
    from_call: int = 0
    aside: dict[str, tuple[int, tuple[str, ...]]] = field(default_factory=dict)
    """Records set aside: the reason, and how many with the places of the first."""

    def __add__(self, other: Tally) -> Tally:
        counts = [f.name for f in fields(self) if f.name != "aside"]
        both = Tally(**{name: getattr(self, name) + getattr(other, name) for name in counts})
        for tally in (self, other):
            for why, (count, places) in tally.aside.items():
                both.set_aside(why, places, count)
        return both

    @property
    def aside_count(self) -> int:
        """Records set aside, for whatever reason."""
        return sum(count for count, _ in self.aside.values())

    def set_aside(self, why: str, places: Sequence[str], count: int = 1) -> None:
        """Count records that are set aside; `places`: those of the first of them."""
        before, named = self.aside.get(why, (0, ()))
        self.aside[why] = before + count, (*named, *places)[:MOST_NAMED]

    def notes(self) -> tuple[str, ...]:
        """The counts that a user should know of, as sentences."""
        said = (
            (self.filtered, "records failed the caller's own filters (FILTER); they are kept"),
            (self.many_alleles, f"records with more than {MAX_ALLELES} alleles were set aside"),
            (self.undeclared, "records lie on contigs that the header does not declare"),
            (self.same_position, "records share their position with the record before"),
            (self.unsorted, "records are not in order of position"),
            (self.beyond_contig, "records lie beyond the declared end of their contig"),
            (self.from_likelihood, "records have no GT; their calls are the most likely genotypes"),
            (
                self.without_likelihood,
                "kept records have no PL or GL; their likelihoods follow from the calls",
            ),
            (self.without_depth, "kept records have no AD; their depths are taken as 0"),
            (
                self.from_call,
                "genotypes have a call but no PL, GL or AD of their own; the call is used instead",
            ),
            (self.depth_unusable, DEPTH_UNUSABLE),
        )
        aside = tuple(
            f"{count} {ASIDE}{', '.join(places)}{' …' if count > len(places) else ''}. {why}"
            for why, (count, places) in sorted(self.aside.items())
        )
        return (*(f"{count} {text}" for count, text in said if count), *aside)


@dataclass
class Records:
    """Accepted records of one chunk.

    `pos` (m,); `calls` (m, sample, 2) int8; `lines` (m,) line numbers; `numeric(rows)`: PL, GL and AD of
    those records, parsed only when asked for, since most records of a dense file are not kept.
    """

    chrom: list[str]
    pos: Ints
    ids: list[str]
    alleles: list[tuple[str, ...]]
    calls: Int8s
    lines: Ints
    numeric: Callable[[Ints], Numeric]

    def __len__(self) -> int:
        return len(self.ids)


@dataclass
class FixedFields:
    """Fixed fields of one record."""

    chrom: str
    pos: int
    id: str
    alleles: tuple[str, ...]
    layout: FieldLayout
