"""Columns of the plan's tables, declared once for the tables, the page and the documentation."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.results import CLASSES


@dataclass(frozen=True)
class PlanColumn:
    """One column: its name and what it means."""

    name: str
    meaning: str


_C = PlanColumn

CROSS_COLUMNS: tuple[PlanColumn, ...] = (
    _C("cross_id", "number of the planned cross"),
    _C("mother", "line that bears the seed"),
    _C("father", "line that gives the pollen"),
    _C(
        "verifiable",
        "whether a hybrid and a self would both get a correct verdict with the wanted probability: "
        "yes, borderline, not every plant, no (fewer than `min_markers_scored` contrast markers), or parent "
        "not typed (the other figures are then empty)",
    ),
    _C("all_classes", "so do outcrosses and off-pedigree plants"),
    _C("contrast_markers", "markers on the panel at which the two lines are fixed for different alleles"),
    _C("expected_scored", "of these, scored in one plant on average"),
    _C("further_markers", "contrast markers still missing, in markers of the panel's typical quality"),
    _C("suggested_markers", "candidate markers that would make the cross verifiable, joined by ;"),
    *(
        column
        for verdict in CLASSES
        for column in (
            _C(
                f"p_{verdict}", f"probability that a plant of class {verdict} gets that verdict, judged alone"
            ),
            _C(
                f"p_{verdict}_low",
                "lower bound (strict for hybrid and self; 95 % Monte Carlo limit for others)",
            ),
            _C(f"p_{verdict}_high", "upper bound, as before"),
            _C(f"p_{verdict}_how", "exact, or Monte Carlo between the bounds"),
        )
    ),
    _C("hybrid_against_self", "a hybrid's verdict if selfs were the only alternative; exact"),
    _C("self_against_hybrid", "a self's verdict if hybrids were the only alternative; exact"),
    _C("family_size", "plants of one family tested together"),
    _C("family_hybrid_against_self", "hybrid_against_self, judged within such a family; exact"),
    _C("family_self_against_hybrid", "self_against_hybrid, judged within such a family; exact"),
    _C(
        "whole_family_right",
        "at least this probability that all hybrids and selfs of such a family are right",
    ),
)

MARKER_COLUMNS: tuple[PlanColumn, ...] = (
    _C("marker", "name of the marker"),
    _C("chrom", "chromosome"),
    _C("pos", "position"),
    _C("on_panel", "plants are scored there at present"),
    _C("smallest_set", "in the smallest set found for these crosses"),
    _C("add", "to be added to the panel as it is"),
    _C("crosses", "planned crosses whose parents differ there"),
    _C("worth", "evidence in units of the panel's median marker"),
    _C("call_rate", "share of samples with a call"),
    _C("false_heterozygote", "rate of false heterozygotes"),
    _C("dropout", "rate of allelic dropout"),
    _C("cost", "cost of one assay, 1 where not given"),
)

NUMBER_COLUMNS: tuple[PlanColumn, ...] = (
    _C("cross_id", "number of the planned cross"),
    _C("mother", "line that bears the seed"),
    _C("father", "line that gives the pollen"),
    _C("target_hybrids", "hybrids wanted"),
    _C("probability", "wanted probability of reaching them"),
    _C("hybrid_rate", "the team's mean hybrid rate"),
    _C("verified_share", "hybrids that get a correct verdict"),
    _C("seeds_to_test", "seeds to test, with the rate's uncertainty and the likeness of seeds of one pod"),
    _C("seeds_fixed_rate", "seeds to test if the rate were known and seeds were independent (Sedcole)"),
    _C("flowers_to_pollinate", "flowers to pollinate to harvest that many hybrids"),
    _C("flowers_planned", "flowers on the wish list"),
    _C("wells", "wells for its plants"),
    _C("test_cost", "cost of testing them"),
)
