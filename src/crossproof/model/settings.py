"""What the model is told: thresholds, starting error rates, priors."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.declaration import default
from crossproof.model.results import Relation, Verdict


@dataclass(frozen=True)
class Settings:
    """Thresholds, starting values and priors of the model; names and defaults are those of config.yaml.

    All rates, shares and probabilities are between 0 and 1. `max_markers_per_cross` None means all.
    """

    min_posterior: float = default("min_posterior")
    min_call_rate: float = default("min_call_rate")
    min_marker_call_rate: float = default("min_marker_call_rate")
    min_markers_scored: int = default("min_markers_scored")
    false_heterozygote: float = default("false_heterozygote")
    dropout: float = default("dropout")
    swap: float = default("swap")
    floor: float = default("floor")
    read_error: float = default("read_error")
    overdispersion: float = default("overdispersion")
    parent_departure: float = default("parent_departure")
    inbreeding: float = default("inbreeding")
    class_prior: tuple[float, float, float, float] = default("class_prior")
    panel_donor_share: float = default("panel_donor_share")
    max_markers_per_cross: int | None = default("max_markers_per_cross")
    max_false_heterozygote: float = default("max_false_heterozygote")
    line_conflict: float = default("line_conflict")
    centimorgan_per_megabase: float = default("centimorgan_per_megabase")
    wrong_tube: float = 0.01
    """Prior probability that the single tube of a line held something else."""
    wrong_plant: float = 0.03
    """Prior probability that a parent plant was not of its line, or one foreign donor made the whole pod."""
    heterogeneous_line: float = 0.03
    """Prior probability that a parent plant departs from its line as plants of a heterogeneous line do."""
    later_generation: float = 0.01
    """Prior probability that a whole tag is seed of a later generation of its cross."""


RELATION_WEIGHTS: dict[Relation, float] = {
    Relation.FATHER_SELFED: 0.20,
    Relation.ADVANCED: 0.20,
    Relation.BACKCROSS_MOTHER: 0.10,
    Relation.BACKCROSS_FATHER: 0.10,
    Relation.RECIPROCAL: 0.05,
    Relation.OTHER_LINE: 0.15,
    Relation.OTHER_CROSS: 0.15,
    Relation.UNKNOWN: 0.10,
}
"""Prior weights of the relations inside the class off_pedigree; those that cannot occur in a family (no other
cross in the records, no maternal markers to tell a reciprocal cross) leave their weight to the rest. No
source: seed of the father line and later generations are taken as commonest."""

CLASS_INDEX: dict[Verdict, int] = {
    Verdict.HYBRID: 0,
    Verdict.SELF: 1,
    Verdict.OUTCROSS: 2,
    Verdict.OFF_PEDIGREE: 3,
}
"""Places of the classes on every class axis, as in `model.results.CLASSES`."""
