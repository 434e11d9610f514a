"""The columns of every results table, declared once: name, meaning, unit, kind, decimals; in their order."""

from __future__ import annotations

from collections.abc import Mapping

from crossproof.io.results.rate_columns import (
    CONTROL_CHART,
    CROSSES,
    FACTORS,
    LEARNING,
    OPERATORS,
    RATES_BY,
    YEARS_LEVELS,
    YEARS_RATES,
    YEARS_REPEATS,
    YEARS_TRENDS,
)
from crossproof.io.results.result_column import (
    INTERVAL,
    NUMBER,
    PROVABLE,
    WHOLE,
    YES_NO,
    ColumnKind,
    ResultColumn,
)
from crossproof.model.results import Need

_C, _W, _N, _Y = ResultColumn, WHOLE, NUMBER, YES_NO

_NEEDS = ", ".join(str(need) for need in Need if need is not Need.NOTHING)

VERDICTS = (
    _C("plant", "name of the plant"),
    _C("sample_id", "the plant's sample; of several wells the first"),
    _C("samples", "all samples of the plant, joined by ;"),
    _C("cross_id", "number on the tag"),
    _C("mother", "mother line on record"),
    _C("father", "father line on record"),
    _C("plate", "plate of the first well"),
    _C("well", "first well"),
    _C("pod", "pod the seed came from"),
    _C("place", "where the plant stands; of several wells the first that says it"),
    _C("verdict", "what the plant is: hybrid, self, outcross, off_pedigree or undetermined"),
    _C("decision", "what to do: keep, cull, retest or hold"),
    _C("reason", "why there is no verdict, or why the decision is put off"),
    _C("p_hybrid", "probability that it is the hybrid of the tag", "", 6),
    _C("p_self", "probability that the mother pollinated itself", "", 6),
    _C("p_outcross", "probability that other pollen reached the mother", "", 6),
    _C("p_off_pedigree", "probability that it is seed of anything else", "", 6),
    _C("lod", "log10 of the likelihood of hybrid over the best other class", "log10", 2),
    _C("verifiable", f"whether the markers can prove its cross: {PROVABLE}"),
    _W("contrast_markers", "markers at which the parents are fixed for different alleles"),
    _W("contrast_scored", "contrast markers with a call in this plant"),
    _W("contrast_het", "contrast markers at which the plant is heterozygous"),
    _C("het_share", "contrast_het over contrast_scored", "", 4),
    _C("het_low", f"het_share, {INTERVAL} (Wilson), lower", "", 4),
    _C("het_high", f"het_share, {INTERVAL} (Wilson), upper", "", 4),
    _W("foreign_calls", "calls with an allele that neither parent has"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("likely_source", "most probable origin, where it is not the hybrid of the tag"),
    _C("source_probability", "probability of likely_source", "", 4),
    _C("flags", "what else to know of this plant, joined by ;"),
    _C("leading_class", "the most probable class, whether or not it is sure enough"),
    _C("settle", "what would settle an undetermined plant"),
    _C("waits_for", f"what the plant waits for: {_NEEDS}; empty where it can be kept or culled"),
    _C("parents_to_type", "parent lines to type first, joined by ;"),
)


PLATES = (
    _C("plate", "name of the plate"),
    _C("batch", "genotype file"),
    _W("wells", "wells in use"),
    _W("plants", "progeny plants"),
    _W("parents", "parent wells"),
    _W("blanks", "blank wells"),
    _C("call_rate", "share of calls made", "", 4),
    _C("blank_call_rate", "share of calls made in blank wells", "", 4),
    _C("findings", "what the plate checks found and propose"),
    _C("log10_odds", "log10 odds of the proposal over the plate as labelled", "log10", 2),
    _C("state", "used, held or set aside"),
)

SAMPLES = (
    _C("sample_id", "name in the genotype file"),
    _C("batch", "genotype file"),
    _C("plate", "name of the plate"),
    _C("well", "place on the plate"),
    _C("role", "parent, progeny or blank"),
    _C("line", "line of a parent"),
    _C("cross_id", "tag of a progeny plant"),
    _C("pod", "pod of a progeny plant"),
    _C("plant", "name of the plant"),
    _C("place", "where the plant stands"),
    _N("inbreeding", "inbreeding of a parent as given"),
    _C("line_mother", "mother line of a parent that is an F1"),
    _C("line_father", "father line of a parent that is an F1"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("heterozygosity", "share of calls that are heterozygous", "", 4),
    _C("state", "used, held or set aside"),
    _C("findings", "what was found"),
)

MARKERS = (
    _C("marker", "name of the marker"),
    _C("chrom", "chromosome"),
    _W("pos", "position", "bp"),
    _C("alleles", "alleles, joined by /"),
    _C("inheritance", "nuclear or maternal"),
    _W("files", "genotype files that have the marker"),
    _C("call_rate", "share of plants called", "", 4),
    _C("false_heterozygote", "rate of homozygotes called heterozygous", "", 6),
    _C("dropout", "rate of heterozygotes called homozygous", "", 6),
    _Y("used", "whether the marker is used"),
    _C("reason", "why it is set aside"),
    _W("replicate_pairs", "pairs of replicates it was counted from"),
    _C("size_bins", "fragment sizes taken for one allele, and stray ones; | between files that differ"),
)

LINES = (
    _C("line", "name of the line"),
    _W("wells", "wells with this line"),
    _W("wells_with_calls", "those of them with calls"),
    _C("call_rate", "share of markers with a call", "", 4),
    _W("versions", "versions that the wells fall into; 1 where they agree"),
    _W("odd_tubes", "wells that contradict the others"),
    _W("crosses", "crosses it is a parent of"),
    _C("plant_departs_in", "crosses whose parent plant differs from the line"),
    _C("largest_departure", "largest share of markers at which it differs", "", 4),
    _W("departing_markers", "markers at which it differs"),
    _C("findings", "what was found"),
)

PROBLEMS = (
    _C("severity", "error, warning or note"),
    _C("file", "the file"),
    _W("row", "row as a spreadsheet or text editor shows it"),
    _C("column", "the column"),
    _C("value", "what is there"),
    _C("problem", "what is wrong, and why it matters"),
    _C("remedy", "what to do"),
)

CHANGES = (
    _C("plant", "name of the plant"),
    _C("cross_id", "number on the tag"),
    _C("verdict_before", "verdict of the run before"),
    _C("verdict_now", "verdict of this run"),
    _C("cause", "what changed it"),
)

RESULT_COLUMNS: Mapping[str, tuple[ResultColumn, ...]] = {
    "verdicts": VERDICTS,
    "crosses": CROSSES,
    "operators": OPERATORS,
    "rates_by": RATES_BY,
    "factors": FACTORS,
    "learning": LEARNING,
    "control_chart": CONTROL_CHART,
    "years_rates": YEARS_RATES,
    "years_levels": YEARS_LEVELS,
    "years_trends": YEARS_TRENDS,
    "years_repeats": YEARS_REPEATS,
    "plates": PLATES,
    "samples": SAMPLES,
    "markers": MARKERS,
    "lines": LINES,
    "problems": PROBLEMS,
    "changes": CHANGES,
}

__all__ = ["RESULT_COLUMNS", "ColumnKind", "ResultColumn"]
