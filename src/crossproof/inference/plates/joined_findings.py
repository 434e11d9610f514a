"""Findings of several plates put together: the same about one cross, and plants that wait with their sibs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from crossproof.inference.plates.arrays import Plate, SeasonTables
from crossproof.inference.plates.failed_wells import without_dna
from crossproof.model.arrays import Ints
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, held_plates
from crossproof.text import count_of, first_of

OF_TAGS = (FindingKind.TAGS_SWAPPED, FindingKind.TAG_WRONG)


def merged(findings: list[Finding]) -> list[Finding]:
    """The same finding about the same cross from several plates becomes one."""
    out: dict[tuple[str, ...], Finding] = {}
    for f in findings:
        if f.kind not in OF_TAGS:
            out[f.kind, f.plate, f.subject, str(len(out))] = f
            continue
        pair = sorted([f.subject, f.other]) if f.kind is FindingKind.TAGS_SWAPPED else [f.subject, f.other]
        key = (f.kind, *pair)
        if key in out:
            old = out[key]
            f = replace(
                old,
                plate=old.plate if old.plate == f.plate else "",
                evidence=f"{old.evidence} {f.evidence}",
                wells=old.wells + f.wells,
                samples=old.samples + f.samples,
                log10_odds=old.log10_odds + f.log10_odds,
                reassigned=old.reassigned + f.reassigned,
            )
        out[key] = f
    return list(out.values())


def without_rows_on_rows(findings: list[Finding]) -> list[Finding]:
    """The findings, those of a wrong tag and of another parent that need each other without their rows.

    Plants put under another tag fit it only with another parent besides: two rows for what a third story may
    say in one, such as two lines whose tubes changed places.
    """
    pairs = [
        (t, p)
        for t in findings
        for p in findings
        if t.kind in OF_TAGS and p.kind is FindingKind.PARENT_WRONG and t.corrections and p.corrections
        if p.subject in (t.subject, t.other) and set(t.samples) & set(p.samples)
    ]
    said = {id(a): b for t, p in pairs for a, b in ((t, p), (p, t))}
    more = " No row is proposed: the same plants would need a second one ({} {}) to fit."
    return [
        replace(
            f,
            corrections=(),
            reassigned=(),
            evidence=f.evidence + more.format(said[id(f)].kind.value, said[id(f)].subject),
        )
        if id(f) in said
        else f
        for f in findings
    ]


def _elsewhere(plates: Sequence[Plate], apart: Collection[str], identities: Ints) -> tuple[str, ...]:
    """Samples of these identities on the plates that are not `apart`."""
    return tuple(
        p.samples[w]
        for p in plates
        if p.name not in apart
        for w in np.flatnonzero(np.isin(p.identity, identities))
    )


def with_sibs(findings: list[Finding], plates: Sequence[Plate], season: SeasonTables) -> list[Finding]:
    """The findings, those of a plate's layout and of tags with the sibs of their plants on other plates.

    All plants of a cross are judged together: wells that hold something else mislead the verdicts of sibs. A
    bag with a wrong tag may have gone to several plates, and be seen on one.
    """
    held = held_plates(tuple(findings))
    out = []
    for f in findings:
        if f.hold is Hold.PLATE and f.scope is Scope.PLATE and f.kind is not FindingKind.DEAD_PLATE:
            mine = [p.identity for p in plates if p.name in f.plates]
            crosses = np.unique(np.concatenate(mine))
            crosses = crosses[crosses >= season.n_lines]
            sibs = _elsewhere(plates, held, crosses)
            if sibs:
                more = (
                    f" Also held: {len(sibs)} plants of its crosses on other plates, which are judged "
                    f"together with them."
                )
                f = replace(f, sibs=sibs, evidence=f.evidence + more)
        elif f.kind in OF_TAGS:
            names = (f.subject, f.other) if f.kind is FindingKind.TAGS_SWAPPED else (f.subject,)
            crosses = np.array([season.crosses.index(name) + season.n_lines for name in names])
            sibs = tuple(s for s in _elsewhere(plates, (), crosses) if s not in f.samples)
            if sibs:
                of_which = "tag" if len(names) == 1 else "two tags"
                more = f" Also held: {count_of(len(sibs), 'plant')} of the same {of_which} elsewhere."
                f = replace(f, sibs=sibs, evidence=f.evidence + more)
        out.append(f)
    # A plant of a wrong tag looks like two plants to a look at its own well.
    of_tags = {s for f in out if f.kind in OF_TAGS for s in f.sibs}
    return [f for f in out if f.kind is not FindingKind.MIXED_DNA or not of_tags.issuperset(f.samples)]


def with_sibs_of_spilled(
    findings: list[Finding], plates: Sequence[Plate], season: SeasonTables
) -> list[Finding]:
    """The findings, those of spilled DNA with the other plants of crosses most of which they hold.

    The line whose DNA ran over so many plants of a cross passes for a parent of all of them.
    """
    cross = {
        s: i
        for p in plates
        for s, i in zip(p.samples, p.identity.tolist(), strict=True)
        if i >= season.n_lines
    }
    size = Counter(cross.values())
    out = []
    for f in findings:
        if f.kind is FindingKind.SPILLED:
            held = Counter(cross[s] for s in f.samples if s in cross)
            much = {i for i, n in held.items() if 2 * n > size[i]}
            sibs = tuple(s for s, i in cross.items() if i in much and s not in set(f.samples))
            if sibs:
                more = (
                    f" Also held: {count_of(len(sibs), 'plant')} of crosses most of whose plants are "
                    f"among these, and which are judged together with them."
                )
                f = replace(f, sibs=(*f.sibs, *sibs), evidence=f.evidence + more)
        out.append(f)
    return out


def with_crosses_of_lost_tubes(
    findings: list[Finding], plates: Sequence[Plate], season: SeasonTables, usual: float
) -> list[Finding]:
    """The findings, those of a plate without DNA with the plants elsewhere of lines that lost their tubes.

    What stray reads or calls such tubes have would pass for their lines. `usual`: call rate of the season's
    samples.
    """
    called = [np.unique(p.identity[~without_dna(p, usual)]) for p in plates]
    known = np.unique(np.concatenate(called)) if called else np.zeros(0, dtype=np.int64)
    out = []
    for f in findings:
        if f.kind is FindingKind.DEAD_PLATE:
            listed = np.unique(np.concatenate([p.identity for p in plates if p.name in f.plates]))
            parents = np.union1d(season.mother, season.father)
            lost = np.setdiff1d(np.intersect1d(listed[listed >= 0], parents), known)
            of_lost = np.flatnonzero(np.isin(season.mother, lost) | np.isin(season.father, lost))
            waiting = _elsewhere(plates, f.plates, of_lost + season.n_lines)
            if waiting:
                more = (
                    f" All tubes of {first_of((season.lines[i] for i in lost), 6, ' and others')} are on it. "
                    f"Also held: {count_of(len(waiting), 'plant')} of their crosses on other plates."
                )
                f = replace(f, sibs=waiting, evidence=f.evidence + more)
        out.append(f)
    return out


def without_rows_in_doubt(findings: list[Finding]) -> list[Finding]:
    """The findings, those of two swapped wells without a row where more wells of their plate may have changed
    places: once the row stood in corrections.csv, nothing would show that they did."""
    doubted = {f.plate for f in findings if f.kind is FindingKind.IN_DOUBT}
    out = []
    for f in findings:
        if f.kind is FindingKind.WELLS_SWAPPED and f.plate in doubted and f.corrections:
            more = " Nothing is proposed while other wells of the plate may have changed places."
            f = replace(f, corrections=(), reassigned=(), evidence=f.evidence + more)
        out.append(f)
    return out


def with_judged_together(
    findings: list[Finding], plates: Sequence[Plate], season: SeasonTables, usual: float
) -> list[Finding]:
    """The findings, with all plants that are judged together with those they hold, as above, and without rows
    that would hide another doubt."""
    findings = without_rows_in_doubt(findings)
    found = with_sibs_of_spilled(with_sibs(findings, plates, season), plates, season)
    return with_crosses_of_lost_tubes(found, plates, season, usual)
