"""What goes with selfing: odds ratios, and when not to give one.

    tag     one row: its selfs y, its hybrids m, and what was recorded of it
    factor  hour, temperature, person, mother line ..: a number, or levels
    term    one column of the model: a number's slope, or one level against the reference level
    events  the rarer of selfs and hybrids

The rules, in order: a factor recorded for too few plants, or the same everywhere, is left out; small levels
are joined; factors enter in their given order while at least ten events per term remain (Peduzzi et al.
1996, Journal of Clinical Epidemiology 49:1373-1379); a term that others determine is left out; a term that
separates selfs from hybrids gets the direction of a penalised fit and no limits. Everything left out is a
row with its reason. What two factors share is said in words: no model can tell them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.rates.estimators.clusters import group_sum
from crossproof.rates.estimators.confounding import Factor, shared_sentences
from crossproof.rates.estimators.logistic import (
    LogisticFit,
    fit,
    fit_penalised,
    independent_columns,
    separated,
    variance_inflation,
)
from crossproof.rates.estimators.random_intercept import fit_random_intercept
from crossproof.text import percent

OTHER = "others, too few each"
"""Name of the level that small levels are joined into."""
EVENTS_PER_TERM = 10.0
"""Fewest events for every term of the model."""
INFLATED = 10.0
"""Variance inflation at or above which a term is called hardly separable (common practice, no source)."""


@dataclass(frozen=True)
class Term:
    """One row of the answer; numbers are NaN where none can be given, and `note` says why.

    `odds_ratio`: of self against hybrid, the other terms of the model held; `alone`: of the factor by itself.
    """

    factor: str
    level: str
    reference: str = ""
    plants: int = 0
    selfs: int = 0
    odds_ratio: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    p: float = float("nan")
    alone: float = float("nan")
    alone_low: float = float("nan")
    alone_high: float = float("nan")
    inflation: float = float("nan")
    note: str = ""


@dataclass(frozen=True)
class FactorModel:
    """All terms, the events per term of the model, and what has to be said of the whole."""

    terms: tuple[Term, ...]
    events: int
    events_per_term: float
    tags: int
    notes: tuple[str, ...] = field(default=())


def join_small_levels(factor: Factor, plants: Floats, *, least_plants: int, least_tags: int) -> Factor:
    """The factor with levels too small to be judged joined into one, named OTHER."""
    if factor.group is None:
        return factor
    known = factor.known & (plants > 0)
    count = len(factor.levels)
    enough = (group_sum(factor.group[known], plants[known], count) >= least_plants) & (
        group_sum(factor.group[known], np.ones(int(known.sum())), count) >= least_tags
    )
    if enough.all():
        return factor
    place = np.where(enough, np.cumsum(enough) - 1, int(enough.sum()))
    group = np.where(factor.group >= 0, place[np.maximum(factor.group, 0)], -1)
    levels = tuple(name for name, keep in zip(factor.levels, enough, strict=True) if keep)
    return replace(factor, group=group.astype(np.int64), levels=(*levels, OTHER))


def _columns(factor: Factor, y: Floats, m: Floats) -> tuple[list[Floats], list[str], str]:
    """Design columns, their labels and the reference level."""
    if factor.values is not None:
        middle = float(np.average(factor.values, weights=y + m))
        return [factor.values - middle], [f"per {factor.unit or 'unit'}"], ""
    assert factor.group is not None
    count = len(factor.levels)
    selfs, others = group_sum(factor.group, y, count), group_sum(factor.group, m, count)
    # the largest level in which both outcomes occur; a level without one would be at infinity
    best = int(np.argmax(np.where((selfs > 0) & (others > 0), selfs + others + 1e6, selfs + others)))
    order = [k for k in range(count) if k != best and selfs[k] + others[k] > 0]
    columns = [(factor.group == k).astype(float) for k in order]
    return columns, [factor.levels[k] for k in order], factor.levels[best]


def fit_factors(
    y: Floats,
    m: Floats,
    factors: Sequence[Factor],
    *,
    level: float = 0.95,
    least_plants: int = 20,
    least_tags: int = 5,
    recorded: float = 0.5,
) -> FactorModel:
    """Odds ratios of self against hybrid for every factor, adjusted for one another and alone.

    Parameters: `y`, `m` (tag,): whole counts of selfs and hybrids; `factors` in order of importance;
    `least_plants`, `least_tags`: of a level that stands for itself; `recorded`: share of the plants for which
    a factor must be known to enter. Tags that lack an entry of a factor in the model are left out of it.
    """
    plants = y + m
    total = float(plants.sum())
    usable, left_out = _recorded(factors, plants, least_plants, least_tags, recorded)
    chosen, too_many, kept, terms = _within_events(usable, y, m)
    left_out += too_many
    notes = shared_sentences(chosen, plants)
    events = int(min(y[kept].sum(), m[kept].sum()))
    if not chosen:
        if total == 0 or min(y.sum(), m.sum()) == 0:
            notes.append("no model: it needs both selfs and hybrids")
        else:
            notes.append("no model: too few selfs or hybrids, or nothing recorded that varies")
        return FactorModel(tuple(left_out), events, float("nan"), int(kept.sum()), tuple(notes))
    answer, fitted = _adjusted(y, m, chosen, kept, level)
    if fitted is not None:
        notes.append(_tags_differ(*fitted))
    answer = _with_alone(answer, y, m, chosen, level)
    return FactorModel((*answer, *left_out), events, events / max(terms, 1), int(kept.sum()), tuple(notes))


def _recorded(
    factors: Sequence[Factor], plants: Floats, least_plants: int, least_tags: int, recorded: float
) -> tuple[list[Factor], list[Term]]:
    """Factors known for enough plants and not the same everywhere, small levels joined; rows for the rest."""
    total = float(plants.sum())
    usable: list[Factor] = []
    left_out: list[Term] = []
    for original in factors:
        share = float(plants[original.known].sum() / total) if total > 0 else 0.0
        if share < recorded:
            why = "not recorded" if share == 0 else f"recorded for only {percent(share)} of the plants"
            left_out.append(Term(original.name, "", note=why))
            continue
        factor = join_small_levels(original, plants, least_plants=least_plants, least_tags=least_tags)
        if _constant(factor, plants):
            why = "the same for all plants, or its levels are too small to stand for themselves"
            left_out.append(Term(factor.name, "", note=why))
            continue
        if _too_alike(factor, plants):
            why = f"differs by less than {factor.least_span:g} among all plants: too little to tell"
            left_out.append(Term(factor.name, "", note=why))
            continue
        usable.append(factor)
    return usable, left_out


def _within_events(
    usable: Sequence[Factor], y: Floats, m: Floats
) -> tuple[list[Factor], list[Term], Bools, int]:
    """Factors that enter while there are enough events per term; a row for the others.

    Also the tags that have an entry of every factor in the model, and the number of terms.
    """
    chosen: list[Factor] = []
    left_out: list[Term] = []
    kept = y + m > 0
    terms = 0
    for factor in usable:
        rows = kept & factor.known
        events = float(min(y[rows].sum(), m[rows].sum()))
        more = 1 if factor.group is None else len(np.unique(factor.group[rows])) - 1
        if events / (terms + more) < EVENTS_PER_TERM if terms + more else True:
            why = (
                f"left out: {events:.0f} of the rarer kind for {terms + more} terms, "
                f"fewer than {EVENTS_PER_TERM:.0f} each"
            )
            left_out.append(Term(factor.name, "", note=why))
            continue
        chosen.append(factor)
        kept, terms = rows, terms + more
    return chosen, left_out, kept, terms


def _constant(factor: Factor, plants: Floats) -> bool:
    known = factor.known & (plants > 0)
    values = factor.values if factor.values is not None else factor.group
    assert values is not None
    return len(np.unique(values[known])) < 2


def _too_alike(factor: Factor, plants: Floats) -> bool:
    """Whether a number varies by less than the unit that its odds ratio is given for."""
    if factor.values is None:
        return False
    return float(np.ptp(factor.values[factor.known & (plants > 0)])) < factor.least_span


@dataclass
class _Design:
    """Columns of the model with what they stand for; rows are the tags that are left."""

    matrix: Floats
    factor: list[str]
    label: list[str]
    reference: list[str]
    numeric: list[bool]


def _design(y: Floats, m: Floats, factors: Sequence[Factor], rows: Bools) -> _Design:
    columns = [np.ones(int(rows.sum()))]
    names, labels, references, numeric = [""], [""], [""], [True]
    for factor in factors:
        part = replace(
            factor,
            values=None if factor.values is None else factor.values[rows],
            group=None if factor.group is None else factor.group[rows],
        )
        new, levels, reference = _columns(part, y[rows], m[rows])
        columns += new
        names += [factor.name] * len(new)
        labels += levels
        references += [reference] * len(new)
        numeric += [factor.values is not None] * len(new)
    return _Design(np.column_stack(columns), names, labels, references, numeric)


def _adjusted(
    y: Floats, m: Floats, factors: Sequence[Factor], rows: Bools, level: float
) -> tuple[list[Term], tuple[Floats, Floats, Floats] | None]:
    """Terms of the joint model. Terms that cannot be estimated are taken out first, each with its reason.

    Also the selfs, hybrids and log-odds of the tags that were fitted, None where no fit exists.
    """
    design = _design(y, m, factors, rows)
    ys, ms = y[rows], m[rows]
    tag = np.flatnonzero(rows)
    notes = [""] * design.matrix.shape[1]
    use = independent_columns(design.matrix)
    for column in map(int, np.flatnonzero(~use)):
        notes[column] = "cannot be told apart from the terms above: they determine it"
    inflation = np.full(len(use), np.nan)
    inflation[use] = variance_inflation(design.matrix[:, use], ys + ms)
    direction = fit_penalised(ys, ms, design.matrix[:, use])
    slopes = np.full(len(use), np.nan)
    slopes[use] = direction.coefficient

    found, use, here = _fit_estimable(design, ys, ms, tag, use, slopes, notes, level)
    out = _terms(design, ys, ms, use, found, slopes, inflation, notes)
    if found is None:
        return out, None
    eta = design.matrix[np.ix_(here, use)] @ found.coefficient
    return out, (ys[here], ms[here], eta)


def _fit_estimable(
    design: _Design,
    ys: Floats,
    ms: Floats,
    tag: Ints,
    use: Bools,
    slopes: Floats,
    notes: list[str],
    level: float,
) -> tuple[LogisticFit | None, Bools, Bools]:
    """The fit of the terms that can be estimated, those terms, and the tags they are fitted to.

    Terms that separate selfs from hybrids are taken out one round at a time, each with its reason in `notes`.
    """
    here = np.ones(len(ys), dtype=bool)
    found: LogisticFit | None = None
    for _ in range(len(use)):
        if not use[0] or use.sum() < 2:
            break
        found = fit(ys[here], ms[here], design.matrix[np.ix_(here, use)], tag[here], level=level)
        if found is not None:
            break
        at_fault = np.zeros(len(use), dtype=bool)
        at_fault[np.flatnonzero(use)] = separated(ys[here], ms[here], design.matrix[np.ix_(here, use)])
        at_fault[0] = False
        if not at_fault.any():
            break
        for column in map(int, np.flatnonzero(at_fault)):
            kind = "only selfs" if slopes[column] > 0 else "only hybrids"
            notes[column] = (
                f"separated ({kind} beyond it): no odds ratio exists; the value is a penalised fit's, "
                "for its direction only"
            )
            if not design.numeric[column]:
                here &= design.matrix[:, column] == 0
            use[column] = False
        # taking tags out may leave a column empty or doubled
        again = np.zeros(len(use), dtype=bool)
        again[np.flatnonzero(use)] = independent_columns(design.matrix[np.ix_(here, use)])
        for column in map(int, np.flatnonzero(use & ~again)):
            notes[column] = "nothing left to compare it with once separated levels are out"
        use = again
    return found, use, here


def _terms(
    design: _Design,
    ys: Floats,
    ms: Floats,
    use: Bools,
    found: LogisticFit | None,
    slopes: Floats,
    inflation: Floats,
    notes: Sequence[str],
) -> list[Term]:
    """A row for every column of the design but the intercept."""
    position = np.cumsum(use) - 1
    out = []
    for column in range(1, len(use)):
        of = design.matrix[:, column] != 0 if not design.numeric[column] else np.ones(len(ys), dtype=bool)
        term = Term(
            design.factor[column],
            design.label[column],
            design.reference[column],
            int((ys + ms)[of].sum()),
            int(ys[of].sum()),
            inflation=float(inflation[column]),
            note=notes[column],
        )
        if use[column] and found is not None:
            k = int(position[column])
            term = replace(
                term,
                odds_ratio=_exp(found.coefficient[k]),
                low=_exp(found.low[k]),
                high=_exp(found.high[k]),
                p=float(found.p[k]),
                note=(
                    f"hardly separable from the other terms (variance inflation {inflation[column]:.0f})"
                    if inflation[column] >= INFLATED
                    else ""
                ),
            )
        elif notes[column].startswith("separated"):
            term = replace(term, odds_ratio=_exp(slopes[column]))
        elif not notes[column]:
            term = replace(term, note="the model could not be fitted")
        out.append(term)
    return out


def _tags_differ(y: Floats, m: Floats, eta: Floats) -> str:
    """How much tags differ beyond the factors, in words."""
    sigma = fit_random_intercept(y, m, np.ones((len(y), 1)), offset=eta).sigma
    if sigma < 0.05:
        return "with these factors allowed for, tags differ no more than by chance"
    return (
        f"with these factors allowed for, tags still differ by a standard deviation of {sigma:.2f} on the "
        f"log-odds: from tag to tag the odds of a self change by a factor of about {np.exp(sigma):.1f}"
    )


def _with_alone(
    terms: list[Term], y: Floats, m: Floats, factors: Sequence[Factor], level: float
) -> list[Term]:
    """The terms with the odds ratio of their factor by itself, over all tags that have it."""
    alone: dict[tuple[str, str, str], tuple[float, float, float]] = {}
    for factor in factors:
        rows = factor.known & (y + m > 0)
        design = _design(y, m, [factor], rows)
        found = fit(y[rows], m[rows], design.matrix, np.flatnonzero(rows), level=level)
        if found is None:
            continue
        for k in range(1, len(design.label)):
            key = factor.name, design.label[k], design.reference[k]
            alone[key] = _exp(found.coefficient[k]), _exp(found.low[k]), _exp(found.high[k])
    out = []
    for term in terms:
        value, low, high = alone.get((term.factor, term.level, term.reference), (float("nan"),) * 3)
        out.append(replace(term, alone=value, alone_low=low, alone_high=high))
    return out


def _exp(value: float) -> float:
    return float(np.exp(np.clip(value, -700.0, 700.0)))
