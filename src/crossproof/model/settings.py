"""What the model is told: thresholds, starting error rates, priors."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.results import Relation, Verdict


@dataclass(frozen=True)
class Settings:
    """Thresholds, starting values and priors of the model; the names are those of config.yaml.

    All rates, shares and probabilities are between 0 and 1. `max_markers_per_cross` None means all.
    """

    min_posterior: float = 0.95
    min_call_rate: float = 0.5
    min_marker_call_rate: float = 0.5
    min_markers_scored: int = 3
    false_heterozygote: float = 0.005
    dropout: float = 0.02
    swap: float = 0.002
    floor: float = 0.005
    read_error: float = 0.01
    overdispersion: float = 0.02
    parent_departure: float = 0.02
    inbreeding: float = 0.98
    class_prior: tuple[float, float, float, float] = (6.0, 3.0, 0.8, 0.2)
    panel_donor_share: float = 0.7
    max_markers_per_cross: int | None = 2000
    max_false_heterozygote: float = 0.15
    line_conflict: float = 0.10
    centimorgan_per_megabase: float = 0.0
    """How much of the genetic map a megabase is, where markers have no place on it; 0: one Morgan a
    chromosome."""
    wrong_tube: float = 0.01
    """Prior probability that the single tube of a line held something else."""
    wrong_plant: float = 0.03
    """Prior probability that a parent plant was not of its line, or one foreign donor made the whole pod."""


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
