"""The columns of every results table, declared once: name, meaning, unit, decimals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class ResultColumn:
    """One column of a results table; `decimals` None means 6 significant digits where it is a number."""

    name: str
    meaning: str
    unit: str = ""
    decimals: int | None = None


_C = ResultColumn

_INTERVAL = "95 % limits"

VERDICTS = (
    _C("plant", "name of the plant"),
    _C("sample_id", "the plant's sample; of several wells the first"),
    _C("samples", "all samples of the plant, joined by ;"),
    _C("cross_id", "number on the tag"),
    _C("mother", "mother line on record"),
    _C("father", "father line on record"),
    _C("operator", "who made the cross"),
    _C("date", "day of pollination"),
    _C("plate", "plate of the first well"),
    _C("well", "first well"),
    _C("pod", "pod the seed came from"),
    _C("verdict", "what the plant is: hybrid, self, outcross, off_pedigree or undetermined"),
    _C("decision", "what to do: keep, cull, retest or hold"),
    _C("reason", "why there is no verdict, or why the decision is put off"),
    _C("p_hybrid", "probability that it is the hybrid of the tag", "", 6),
    _C("p_self", "probability that the mother pollinated itself", "", 6),
    _C("p_outcross", "probability that other pollen reached the mother", "", 6),
    _C("p_off_pedigree", "probability that it is seed of anything else", "", 6),
    _C("lod", "log10 of the likelihood of hybrid over the best other class", "log10", 2),
    _C("contrast_markers", "markers at which the parents are fixed for different alleles"),
    _C("contrast_scored", "contrast markers with a call in this plant"),
    _C("contrast_het", "contrast markers at which the plant is heterozygous"),
    _C("het_share", "contrast_het over contrast_scored", "", 4),
    _C("het_low", f"het_share, {_INTERVAL} (Wilson), lower", "", 4),
    _C("het_high", f"het_share, {_INTERVAL} (Wilson), upper", "", 4),
    _C("foreign_calls", "calls with an allele that neither parent has"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("likely_source", "most probable origin, where it is not the hybrid of the tag"),
    _C("source_probability", "probability of likely_source", "", 4),
    _C("flags", "what else to know of this plant, joined by ;"),
    _C("leading_class", "the most probable class, whether or not it is sure enough"),
    _C("settle", "what would settle an undetermined plant"),
)

CROSSES = (
    _C("cross_id", "number on the tag"),
    _C("mother", "mother line on record"),
    _C("father", "father line on record"),
    _C("date", "day of pollination"),
    _C("time", "time of pollination"),
    _C("operator", "who made the cross"),
    _C("flowers", "flowers pollinated"),
    _C("pods", "pods harvested"),
    _C("seeds", "seeds harvested"),
    _C("temperature_c", "air temperature at pollination", "°C"),
    _C("anthers_removed", "anthers taken out of each flower"),
    _C("target_hybrids", "hybrid plants wanted"),
    _C("tested", "plants genotyped"),
    _C("determined", "plants with a verdict"),
    _C("hybrid", "plants of verdict hybrid"),
    _C("self", "plants of verdict self"),
    _C("outcross", "plants of verdict outcross"),
    _C("off_pedigree", "plants of verdict off_pedigree"),
    _C("undetermined", "plants without a verdict"),
    _C("expected_hybrids", "sum of the probabilities of hybrid", "plants", 2),
    _C("hybrid_rate", "hybrids among the determined plants", "", 4),
    _C("hybrid_rate_low", f"hybrid_rate, {_INTERVAL}, lower", "", 4),
    _C("hybrid_rate_high", f"hybrid_rate, {_INTERVAL}, upper", "", 4),
    _C("pod_set", "pods over flowers", "", 4),
    _C("true_success", "share of flowers that gave at least one verified hybrid", "", 4),
    _C("true_success_low", f"true_success, {_INTERVAL}, lower", "", 4),
    _C("true_success_high", f"true_success, {_INTERVAL}, upper", "", 4),
    _C("verifiable", "whether the panel can prove this cross"),
    _C("next_step", "what to do next about this cross"),
    _C("seeds_to_test", "seeds in store to genotype to reach the target"),
    _C("flowers_to_repeat", "flowers to pollinate to reach the target"),
)

_RATES = (
    _C("tags", "crosses tagged"),
    _C("flowers", "flowers pollinated"),
    _C("tested", "plants genotyped"),
    _C("determined", "plants with a verdict"),
    *(
        column
        for rate, meaning in (
            ("hybrid_rate", "hybrids among the determined plants"),
            ("self_rate", "selfs among the determined plants"),
            ("outcross_rate", "outcrosses among the determined plants"),
            ("true_success", "share of flowers that gave at least one verified hybrid"),
        )
        for column in (
            _C(rate, meaning, "", 4),
            _C(f"{rate}_low", f"{rate}, {_INTERVAL}, lower", "", 4),
            _C(f"{rate}_high", f"{rate}, {_INTERVAL}, upper", "", 4),
        )
    ),
)

OPERATORS = (
    _C("operator", "who made the crosses"),
    *_RATES,
    _C("bound_low", "hybrid rate if no undetermined plant were a hybrid", "", 4),
    _C("bound_high", "hybrid rate if all undetermined plants were hybrids", "", 4),
    _C("expected_rate", "hybrid rate expected from the crosses this person made", "", 4),
    _C("funnel_position", "place on the funnel: inside, above or below"),
    _C("judgement", "whether the difference is more than chance"),
)

FACTORS = (
    _C("term", "what may explain failed crosses"),
    _C("level", "the level or unit compared"),
    _C("odds_ratio", "odds of a self against a hybrid", "", 4),
    _C("odds_ratio_low", f"odds_ratio, {_INTERVAL}, lower", "", 4),
    _C("odds_ratio_high", f"odds_ratio, {_INTERVAL}, upper", "", 4),
    _C("p_value", "probability of so large a difference by chance", "", 6),
    _C("note", "what to mind in reading this term"),
)

PLATES = (
    _C("plate", "name of the plate"),
    _C("batch", "genotype file"),
    _C("wells", "wells in use"),
    _C("call_rate", "share of calls made", "", 4),
    _C("blanks", "blank wells"),
    _C("blanks_with_calls", "blank wells with calls"),
    _C("concordance", "agreement of replicates", "", 4),
    _C("finding", "what the plate checks propose"),
    _C("log10_odds", "log10 odds of the proposal over the plate as labelled", "log10", 2),
    _C("wells_changed", "the wells that would change"),
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
    _C("plant", "name of the plant"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("heterozygosity", "share of calls that are heterozygous", "", 4),
    _C("finding", "what was found"),
)

MARKERS = (
    _C("marker", "name of the marker"),
    _C("chrom", "chromosome"),
    _C("pos", "position", "bp"),
    _C("alleles", "alleles, joined by /"),
    _C("inheritance", "nuclear or maternal"),
    _C("call_rate", "share of plants called", "", 4),
    _C("false_heterozygote", "rate of homozygotes called heterozygous", "", 6),
    _C("dropout", "rate of heterozygotes called homozygous", "", 6),
    _C("used", "whether the marker is used"),
    _C("reason", "why it is set aside"),
)

LINES = (
    _C("line", "name of the line"),
    _C("wells", "wells with this line"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("heterozygosity", "share of markers heterozygous", "", 4),
    _C("concordance", "agreement of replicates", "", 4),
    _C("conflict", "wells that contradict the others"),
    _C("likely_line", "line that the contradicting wells match"),
)

PROBLEMS = (
    _C("severity", "error, warning or note"),
    _C("file", "the file"),
    _C("row", "row as a spreadsheet or text editor shows it"),
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
    "factors": FACTORS,
    "plates": PLATES,
    "samples": SAMPLES,
    "markers": MARKERS,
    "lines": LINES,
    "problems": PROBLEMS,
    "changes": CHANGES,
}
