"""Joining the markers of several batches into one list, with allele numbers that mean the same everywhere.

A marker is known by its name; a record without one (ID '.') by chrom, pos and alleles. Alleles are joined by
name, so that a batch with REF and ALT exchanged agrees with the others. Strand is reconciled only where it is
proven: two batches that share no allele of a SNP while the complement of one is exactly the other (A/G and
T/C) would otherwise show a SNP of four bases. Where another reading is possible, the marker is set aside and
named: a guess would turn every homozygote of one batch into the other one.
A/T and C/G read alike on both strands; they are set aside where plants typed in both batches contradict each
other, or where the batches differ in strand elsewhere and no plant typed in both shows that they agree here.
So is any SNP of such batches that would need no more alleles with one of them turned round: A in one file and
G in another may be A and C.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from crossproof.errors import Problem, Severity, warning
from crossproof.io.calls.strands import BASES, other_strand_fits, reading_of, reads_both_ways
from crossproof.io.vcf.phred import phred_of_calls
from crossproof.model.arrays import Int8s, Ints
from crossproof.model.genotypes import (
    MAX_ALLELES,
    CallBatch,
    CallBlock,
    Markers,
    genotype_alleles,
    genotype_index,
    n_genotypes,
)


@dataclass(frozen=True)
class BatchMap:
    """Where the markers of one batch stand in the joined list.

    `rows` (batch marker,) int64: row of the joined list, -1 where set aside. `recode` (batch marker, 8) int8:
    joined number of each of the batch's alleles, -1 beyond them.
    """

    batch: str
    rows: Ints
    recode: Int8s


@dataclass(frozen=True)
class JoinedCalls:
    """Joined markers, by chromosome (2 before 10), position and name, and each batch's place in them."""

    markers: Markers
    maps: tuple[BatchMap, ...]
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]

    def blocks(self, batch: CallBatch) -> tuple[CallBlock, ...]:
        """The batch's calls with joined rows and allele numbers; see `joined_blocks`."""
        return joined_blocks(batch, next(m for m in self.maps if m.batch == batch.batch), self.markers)


@dataclass
class _Joined:
    """A marker while it is being joined."""

    name: str
    chrom: str
    pos: int
    alleles: list[str]
    maternal: bool
    cm: float
    first: tuple[int, int]  # batch, its row
    dropped: bool = False
    holders: list[tuple[int, int]] = field(default_factory=list)
    """All batches that have it, with their rows."""


def join_batches(
    batches: Sequence[CallBatch], plants: Mapping[str, Mapping[str, str]] | None = None
) -> JoinedCalls:
    """Join the markers of batches.

    Parameters: `batches` in a fixed order (the first that has a marker sets its strand and position);
    `plants`: batch -> sample -> name of the plant or inbred line, so that plants typed in several batches can
    show whether A/T and C/G markers agree; by default samples of the same name are taken for one plant.
    Returns the joined markers with one map per batch. Markers that cannot be joined are left out, each with a
    problem that names it.
    """
    joining = _Joining(batches, [_plant_names(b, plants) for b in batches])
    for b in range(len(batches)):
        joining.add(b)
    joining.check_strands()
    return joining.result()


class _Joining:
    """Markers while batch after batch is added to them."""

    def __init__(self, batches: Sequence[CallBatch], plants: Sequence[Mapping[str, Sequence[int]]]) -> None:
        self.batches, self.plants = batches, plants
        self.by_name: dict[str, _Joined] = {}
        self.by_place: dict[tuple[str, int, frozenset[str]], str] = {}
        self.recodes: list[Int8s] = []
        self.names: list[list[str]] = []
        self.problems: list[Problem] = []
        self.flipped: dict[int, int] = {}
        """Markers on the other strand, by number of batch."""
        self.moved: dict[str, list[str]] = {}
        """Markers at another position than before, by batch."""

    def add(self, b: int) -> None:
        """Add the markers of one batch."""
        if self._as_before(b):
            self.recodes.append(self.recodes[-1].copy())
            self.names.append(self.names[-1])
            for row, name in enumerate(self.names[-1]):
                self.by_name[name].holders.append((b, row))
            return
        markers = self.batches[b].markers
        recode = np.full((len(markers), MAX_ALLELES), -1, dtype=np.int8)
        self.recodes.append(recode)
        self.names.append([self._add_marker(b, row, recode[row]) for row in range(len(markers))])

    def _as_before(self, b: int) -> bool:
        """Whether a batch has the markers of the one before, none of which was turned round or moved.

        It is joined as that was: every allele of it is known by now.
        """
        if not b or b - 1 in self.flipped or self.batches[b - 1].batch in self.moved:
            return False
        mine, before = (self.batches[i].markers for i in (b, b - 1))
        if mine.alleles != before.alleles or not np.array_equal(mine.cm, before.cm, equal_nan=True):
            return False
        names = ("ids", "chrom", "pos", "maternal")
        return all(np.array_equal(getattr(mine, name), getattr(before, name)) for name in names)

    def _add_marker(self, b: int, row: int, recode: Int8s) -> str:
        """Add one marker, fill in its `recode` (8,), and return its name."""
        markers = self.batches[b].markers
        name, chrom = str(markers.ids[row]), str(markers.chrom[row])
        pos, alleles = int(markers.pos[row]), markers.alleles[row]
        place = (chrom, pos, frozenset(alleles))
        if name in (".", ""):
            name = self.by_place.get(place) or f"{chrom}:{pos}:{'/'.join(alleles)}"
        joined = self.by_name.get(name)
        if joined is not None:
            joined.holders.append((b, row))
            if not joined.dropped:
                self._meet(joined, b, row, recode)
            return name
        maternal, cm = bool(markers.maternal[row]), float(markers.cm[row])
        self.by_name[name] = _Joined(
            name, chrom, pos, list(alleles), maternal, cm, (b, row), holders=[(b, row)]
        )
        if chrom:
            self.by_place.setdefault(place, name)
        recode[: len(alleles)] = np.arange(len(alleles))
        return name

    def _meet(self, joined: _Joined, b: int, row: int, recode: Int8s) -> None:
        """Match a marker met again with what is known of it, or set it aside."""
        markers = self.batches[b].markers
        chrom, pos, alleles = str(markers.chrom[row]), int(markers.pos[row]), markers.alleles[row]
        if not joined.chrom and chrom:
            joined.chrom, joined.pos = chrom, pos
        elif chrom and (chrom, pos) != (joined.chrom, joined.pos):
            self.moved.setdefault(self.batches[b].batch, []).append(joined.name)
        joined.maternal |= bool(markers.maternal[row])
        if np.isnan(joined.cm):
            joined.cm = float(markers.cm[row])
        reading, why = reading_of(tuple(joined.alleles), alleles)
        if reading is None:
            self._set_aside(joined, b, why)
            return
        if reading != alleles:
            self.flipped[b] = self.flipped.get(b, 0) + 1
        together = set(joined.alleles) | set(reading)
        if len(together) > MAX_ALLELES:
            self._set_aside(joined, b, f"Together the files have more than {MAX_ALLELES} alleles here.")
            return
        for i, allele in enumerate(reading):
            if allele not in joined.alleles:
                joined.alleles.append(allele)
            recode[i] = joined.alleles.index(allele)

    def _set_aside(self, joined: _Joined, b: int, why: str) -> None:
        first = self.batches[joined.first[0]].batch
        self.problems.append(
            warning(
                self.batches[b].batch,
                f"Marker {joined.name} is set aside: its alleles cannot be matched with batch {first}. {why}",
                "Export both files on the same strand (for instance the forward strand of the reference).",
                column=joined.name,
                value=f"{'/'.join(joined.alleles)} in {first}",
            )
        )
        joined.dropped = True

    def check_strands(self) -> None:
        """Set aside markers whose strand is not shown, where plants or other markers speak against it."""
        for joined in self.by_name.values():
            if joined.dropped or len(joined.holders) < 2 or not set(joined.alleles) <= BASES:
                continue
            alike = reads_both_ways(set(joined.alleles))
            turned = any(b in self.flipped for b, _ in joined.holders)
            if not alike and not (turned and self._other_strand_fits(joined)):
                continue
            for b, row in joined.holders[1:]:
                agree, oppose = _typed_twice(
                    self.batches, self.plants, joined.first, (b, row), self.recodes[b][row]
                )
                why = "Its alleles read alike on both strands, and "
                if oppose > agree:
                    self._set_aside(
                        joined, b, f"{why}{oppose} plants typed in both files have opposite calls."
                    )
                elif agree == 0 and (b in self.flipped or joined.first[0] in self.flipped):
                    self._set_aside(joined, b, f"{why}the two files differ in strand at other markers.")
                else:
                    continue
                break

    def _other_strand_fits(self, joined: _Joined) -> bool:
        """Whether the files would need no more alleles if some of them were read on the other strand."""
        sets = {
            frozenset(joined.alleles[a] for a in self.recodes[b][row].tolist() if a >= 0)
            for b, row in joined.holders
        }
        return other_strand_fits(frozenset(sets), len(joined.alleles))

    def result(self) -> JoinedCalls:
        """The joined markers in the order of the genome, with the problems met on the way."""
        kept = sorted(
            (j for j in self.by_name.values() if not j.dropped),
            key=lambda j: (natural_key(j.chrom), j.pos, -1.0 if np.isnan(j.cm) else j.cm, j.name),
        )
        row_of = {j.name: i for i, j in enumerate(kept)}
        markers = Markers(
            np.array([j.name for j in kept], dtype=object),
            np.array([j.chrom for j in kept], dtype=object),
            np.array([j.pos for j in kept], dtype=np.int64),
            tuple(tuple(j.alleles) for j in kept),
            np.array([j.maternal for j in kept], dtype=bool),
            np.array([j.cm for j in kept], dtype=np.float64),
        )
        maps = tuple(
            BatchMap(batch.batch, np.array([row_of.get(k, -1) for k in names], dtype=np.int64), recode)
            for batch, names, recode in zip(self.batches, self.names, self.recodes, strict=True)
        )
        turned = [(self.batches[b].batch, count) for b, count in sorted(self.flipped.items())]
        notes = tuple(
            f"batch {name}: {count} markers were on the other strand and were turned round"
            for name, count in turned
        )
        return JoinedCalls(markers, maps, notes, (*self.problems, *self._moved(), *_turned(turned)))

    def _moved(self) -> list[Problem]:
        """A warning for each batch whose markers lie elsewhere than in an earlier file."""
        return [
            warning(
                batch,
                f"{len(names)} markers have another position here than in an earlier file "
                f"({', '.join(names[:5])}).",
                "The first file's position is used; check that both files use the same reference genome.",
                column="marker",
            )
            for batch, names in self.moved.items()
        ]


def _turned(counts: Sequence[tuple[str, int]]) -> list[Problem]:
    """A note for each batch with markers on the other strand."""
    return [
        Problem(
            Severity.NOTE,
            name,
            None,
            "",
            str(count),
            f"{count} markers of this batch were on the other strand and were turned round; bases prove it.",
            "No action is needed. To avoid this note, export all files on the same strand.",
        )
        for name, count in counts
    ]


@lru_cache(maxsize=1 << 16)
def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts chr2 before chr10, and an unknown chromosome last."""
    if not text:
        return ((2, 0, ""),)
    parts = re.findall(r"\d+|\D+", text)
    return tuple((0, int(p), p) if p.isascii() and p.isdigit() else (1, 0, p) for p in parts)


def _plant_names(batch: CallBatch, plants: Mapping[str, Mapping[str, str]] | None) -> dict[str, list[int]]:
    given = (plants or {}).get(batch.batch, {})
    out: dict[str, list[int]] = {}
    for i, sample in enumerate(batch.samples):
        out.setdefault(given.get(sample, sample), []).append(i)
    return out


def _typed_twice(
    batches: Sequence[CallBatch],
    names: Sequence[Mapping[str, Sequence[int]]],
    one: tuple[int, int],
    two: tuple[int, int],
    recode: Int8s,
) -> tuple[int, int]:
    """Pairs of homozygous calls of the same plant in two batches: how many agree, how many do not."""
    first, second = _calls_at(batches[one[0]], one[1]), _calls_at(batches[two[0]], two[1])
    agree = oppose = 0
    for name in names[one[0]].keys() & names[two[0]].keys():
        left = {
            int(first[i, 0]) for i in names[one[0]][name] if first[i, 0] >= 0 and first[i, 0] == first[i, 1]
        }
        right = {
            int(recode[second[i, 0]])
            for i in names[two[0]][name]
            if second[i, 0] >= 0 and second[i, 0] == second[i, 1]
        }
        if len(left) == len(right) == 1:
            agree += left == right
            oppose += left != right
    return agree, oppose


def _calls_at(batch: CallBatch, row: int) -> Int8s:
    for block in batch.blocks:
        at = np.flatnonzero(block.rows == row)
        if len(at):
            calls: Int8s = block.calls[at[0]]
            return calls
    return np.full((len(batch.samples), 2), -1, dtype=np.int8)


def joined_blocks(batch: CallBatch, place: BatchMap, markers: Markers) -> tuple[CallBlock, ...]:
    """Calls of a batch with rows and allele numbers of the joined markers, one block per number of alleles.

    Parameters: `place`: the batch's map; `markers`: the joined markers. Returns blocks whose `rows` are
    rows of `markers`, ascending. Genotypes with an allele that the batch does not know get the phred of
    its least likely genotype (so a flat likelihood stays flat) and depth 0; where the batch knows one allele
    only, likelihoods follow from the calls.
    """
    n_alleles = markers.n_alleles
    parts: dict[int, list[tuple[Ints, CallBlock, Ints]]] = {}
    for block in batch.blocks:
        target = place.rows[block.rows]
        for k in np.unique(n_alleles[target[target >= 0]]).tolist() if len(markers) else []:
            pick = np.flatnonzero((target >= 0) & (n_alleles[np.maximum(target, 0)] == k))
            parts.setdefault(int(k), []).append((target[pick], block, pick))
    out = []
    n = len(batch.samples)
    for k in sorted(parts):
        rows = np.concatenate([p[0] for p in parts[k]])
        calls = np.empty((len(rows), n, 2), dtype=np.int8)
        with_phred = any(p[1].phred is not None for p in parts[k])
        with_depths = any(p[1].depths is not None for p in parts[k])
        phred = np.zeros((len(rows), n, n_genotypes(k)), dtype=np.uint8) if with_phred else None
        depths = np.zeros((len(rows), n, k), dtype=np.uint16) if with_depths else None
        at = 0
        for target, block, pick in parts[k]:
            recode = place.recode[block.rows[pick]]
            kinds, which = np.unique(recode[:, : block.k], axis=0, return_inverse=True)
            for i, kind in enumerate(kinds):
                mine = pick[which.ravel() == i]
                into = at + np.flatnonzero(which.ravel() == i)
                table = np.concatenate(([-2, -1], kind)).astype(np.int8)
                calls[into] = table[block.calls[mine] + 2]
                if phred is not None and block.phred is not None:
                    pairs = genotype_alleles(block.k)
                    worst = block.phred[mine].max(axis=-1, keepdims=True)
                    wide = np.broadcast_to(worst, (*worst.shape[:2], n_genotypes(k))).copy()
                    wide[..., genotype_index(kind[pairs[:, 0]], kind[pairs[:, 1]])] = block.phred[mine]
                    if block.k == 1:
                        # Likelihoods of one genotype say nothing of the others; the call does.
                        called = (calls[into] >= 0).any(axis=-1)
                        wide[called] = phred_of_calls(calls[into][called], k)
                    phred[into] = wide
                if depths is not None and block.depths is not None:
                    deep = np.zeros((len(mine), n, k), dtype=np.uint16)
                    deep[..., kind.astype(np.int64)] = block.depths[mine]
                    depths[into] = deep
            at += len(target)
        order = np.argsort(rows, kind="stable")
        out.append(
            CallBlock(
                k,
                rows[order],
                calls[order],
                None if phred is None else phred[order],
                None if depths is None else depths[order],
            )
        )
    return tuple(out)
