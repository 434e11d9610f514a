"""PL, GL and AD of one sample by the rules alone: the slow path, which also says what is wrong."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import AGAIN, Refused
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED, haploid_to_diploid, to_phred, two_ploidies
from crossproof.model.arrays import UInt8s, UInt16s
from crossproof.model.genotypes import n_genotypes
from crossproof.model.sentinels import MISSING


@dataclass(frozen=True)
class ExactSample:
    """Rules of samples of one layout and k alleles; `pl`, `gl`, `ad`: places of the fields to read."""

    layout: FieldLayout
    k: int
    pl: int | None
    gl: int | None
    ad: int | None

    @property
    def n_g(self) -> int:
        """Number of genotypes."""
        return n_genotypes(self.k)

    def read(self, sample: str) -> tuple[UInt8s | None, UInt16s | None]:
        """Fields of one sample by the rules alone. Raises Refused."""
        cells = sample.split(":")
        if len(cells) > len(self.layout.keys):
            raise Refused(f"The sample has {len(cells)} values, FORMAT names {len(self.layout.keys)}.", AGAIN)
        phred = depths = None
        place = self.pl if self.pl is not None else self.gl
        if place is not None:
            phred = np.full(self.n_g, NO_PHRED, np.uint8)
            if place < len(cells):
                one_copy = not self.layout.has_gt or not re.search(r".[/|]", cells[0])
                haploid = self.layout.has_gt and re.fullmatch(r"[/|]?\d+", cells[0]) is not None
                name = "PL" if self.pl is not None else "GL"
                phred = self._likelihoods(cells[place], name, one_copy, haploid)
        if self.ad is not None:
            depths = np.full(self.k, NO_DEPTH, np.uint16)
            if self.ad < len(cells):
                depths = self._depths(cells[self.ad])
        return phred, depths

    def _depths(self, text: str) -> UInt16s:
        values = text.split(",")
        if text == ".":
            return np.full(self.k, NO_DEPTH, np.uint16)
        if len(values) != self.k:
            raise Refused(
                f"AD has {len(values)} values; a record of {self.k} alleles needs {self.k}.",
                AGAIN,
                record_only=True,
            )
        numbers = [_whole(v, "AD") for v in values]
        if MISSING in numbers:
            return np.full(self.k, NO_DEPTH, np.uint16)
        return np.minimum(numbers, NO_DEPTH - 1).astype(np.uint16)

    def _likelihoods(self, text: str, name: str, one_copy: bool, haploid: bool) -> UInt8s:
        """Likelihoods of one sample; k values are those of a haploid call, so the call must be one.

        The ploidy of GT and of the likelihoods must be the same (VCF 4.3, section 1.6.2, GL).
        """
        values = text.split(",")
        nothing = np.full(self.n_g, NO_PHRED, np.uint8)
        if text == ".":
            return nothing
        if len(values) != self.n_g and not (one_copy and len(values) == self.k):
            raise Refused(
                f"{name} has {len(values)} values; a record of {self.k} alleles needs {self.n_g} "
                f"(or {self.k} for a haploid call).",
                AGAIN,
                record_only=True,
            )
        if haploid and len(values) != self.k:
            raise two_ploidies(name, len(values), self.k)
        if name == "PL":
            numbers = [float(_whole(v, "PL")) for v in values]
            if MISSING in numbers:
                return nothing
        else:
            if "." in values:
                return nothing
            numbers = [-10.0 * _logarithm(v) for v in values]
        scores = np.array(numbers)
        if len(values) != self.n_g:
            scores = haploid_to_diploid(scores, self.k)
        return to_phred(scores)


def _whole(text: str, name: str) -> int:
    if text == ".":
        return MISSING
    if not (text.isascii() and text.isdigit()) or len(text) > 18:
        raise Refused(f"{name} holds {text!r}, which is not a whole number of at least 0.", AGAIN)
    return int(text)


def _logarithm(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 1.0
    if not value <= 0.0 or "_" in text:
        raise Refused(f"GL holds {text!r}; a log10 likelihood is a number of at most 0.", AGAIN)
    return max(value, -1e6)
