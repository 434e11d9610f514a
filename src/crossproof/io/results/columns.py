"""The columns of every results table, declared once: name, meaning, unit, decimals."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from crossproof.model.results import Need, Provable


@dataclass(frozen=True)
class ResultColumn:
    """One column of a results table; `decimals` None means 6 significant digits where it is a number."""

    name: str
    meaning: str
    unit: str = ""
    decimals: int | None = None


_C = ResultColumn

_INTERVAL = "95 % limits"

_PROVABLE = ", ".join(str(state) for state in Provable if state is not Provable.UNKNOWN)

_NEEDS = ", ".join(str(need) for need in Need if need is not Need.NOTHING)

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
    _C("place", "where the plant stands; of several wells the first that says it"),
    _C("verdict", "what the plant is: hybrid, self, outcross, off_pedigree or undetermined"),
    _C("decision", "what to do: keep, cull, retest or hold"),
    _C("reason", "why there is no verdict, or why the decision is put off"),
    _C("p_hybrid", "probability that it is the hybrid of the tag", "", 6),
    _C("p_self", "probability that the mother pollinated itself", "", 6),
    _C("p_outcross", "probability that other pollen reached the mother", "", 6),
    _C("p_off_pedigree", "probability that it is seed of anything else", "", 6),
    _C("lod", "log10 of the likelihood of hybrid over the best other class", "log10", 2),
    _C("verifiable", f"whether the markers can prove its cross: {_PROVABLE}"),
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
    _C("waits_for", f"what the plant waits for: {_NEEDS}; empty where it can be kept or culled"),
    _C("parents_to_type", "parent lines to type first, joined by ;"),
)


def _limits(name: str, decimals: int = 4) -> tuple[ResultColumn, ...]:
    return (
        _C(f"{name}_low", f"{name}, {_INTERVAL}, lower", "", decimals),
        _C(f"{name}_high", f"{name}, {_INTERVAL}, upper", "", decimals),
    )


def _rate(name: str, meaning: str) -> tuple[ResultColumn, ...]:
    """A rate with its limits, the bounds that plants without a verdict leave, and its shrunk value."""
    return (
        _C(name, meaning, "", 4),
        *_limits(name),
        _C(f"{name}_bound_low", f"{name} if no plant without a verdict counted", "", 4),
        _C(f"{name}_bound_high", f"{name} if every plant without a verdict counted", "", 4),
        _C(f"{name}_shrunk", f"{name} pulled towards that of all, the more the fewer the data", "", 4),
        *_limits(f"{name}_shrunk"),
    )


_COUNTS = (
    _C("tested", "plants genotyped: those of each verdict, undetermined and held"),
    _C("determined", "plants with a verdict that are not held"),
    _C("hybrid", "plants of verdict hybrid"),
    _C("self", "plants of verdict self"),
    _C("outcross", "plants of verdict outcross"),
    _C("off_pedigree", "plants of verdict off_pedigree"),
    _C("undetermined", "plants without a verdict"),
    _C("held", "plants on hold; their verdicts count in no rate"),
    _C("expected_hybrid", "sum of the probabilities of hybrid", "plants", 3),
    _C("expected_self", "sum of the probabilities of self", "plants", 3),
    _C("expected_outcross", "sum of the probabilities of outcross", "plants", 3),
    _C("expected_off_pedigree", "sum of the probabilities of off_pedigree", "plants", 3),
)

_RATES = (
    _C("pod_set", "pods over flowers", "", 4),
    *_limits("pod_set"),
    *_rate("hybrid_rate", "hybrids among the determined plants"),
    *_rate("selfing_rate", "selfs among the determined plants"),
    *_rate("outcrossing_rate", "outcrosses among the determined plants"),
    *_rate("off_pedigree_rate", "off_pedigree plants among the determined plants"),
    _C("hybrids_per_flower", "hybrid seeds for each flower pollinated", "", 4),
    *_limits("hybrids_per_flower"),
    *_rate("true_success", "share of flowers whose pod holds at least one hybrid, typed or not"),
)

_SELFED_SEED = _C("selfed_seed_share", "per seed: share of the seed harvested that is selfed", "", 4)
_SELFED_FLOWERS = _C(
    "selfed_flower_share", "per flower: selfed share of the flowers that set a pod, each pod once", "", 4
)
_TWO_QUESTIONS = (
    _SELFED_SEED,
    *_limits("selfed_seed_share"),
    _SELFED_FLOWERS,
    *_limits("selfed_flower_share"),
    _C("pods_with_several_typed", "pods with two or more plants typed; they tell whether pods are mixed"),
)

_TAGS = (
    _C("tags", "crosses tagged"),
    _C("tags_tested", "crosses with plants genotyped"),
    _C("flowers", "flowers pollinated"),
    _C("pods", "pods harvested"),
    _C("seeds", "seeds harvested"),
)

CROSSES = (
    _C("cross_id", "number on the tag"),
    _C("mother", "mother line on record"),
    _C("father", "father line on record"),
    _C("date", "day of pollination"),
    _C("time", "time of pollination"),
    _C("hour", "time of pollination as hours since midnight", "h", 2),
    _C("week", "ISO week of the pollination"),
    _C("operator", "who made the cross"),
    _C("flowers", "flowers pollinated"),
    _C("pods", "pods harvested"),
    _C("seeds", "seeds harvested"),
    _C("temperature_c", "air temperature at pollination", "°C"),
    _C("anthers_removed", "anthers taken out of each flower"),
    _C("target_hybrids", "hybrid plants wanted"),
    _C("notes", "notes on the record"),
    *_COUNTS,
    *_RATES,
    _SELFED_SEED,
    _SELFED_FLOWERS,
    _C("pods_tested", "pods with a plant genotyped"),
    _C("pods_with_hybrid", "expected pods with at least one hybrid", "pods", 3),
    _C("true_success_basis", "how true_success was reached: by pod, or from pod set"),
    _C("verifiable", f"whether the markers can prove this cross: {_PROVABLE}; empty without plants typed"),
    _C("target", "hybrid plants wanted"),
    _C("hybrids_found", "hybrid plants found"),
    _C("seeds_left", "seeds in store"),
    _C("p_target", "probability that the seeds in store reach the target", "", 4),
    _C("seeds_next", "seeds to genotype next"),
    _C("expected_tests", "mean number of tests until the target", "plants", 1),
    _C("seeds_to_test", "where the next step is test stored seed: seeds to genotype to reach the target"),
    _C("flowers_to_repeat", "where the next step is repeat: flowers to pollinate to reach the target"),
    _C("tests_needed", "tests in all, of stored and new seeds"),
    _C("test_cost", "cost of these tests", "", 2),
    _C("next_step", "what to do next: hold, type the parent, retest, test stored seed, repeat or done"),
    _C("next_step_detail", "what the next step asks for or waits for"),
)

OPERATORS = (
    _C("operator", "who made the crosses"),
    *_TAGS,
    *_COUNTS,
    *_RATES,
    *_TWO_QUESTIONS,
    _C(
        "expected_given_conditions",
        "selfs of an average person with these mothers, hours, weeks",
        "plants",
        2,
    ),
    _C("observed_to_expected", "selfs observed over selfs expected", "", 4),
    *_limits("observed_to_expected"),
    _C("funnel_n", "independent plants that this person's plants are worth", "plants", 1),
    _C("funnel_centre", "selfing rate expected given mothers, hours and weeks", "", 4),
    _C("funnel_low_95", "95 % limit of chance for so many plants, lower", "", 4),
    _C("funnel_high_95", "95 % limit of chance for so many plants, upper", "", 4),
    _C("funnel_low_998", "99.8 % limit of chance for so many plants, lower", "", 4),
    _C("funnel_high_998", "99.8 % limit of chance for so many plants, upper", "", 4),
    _C("funnel", "place among these limits; none where it cannot be told from a mother line"),
    _C("funnel_rate", "selfing rate as it would be under everyone's conditions", "", 4),
    _C("funnel_pooled", "selfing rate of all", "", 4),
    _C("told_apart", "share of the comparison that mothers, hours and weeks leave", "", 4),
    _C("phi", "how much more people differ than chance lets them; 1 is not at all", "", 4),
    _C("phi_used", "the value applied to the limits", "", 4),
    _C("p", "probability of so large a difference from the expected by chance"),
    _C("q", "share of false alarms among people judged this far off or further"),
    _C("judgement", "whether the difference is more than chance"),
    _C("allowed_for", "conditions that the comparison allows for"),
    _C("note", "what to mind in reading this row"),
)

RATES_BY = (
    _C("factor", "column of the crosses that the rates are given by"),
    _C("level", "its value"),
    *_TAGS,
    *_COUNTS,
    *_RATES,
    *_TWO_QUESTIONS,
    _C("too_few", "whether plants or tags are too few for a judgement"),
)

FACTORS = (
    _C("term", "what may explain selfs"),
    _C("level", "the level or unit compared"),
    _C("reference", "the level it is compared with"),
    _C("plants", "plants with this level"),
    _C("self", "selfs among them"),
    _C("odds_ratio", "odds of a self against a hybrid, the other terms allowed for", "", 4),
    _C("low", f"odds_ratio, {_INTERVAL}, lower", "", 4),
    _C("high", f"odds_ratio, {_INTERVAL}, upper", "", 4),
    _C("p", "probability of so large a difference by chance"),
    _C("alone", "odds ratio of this term by itself", "", 4),
    *_limits("alone"),
    _C("events_per_term", "plants of the rarer verdict for each term; at least 10 are wanted", "", 1),
    _C("variance_inflation", "how much the other terms blur this one; 1 is not at all", "", 2),
    _C("note", "what to mind in reading this term"),
)

LEARNING = (
    _C("operator", "who made the crosses"),
    _C("week", "ISO week"),
    _C("tags", "crosses tagged in the week"),
    _C("flowers", "flowers pollinated in the week"),
    _C("flowers_before", "flowers pollinated before the week"),
    _C("determined", "plants with a verdict"),
    _C("self", "plants of verdict self"),
    _C("selfing_rate", "selfs among the determined plants", "", 4),
    *_limits("selfing_rate"),
    _C("selfing_rate_so_far", "selfing rate of the season up to the week", "", 4),
    _C("trend", "odds ratio of a self for each doubling of the flowers made before", "", 4),
    *_limits("trend"),
    _C("p", "probability of so large a trend by chance"),
    _C("q", "share of false alarms among trends this clear or clearer"),
    _C("note", "what to mind in reading this row"),
)

CONTROL_CHART = (
    _C("week", "ISO week"),
    _C("week_number", "number of the week, counted from the first"),
    _C("tags", "crosses tagged in the week"),
    _C("determined", "plants with a verdict"),
    _C("self", "plants of verdict self"),
    _C("effective", "independent plants that the week's plants are worth", "plants", 1),
    _C("selfing_rate", "selfs among the determined plants", "", 4),
    _C("centre", "selfing rate of all weeks", "", 4),
    _C("low", "limit of chance for so many plants, lower", "", 4),
    _C("high", "limit of chance for so many plants, upper", "", 4),
    _C("out", "whether the week lies outside the limits"),
    _C("centre_without_out", "selfing rate without the weeks outside", "", 4),
    _C("low_without_out", "lower limit without the weeks outside", "", 4),
    _C("high_without_out", "upper limit without the weeks outside", "", 4),
)

PLATES = (
    _C("plate", "name of the plate"),
    _C("batch", "genotype file"),
    _C("wells", "wells in use"),
    _C("plants", "progeny plants"),
    _C("parents", "parent wells"),
    _C("blanks", "blank wells"),
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
    _C("inbreeding", "inbreeding of a parent as given"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("heterozygosity", "share of calls that are heterozygous", "", 4),
    _C("state", "used, held or set aside"),
    _C("findings", "what was found"),
)

MARKERS = (
    _C("marker", "name of the marker"),
    _C("chrom", "chromosome"),
    _C("pos", "position", "bp"),
    _C("alleles", "alleles, joined by /"),
    _C("inheritance", "nuclear or maternal"),
    _C("files", "genotype files that have the marker"),
    _C("call_rate", "share of plants called", "", 4),
    _C("false_heterozygote", "rate of homozygotes called heterozygous", "", 6),
    _C("dropout", "rate of heterozygotes called homozygous", "", 6),
    _C("used", "whether the marker is used"),
    _C("reason", "why it is set aside"),
    _C("direct_discordance", "disagreement of replicated plants, counted directly", "", 6),
    _C("replicate_pairs", "pairs of replicates it was counted from"),
)

LINES = (
    _C("line", "name of the line"),
    _C("wells", "wells with this line"),
    _C("wells_with_calls", "those of them with calls"),
    _C("call_rate", "share of markers with a call", "", 4),
    _C("versions", "versions that the wells fall into; 1 where they agree"),
    _C("odd_tubes", "wells that contradict the others"),
    _C("crosses", "crosses it is a parent of"),
    _C("plant_departs_in", "crosses whose parent plant differs from the line"),
    _C("largest_departure", "largest share of markers at which it differs", "", 4),
    _C("departing_markers", "markers at which it differs"),
    _C("findings", "what was found"),
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

YEARS_RATES = (_C("season", "name of the season"), *RATES_BY[:-1])

YEARS_LEVELS = (
    _C("factor", "person, line, hour or temperature"),
    _C("level", "which of them"),
    _C("measure", "the rate compared"),
    _C("seasons", "seasons with enough tags to compare"),
    _C("odds_ratio", "odds against everyone else of the same season, seasons as chance", "", 4),
    _C("low", f"odds_ratio, {_INTERVAL}, lower", "", 4),
    _C("high", f"odds_ratio, {_INTERVAL}, upper", "", 4),
    _C("p", "probability of so large a difference by chance"),
    _C("q", "share of false alarms among differences this clear or clearer"),
    _C("course", "what may be said over the seasons"),
    _C("changed", "odds ratio of its last season against its earlier ones", "", 4),
    *_limits("changed"),
    _C("changed_q", "share of false alarms among changes this clear or clearer"),
    _C("change", "what may be said of the change"),
)

YEARS_TRENDS = (
    _C("measure", "the rate of the whole season"),
    _C("seasons", "seasons in which it is known"),
    _C("odds_ratio", "odds of one season against the season before", "", 4),
    _C("low", f"odds_ratio, {_INTERVAL} for these seasons, lower", "", 4),
    _C("high", f"odds_ratio, {_INTERVAL} for these seasons, upper", "", 4),
    _C("p_these", "probability of so clear a direction by chance, these seasons as they were"),
    _C("p_any", "the same with seasons as chance; from three seasons on, and weak below six"),
    _C("course", "what may be said of the direction"),
)

YEARS_REPEATS = (
    _C("mother", "mother line"),
    _C("father", "father line"),
    _C("seasons", "seasons in which it was tried"),
    _C("tags", "crosses tagged"),
    _C("flowers", "flowers pollinated"),
    _C("hybrids", "hybrid plants found"),
    _C("seasons_reached", "seasons in which the target was reached"),
    _C("first", "first season"),
    _C("last", "last season"),
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
