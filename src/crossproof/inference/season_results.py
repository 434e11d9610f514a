"""What goes into the judgement of one family, and what comes out: frozen, arrays only.

Axes: plant (n), class (4, in the order of `model.results.CLASSES`), relation (in the order of `RELATIONS`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, get_type_hints

import numpy as np
from numpy.typing import NDArray

from crossproof.model.arrays import Bools, Floats, Ints, Texts
from crossproof.model.results import Decision, Reason, Relation, Verdict

RELATIONS: tuple[Relation, ...] = tuple(Relation)
"""Relations in the order of every array with a relation axis."""

N_SOURCES = 3
"""How many likely sources and donors are kept per plant."""


@dataclass(frozen=True)
class Plant:
    """A progeny plant, the well numbers in which it was typed, and its pod, "" where that is not recorded."""

    plant: str
    wells: tuple[int, ...]
    pod: str = ""


@dataclass(frozen=True)
class FamilyInput:
    """All progeny plants of one cross; `mother` and `father` are line names, "" where unknown."""

    cross_id: str
    mother: str
    father: str
    plants: tuple[Plant, ...]


@dataclass(frozen=True)
class LineInput:
    """A panel line: the wells it was typed in and its inbreeding coefficient (1 fixed, 0 random mating).

    `line_mother`, `line_father`: the lines that a parent is the F1 of, "" where it is no F1 or not known.
    """

    line: str
    wells: tuple[int, ...]
    inbreeding: float = 0.98
    line_mother: str = ""
    line_father: str = ""


@dataclass(frozen=True)
class CrossRecord:
    """A cross of the records, as a possible origin of a plant with a swapped tag."""

    cross_id: str
    mother: str
    father: str


OF_THE_POOL = "unknown"
"""What stands in `FamilyResult.donors` for pollen of none of the typed lines."""


@dataclass(frozen=True)
class FamilyResult:
    """Evidence of one family; nothing here depends on a threshold.

    Strings are numpy unicode arrays so that a result can be stored without pickling (`to_arrays`).
    """

    cross_id: str
    mother: str
    father: str
    mother_known: bool  # the mother line has genotype data
    father_known: bool
    plants: Texts  # n
    class_posterior: Floats  # n, 4
    class_loglik: Floats  # n, 4: natural log of P(D | class), averaged over the relations of the class
    relation_posterior: Floats  # n, relation
    lod: Floats  # n: log10 of the likelihood of hybrid over the best other class
    sources: Texts  # n, N_SOURCES: in words, likeliest first, "" where there are fewer
    source_probability: Floats  # n, N_SOURCES
    donors: Texts  # n, N_SOURCES: pollen donors given an outcross; "unknown" is pollen of the pool
    donor_probability: Floats  # n, N_SOURCES: given an outcross
    markers_used: int
    contrast_markers: int
    scored: Ints  # n: used markers with a call, or with enough reads for one
    contrast_scored: Ints  # n
    contrast_het: Ints  # n
    foreign_calls: Ints  # n: calls with an allele that neither parent line has
    shared_scored: Ints  # n: scored markers at which both parents are fixed for the same allele
    shared_het: Ints  # n: heterozygous among them; many of them mean foreign pollen or mixed DNA
    call_rate: Floats  # n: share of the used markers with any data
    from_calls: Bools  # n: the plant's evidence is called genotypes, not reads
    maternal_scored: Ints  # n: markers of maternal inheritance with a call
    maternal_agree: Ints  # n: of these, as in the mother line
    wells: Ints  # n: wells with data
    well_discordance: Floats  # n: largest share of markers at which two of its wells differ
    wells_disagree: Bools  # n: wells judged alone lead to different classes
    converged: bool
    rounds: int
    log_evidence: float
    mother_versions: Texts  # readings of the mother tube that were weighed, likeliest first
    mother_version_probability: Floats
    father_versions: Texts
    father_version_probability: Floats
    mother_departure: float  # expected share of used markers at which the mother plant is not as its line
    father_departure: float
    run_departure: float  # expected share at which parent plants of the run are not as their lines
    parent_faults: Floats  # 2, fault: posterior of each of `FAULTS`, mother and father
    segregates: (
        Bools  # 2: mother, father is an F1 or otherwise heterozygous: few markers are contrast markers
    )
    phase_open: Bools  # 2: mother and father segregate, from lines that are not known
    departure_parent: Texts  # departure: "mother" or "father"
    departure_row: Ints  # departure: joined marker row
    departure_line: Ints  # departure: genotype index of the line
    departure_plant: Ints  # departure: likeliest genotype index of the plant
    departure_probability: Floats  # departure: probability that the plant departs here
    marker_rows: Ints  # joined rows of the markers used

    def __len__(self) -> int:
        return len(self.plants)


@dataclass(frozen=True)
class Judgement:
    """Verdict on one plant.

    `settle`: what would settle an undetermined one, in words, else "". `parents`: lines to type first, where
    it waits for a parent.
    """

    verdict: Verdict
    leading: Verdict
    decision: Decision
    reason: Reason
    settle: str
    parents: tuple[str, ...]
    flags: tuple[str, ...]


def to_arrays(item: Any) -> dict[str, NDArray[Any]]:
    """Fields of a flat frozen dataclass as numpy arrays without objects, for `numpy.savez`."""
    return {f.name: np.asarray(getattr(item, f.name)) for f in fields(item)}


def family_from_arrays(arrays: Mapping[str, NDArray[Any]]) -> FamilyResult:
    """The `FamilyResult` that `to_arrays` took apart."""
    hints = get_type_hints(FamilyResult)
    values: dict[str, Any] = {}
    for f in fields(FamilyResult):
        value = arrays[f.name]
        values[f.name] = hints[f.name](value[()]) if hints[f.name] in (str, bool, int, float) else value
    return FamilyResult(**values)
