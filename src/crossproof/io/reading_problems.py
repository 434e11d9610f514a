"""What a user has to know of a genotype file that was read: from the notes of its batch to problems."""

from __future__ import annotations

from collections.abc import Iterable

from crossproof.errors import Problem, Severity, warning
from crossproof.io.tables.fragment_sizes import IN_BINS, SET_ASIDE
from crossproof.io.vcf.records import ASIDE, DEPTH_UNUSABLE
from crossproof.model.genotypes import CallBatch
from crossproof.text import count_of


def reading_problems(batch: CallBatch, shown_as: str) -> list[Problem]:
    """Warnings and notes of a file that was read: markers and records set aside, depths left out, bins."""
    found = [_problem(note, shown_as) for note in batch.notes]
    return [p for p in found if p is not None]


def size_bins(notes: Iterable[str]) -> dict[str, str]:
    """Bins of fragment sizes by marker, of the notes of files: sizes put together, and those set aside."""
    found: dict[str, list[str]] = {}
    for note in notes:
        if note.endswith(IN_BINS):
            marker, _, bins = note.removesuffix(IN_BINS).partition(":")
            if (words := bins.strip()) not in found.setdefault(marker, []):
                found[marker].append(words)
    return {marker: " | ".join(words) for marker, words in found.items()}


def _problem(note: str, shown_as: str) -> Problem | None:
    if note.endswith(SET_ASIDE):
        return warning(
            shown_as,
            f"Marker {note.removesuffix(SET_ASIDE).strip()}; it is set aside, the others go on.",
            "Look at its peaks again, or declare its sizes under alleles in markers.csv.",
            column=note.partition(":")[0],
        )
    if note.endswith(IN_BINS):
        marker, _, bins = note.partition(":")
        return Problem(
            Severity.NOTE,
            shown_as,
            None,
            marker,
            bins.removesuffix(IN_BINS).strip(),
            "Fragment sizes of this marker were put into bins.",
            "No action is needed if the bins are right; else declare the sizes under alleles in markers.csv.",
        )
    if ASIDE in note:
        count, _, rest = note.partition(f" {ASIDE}")
        places, _, why = rest.partition(". ")
        verb = "was" if count == "1" else "were"
        return warning(
            shown_as,
            f"{count_of(int(count), 'record')} of this file {verb} set aside, the others go on: {why}",
            "No action is needed if these markers do not matter; else export the file again.",
            value=places,
        )
    if note.endswith(DEPTH_UNUSABLE):
        return warning(
            shown_as,
            "The header declares that AD is not one read depth for each allele. The depths were not used; "
            "the calls were.",
            "Export AD with Number=R, one depth for each allele: it tells more than the call where reads are "
            "few. To use the calls, set evidence: calls for this file in config.yaml.",
            column="AD",
            value=note.removesuffix(DEPTH_UNUSABLE) + "records",
        )
    return None
