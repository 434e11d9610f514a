"""Lists that say what a laboratory's names stand for, and their use on the calls of one file."""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from crossproof.errors import PlateError
from crossproof.io.files.byte_source import too_big
from crossproof.io.intake.raw_cells import MAX_TABLE_BYTES, decoded, encodings_of, read_pages, split_rows
from crossproof.io.intake.table_shape import Separator
from crossproof.io.problems import Problems
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import CallBatch

_COMPLEMENT = str.maketrans("ACGTacgt", "TGCAtgca")


@dataclass(frozen=True)
class GivenNames:
    """What the names of one file stand for in the season; names that are not listed stand for themselves.

    `samples`, `markers`: name in the file (composed letters) -> name in the season. `turned`: whether the
    file's bases are those of the other strand.
    """

    samples: Mapping[str, str] = field(default_factory=dict)
    markers: Mapping[str, str] = field(default_factory=dict)
    turned: bool = False

    def sample(self, name: str) -> str:
        """The season's name of a sample."""
        name = composed(name)
        return self.samples.get(name, name)

    def marker(self, name: str) -> str:
        """The season's name of a marker."""
        name = composed(name)
        return self.markers.get(name, name)


NO_NAMES = GivenNames()


def composed(name: str) -> str:
    """A name with its accents composed: the same letters, whichever program wrote them."""
    return name if name.isascii() else unicodedata.normalize("NFC", name)


def read_rows(path: Path, *, shown_as: str) -> list[list[str]]:
    """Rows of two or more cells of a list, whether text or a workbook. Raises PlateError."""
    try:
        size = path.stat().st_size
        if size > MAX_TABLE_BYTES:
            raise too_big(shown_as, MAX_TABLE_BYTES, table=True)
        data = path.read_bytes()
    except OSError as fault:
        raise PlateError.at(
            shown_as, f"The list of names cannot be opened ({fault.strerror}).", "Check its path."
        ) from None
    if data.startswith(b"PK\3\4"):
        rows = [cells for page in read_pages(path, shown_as=shown_as)[:1] for _, cells in page.rows]
    else:
        kinds = encodings_of(data)
        text = decoded(data, kinds[0]) if kinds else None
        if text is None:
            raise PlateError.at(shown_as, "The list of names is not a text table.", "Save it as CSV UTF-8.")
        first = next((line for line in text.splitlines() if line.strip() and line[0] != "#"), "")
        marks = [s for s in Separator if s is not Separator.SPACE]
        separator = max(marks, key=lambda s: first.count(s.character))
        try:
            rows = [cells for _, cells in split_rows(text, separator)]
        except ValueError as fault:
            problem = "The quotation marks of the list do not pair."
            raise PlateError.at(shown_as, problem, "Mend them.", row=fault.args[0]) from None
    found = [[composed(c) for c in r] for r in rows if sum(map(bool, r)) >= 2 and not r[0].startswith("#")]
    if not found:
        problem = "The list of names has no row with two cells."
        raise PlateError.at(shown_as, problem, "Give the name in the file and your name in each row.")
    return found


def read_list(path: Path, *, shown_as: str) -> dict[str, str]:
    """A list of two columns: the name in the file, the season's name. Raises PlateError."""
    pairs: dict[str, str] = {}
    for cells in read_rows(path, shown_as=shown_as):
        theirs, ours = cells[0], cells[1]
        if theirs and ours and pairs.setdefault(theirs, ours) != ours:
            problem = f"The name {theirs!r} stands for {pairs[theirs]!r} and for {ours!r}."
            raise PlateError.at(shown_as, problem, "Delete one of the two rows.", value=theirs)
    return pairs


def list_text(pairs: Mapping[str, str], what: str) -> str:
    """The text of such a list, with a heading."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow([f"{what} in the file", f"{what} in the season"])
    write.writerows(pairs.items())
    return out.getvalue()


def other_names(markers: Sequence[str], also_called: Sequence[str]) -> dict[str, str]:
    """Other names of markers, separated by semicolons or bars, and the marker each one means."""
    found: dict[str, str] = {}
    for marker, cell in zip(markers, also_called, strict=True):
        for name in cell.replace("|", ";").split(";"):
            if name.strip():
                found.setdefault(composed(name.strip()), marker)
    return found


def kept_columns(samples: Sequence[str], keep: Collection[str] | None, problems: Problems) -> Ints:
    """Places of the samples to keep, in file order; a problem where none of them is in the file."""
    wanted = set(samples if keep is None else keep)
    columns = np.flatnonzero([s in wanted for s in samples])
    if keep is not None and not len(columns):
        problems.error(
            "None of the samples sheet's samples of this batch is in the file.",
            "Check that the right file is given for the batch, and that sample names are spelt alike.",
            value=", ".join(samples[:3]),
        )
    return columns


def renamed(batch: CallBatch, given: GivenNames, problems: Problems) -> CallBatch:
    """The batch under the season's names. Two that become one are a problem, and the batch is unchanged."""
    samples = tuple(given.sample(s) for s in batch.samples)
    ids = [given.marker(str(m)) for m in batch.markers.ids]
    report_doubles("sample", batch.samples, samples, problems)
    report_doubles("marker", [str(m) for m in batch.markers.ids], ids, problems, besides={"."})
    if problems:
        return batch
    named = np.empty(len(ids), dtype=object)
    named[:] = ids
    m = batch.markers
    alleles = turned(m.alleles) if given.turned else m.alleles
    markers = replace(m, ids=named, alleles=alleles)
    return replace(batch, markers=markers, samples=samples)


def report_doubles(
    what: str,
    before: Sequence[str],
    after: Sequence[str],
    problems: Problems,
    besides: Collection[str] = (),
) -> None:
    """Names that differ in the file and mean the same in the season."""
    first: dict[str, str] = {}
    for old, new in zip(before, after, strict=True):
        if new in first and first[new] != old and new not in besides:
            problems.error(
                f"The {what}s {first[new]} and {old} of this file both stand for {new}.",
                f"Correct the list of names: each {what} of the file needs one of its own.",
                value=new,
            )
        first.setdefault(new, old)


def turned(alleles: Sequence[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    """Alleles read on the other strand; what is no sequence of bases stays as it is."""
    return tuple(
        tuple(a.translate(_COMPLEMENT)[::-1] if a and set(a.upper()) <= set("ACGT") else a for a in names)
        for names in alleles
    )
