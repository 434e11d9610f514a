"""The columns of the tables of rates, of one season and of several."""

from __future__ import annotations

from crossproof.io.results.result_column import (
    INTERVAL,
    NUMBER,
    PROVABLE,
    WHOLE,
    YES_NO,
    ResultColumn,
    limits,
)

_C, _W, _N, _Y = ResultColumn, WHOLE, NUMBER, YES_NO


def _rate(name: str, meaning: str) -> tuple[ResultColumn, ...]:
    """A rate with its limits, the bounds that plants without a verdict leave, and its shrunk value."""
    return (
        _C(name, meaning, "", 4),
        *limits(name),
        _C(f"{name}_bound_low", f"{name} if no plant without a verdict counted", "", 4),
        _C(f"{name}_bound_high", f"{name} if every plant without a verdict counted", "", 4),
        _C(f"{name}_shrunk", f"{name} drawn towards the overall rate, the more so the fewer the data", "", 4),
        *limits(f"{name}_shrunk"),
    )


_DETERMINED = (
    _W("determined", "plants with a verdict that are not held"),
    _W("counted", "those of tags none of whose plants wait for a parent or an answer about the tag"),
)
_BY_VERDICT = (
    _W("hybrid", "plants of verdict hybrid"),
    _W("self", "plants of verdict self"),
    _W("outcross", "plants of verdict outcross"),
    _W("off_pedigree", "plants of verdict off_pedigree"),
    _W("undetermined", "plants without a verdict"),
    _W("held", "plants on hold; their verdicts count in no rate"),
)
_TESTED = _W("tested", "plants genotyped: those of each verdict, undetermined and held")
_EXPECTED = (
    _C("expected_hybrid", "sum of the probabilities of hybrid", "plants", 3),
    _C("expected_self", "sum of the probabilities of self", "plants", 3),
    _C("expected_outcross", "sum of the probabilities of outcross", "plants", 3),
    _C("expected_off_pedigree", "sum of the probabilities of off_pedigree", "plants", 3),
)
_POD_SET = (_C("pod_set", "pods over flowers", "", 4), *limits("pod_set"))
_CLASS_RATES = (
    *_rate("hybrid_rate", "hybrids among the counted plants"),
    *_rate("selfing_rate", "selfs among the counted plants"),
    *_rate("outcrossing_rate", "outcrosses among the counted plants"),
    *_rate("off_pedigree_rate", "off_pedigree plants among the counted plants"),
)
_PER_FLOWER = _C("hybrids_per_flower", "hybrid seeds for each flower pollinated", "", 4)
_TRUE_SUCCESS = _rate("true_success", "share of flowers whose pod holds at least one hybrid, typed or not")

_SELFED_SEED = _C("selfed_seed_share", "per seed: share of the seed harvested that is selfed", "", 4)
_SELFED_FLOWERS = _C(
    "selfed_flower_share", "per flower: selfed share of the flowers that set a pod, each pod once", "", 4
)
_TAGS = (
    _W("tags", "crosses tagged"),
    _W("tags_tested", "crosses with plants genotyped"),
    _W("flowers", "flowers pollinated"),
    _W("pods", "pods harvested"),
    _W("seeds", "seeds harvested"),
)

_GROUP = (
    *_TAGS,
    _TESTED,
    *_DETERMINED,
    *_BY_VERDICT,
    *_EXPECTED,
    *_CLASS_RATES,
    _SELFED_SEED,
    *limits("selfed_seed_share"),
    _SELFED_FLOWERS,
    *limits("selfed_flower_share"),
    *_POD_SET,
    *_TRUE_SUCCESS,
    _W(
        "pods_with_several_typed",
        "pods with two or more plants typed; they tell whether pods are mixed: where "
        "there are few, true_success is the middle of what the records allow",
    ),
    _PER_FLOWER,
    *limits("hybrids_per_flower"),
)
"""Counts and rates of a group of tags, in the order of the tables."""

CROSSES = (
    _C("cross_id", "number on the tag"),
    _C("mother", "mother line on record"),
    _C("father", "father line on record"),
    _C("date", "day of pollination"),
    _C("time", "time of pollination"),
    _C("hour", "time of pollination as hours since midnight", "h", 2),
    _C("week", "ISO week of the pollination"),
    _C("operator", "who made the cross"),
    _W("flowers", "flowers pollinated"),
    _W("pods", "pods harvested"),
    _W("seeds", "seeds harvested"),
    _N("temperature_c", "air temperature at pollination", "°C"),
    _N("anthers_removed", "anthers taken out of each flower"),
    _W("target_hybrids", "hybrid plants wanted"),
    _C("notes", "notes on the record"),
    _TESTED,
    *_BY_VERDICT,
    *_DETERMINED,
    *_EXPECTED,
    *_POD_SET,
    *_CLASS_RATES,
    _W("pods_tested", "pods with a plant genotyped"),
    _C("pods_with_hybrid", "expected pods with at least one hybrid", "pods", 3),
    _PER_FLOWER,
    *_TRUE_SUCCESS,
    _SELFED_SEED,
    _SELFED_FLOWERS,
    _C("true_success_basis", "how true_success was reached: by pod, or from pod set"),
    _C("verifiable", f"whether the markers can prove this cross: {PROVABLE}; empty without plants typed"),
    _W("target", "hybrid plants wanted"),
    _W("hybrids_found", "hybrid plants found"),
    _W("seeds_left", "seeds in store"),
    _C("p_target", "probability that the seeds in store reach the target", "", 4),
    _W("seeds_next", "seeds to genotype next"),
    _C("expected_tests", "mean number of tests until the target", "plants", 1),
    _W("seeds_to_test", "where the next step is test stored seed: seeds to genotype to reach the target"),
    _W("flowers_to_repeat", "where the next step is repeat: flowers to pollinate to reach the target"),
    _W("tests_needed", "tests in all, of stored and new seeds"),
    _C("test_cost", "cost of these tests", "", 2),
    _C("next_step", "what to do next: hold, type the parent, retest, test stored seed, repeat or done"),
    _C("next_step_detail", "what the next step asks for or waits for"),
    _C("findings", "what was found about its plants and plates"),
)

OPERATORS = (
    _C("operator", "who made the crosses"),
    *_GROUP,
    _W("counted_self", "selfs among the counted plants"),
    _C(
        "expected_given_conditions",
        "selfs of an average person with these mothers, hours, weeks",
        "plants",
        2,
    ),
    _C("observed_to_expected", "selfs observed over selfs expected", "", 4),
    *limits("observed_to_expected"),
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
    _C("phi", "how much more people differ than by chance; 1 is not at all", "", 4),
    _C("phi_used", "the value applied to the limits", "", 4),
    _N("p", "probability of so large a difference from the expected by chance"),
    _N("q", "share of false alarms among people judged this far off or further"),
    _C("judgement", "whether the difference is more than chance"),
    _C("allowed_for", "conditions that the comparison allows for"),
    _C("note", "what to mind in reading this row"),
)

RATES_BY = (
    _C("factor", "column of the crosses that the rates are given by"),
    _C("level", "its value"),
    *_GROUP,
    _Y("too_few", "whether plants or tags are too few for a judgement"),
)

FACTORS = (
    _C("term", "what may explain selfs"),
    _C("level", "the level or unit compared"),
    _C("reference", "the level it is compared with"),
    _W("plants", "plants with this level"),
    _W("self", "selfs among them"),
    _C("odds_ratio", "odds of a self against a hybrid, the other terms allowed for", "", 4),
    _C("low", f"odds_ratio, {INTERVAL}, lower", "", 4),
    _C("high", f"odds_ratio, {INTERVAL}, upper", "", 4),
    _N("p", "probability of so large a difference by chance"),
    _C("alone", "odds ratio of this term by itself", "", 4),
    *limits("alone"),
    _C("events_per_term", "plants of the rarer verdict for each term; at least 10 are wanted", "", 1),
    _C("variance_inflation", "how much the other terms blur this one; 1 is not at all", "", 2),
    _C("note", "what to mind in reading this term"),
)

LEARNING = (
    _C("operator", "who made the crosses"),
    _C("week", "ISO week"),
    _W("tags", "crosses tagged in the week"),
    _W("flowers", "flowers pollinated in the week"),
    _W("flowers_before", "flowers pollinated before the week"),
    _W("determined", "plants with a verdict that rates count"),
    _W("self", "plants of verdict self"),
    _C("selfing_rate", "selfs among these plants", "", 4),
    *limits("selfing_rate"),
    _C("selfing_rate_so_far", "selfing rate of the season up to the week", "", 4),
    _C("trend", "odds ratio of a self for each doubling of the flowers made before", "", 4),
    *limits("trend"),
    _N("p", "probability of so large a trend by chance"),
    _N("q", "share of false alarms among trends this clear or clearer"),
    _C("note", "what to mind in reading this row"),
)

CONTROL_CHART = (
    _C("week", "ISO week"),
    _W("week_number", "number of the week, counted from the first"),
    _W("tags", "crosses tagged in the week"),
    _W("determined", "plants with a verdict that rates count"),
    _W("self", "plants of verdict self"),
    _C("effective", "independent plants that the week's plants are worth", "plants", 1),
    _C("selfing_rate", "selfs among these plants", "", 4),
    _C("centre", "selfing rate of all weeks", "", 4),
    _C("low", "limit of chance for so many plants, lower", "", 4),
    _C("high", "limit of chance for so many plants, upper", "", 4),
    _Y("out", "whether the week lies outside the limits"),
    _C("centre_without_out", "selfing rate without the weeks outside", "", 4),
    _C("low_without_out", "lower limit without the weeks outside", "", 4),
    _C("high_without_out", "upper limit without the weeks outside", "", 4),
)

YEARS_RATES = (_C("season", "name of the season"), *RATES_BY[:-1])

YEARS_LEVELS = (
    _C("factor", "person, line, hour or temperature"),
    _C("level", "which of them"),
    _C("measure", "the rate compared"),
    _W("seasons", "seasons with enough tags to compare"),
    _C("odds_ratio", "odds against everyone else of the same season, season as a random effect", "", 4),
    _C("low", f"odds_ratio, {INTERVAL}, lower", "", 4),
    _C("high", f"odds_ratio, {INTERVAL}, upper", "", 4),
    _N("p", "probability of so large a difference by chance"),
    _N("q", "share of false alarms among differences this clear or clearer"),
    _C("course", "what may be said over the seasons"),
    _C("changed", "odds ratio of its last season against its earlier ones", "", 4),
    *limits("changed"),
    _N("changed_q", "share of false alarms among changes this clear or clearer"),
    _C("change", "what may be said of the change"),
)

YEARS_TRENDS = (
    _C("measure", "the rate of the whole season"),
    _W("seasons", "seasons in which it is known"),
    _C("odds_ratio", "odds of one season against the season before", "", 4),
    _C("low", f"odds_ratio, {INTERVAL} for these seasons, lower", "", 4),
    _C("high", f"odds_ratio, {INTERVAL} for these seasons, upper", "", 4),
    _N("p_these", "probability of so clear a direction by chance, these seasons as they were"),
    _N("p_any", "the same with season as a random effect; from three seasons on, and weak below six"),
    _C("course", "what may be said of the direction"),
)

YEARS_REPEATS = (
    _C("mother", "mother line"),
    _C("father", "father line"),
    _W("seasons", "seasons in which it was tried"),
    _W("tags", "crosses tagged"),
    _W("flowers", "flowers pollinated"),
    _W("hybrids", "hybrid plants found"),
    _W("seasons_reached", "seasons in which the target was reached"),
    _C("first", "first season"),
    _C("last", "last season"),
)
