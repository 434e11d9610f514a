"""What the search for a plate's layout found, as findings; and what this plate could not have shown."""

from __future__ import annotations

import numpy as np

from crossproof.inference.plates.arrays import EMPTY, Plate, SeasonTables
from crossproof.inference.plates.disorder import fit_another_tag
from crossproof.inference.plates.doubtful_wells import open_plants
from crossproof.inference.plates.dropped_strips import moved_unseen
from crossproof.inference.plates.proposals import Proposal
from crossproof.inference.plates.score_matrix import UNKNOWN
from crossproof.inference.plates.tag_explanations import Examined
from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.layouts import whole_plate_layouts


def _reassigned(plate: Plate, proposal: Proposal, before: np.ndarray) -> tuple[tuple[str, int], ...]:
    changed = np.flatnonzero(proposal.identity != before)
    return tuple(
        (plate.samples[w], EMPTY if proposal.identity[w] == UNKNOWN else int(proposal.identity[w]))
        for w in changed
    )


def _support(plate: Plate, proposal: Proposal) -> str:
    """How many wells speak for it."""
    for_it, against = int((proposal.gain > 0.5).sum()), int((proposal.gain < -0.5).sum())
    return f"{for_it} of {len(plate)} wells fit better this way, {against} worse"


def _alternatives(proposal: Proposal) -> str:
    if not proposal.same_as:
        return ""
    some = "; ".join(proposal.same_as[:4]) + (" and others" if len(proposal.same_as) > 4 else "")
    return f" The calls cannot tell this from: {some}."


def _against(proposal: Proposal) -> str:
    """How much likelier it is than the next of the layouts that were compared."""
    if proposal.rivals:
        some = "; ".join(proposal.rivals[:3])
        return f" It may as well be: {some}. Which of them is not settled, and nothing is proposed."
    if proposal.next_best is None or proposal.same_as:
        return ""
    words, odds = proposal.next_best
    times = f"10^{proposal.log10_odds - odds:.0f}"
    return f" It is {times} times as likely as the next of the layouts compared, {words}."


def _left(plate: Plate, misfit: np.ndarray) -> str:
    """Plants that fit nothing even so."""
    n = int((misfit & (plate.identity >= 0) & (plate.n_called >= 0.3 * plate.n_markers)).sum())
    return f" {n} of its called wells do not fit even so." if n else " All its called wells fit this way."


def _open_wells(plate: Plate, proposal: Proposal) -> list[int]:
    """Wells of which the calls cannot tell which plant they hold: layouts that fit as well differ there."""
    assert proposal.layout is not None
    part = proposal.layout.correction is CorrectionKind.PART
    if not part and proposal.kind is not FindingKind.SHIFTED:
        return []
    own = proposal.layout.source[plate.position]
    differ = np.zeros(len(plate), dtype=bool)
    for other in proposal.tied:
        differ |= other.source[plate.position] != own
    return [int(w) for w in np.flatnonzero(differ & (proposal.identity >= 0))]


def _rows(plate: Plate, proposal: Proposal, still_open: np.ndarray) -> tuple[Correction, ...]:
    """The rows that put a plate right: its layout, and the wells of which nothing is known even so."""
    assert proposal.layout is not None
    return (
        Correction(proposal.layout.correction, plate.name, "", proposal.layout.detail),
        *(
            Correction(CorrectionKind.EXCLUDE_WELL, plate.place(w))
            for w in np.union1d(_open_wells(plate, proposal), np.flatnonzero(still_open)).astype(int).tolist()
        ),
    )


def _layout_finding(
    plate: Plate, proposal: Proposal, before: np.ndarray, misfit: np.ndarray, still_open: np.ndarray
) -> Finding:
    layout = proposal.layout
    assert layout is not None
    moved = np.flatnonzero(proposal.identity != before)
    evidence = f"Plate {plate.name} fits its sheet if it was {layout.words}: {_support(plate, proposal)}."
    if len(layout.lost) and layout.kind is FindingKind.SHIFTED:
        lost = [w for w in range(len(plate)) if plate.position[w] in set(layout.lost.tolist())]
        if lost:
            evidence += (
                f" Nothing is known of what the sheet lists in {_some([plate.well_name(w) for w in lost])}."
            )
    if still_open.any() and not proposal.rivals:
        wells = _some([plate.well_name(int(w)) for w in np.flatnonzero(still_open)])
        evidence += (
            f" Whether this is all is open: {wells} may have been moved as well, and the proposed rows leave "
            "them out."
        )
    silent = plate.n_called < 0.3 * plate.n_markers
    if (silent & (plate.identity != EMPTY)).mean() > 0.5:
        evidence += " Most wells show no calls: a plate that failed looks the same if it is half empty."
    return Finding(
        layout.kind,
        Scope.PLATE,
        plate.name,
        plate.name,
        evidence + _left(plate, misfit) + _against(proposal) + _alternatives(proposal),
        "Look at the plate's notch and its robot log, and genotype a few wells again."
        if proposal.rivals
        else "Look at the plate's notch and its robot log. If the plate was placed that way, add the "
        "proposed row to corrections.csv and run again; else genotype a few wells again.",
        wells=tuple(plate.place(int(w)) for w in moved),
        samples=tuple(plate.samples[w] for w in moved),
        log10_odds=proposal.log10_odds,
        hold=Hold.PLATE,
        corrections=() if proposal.rivals else _rows(plate, proposal, still_open),
        same_as=proposal.same_as,
        reassigned=_reassigned(plate, proposal, before),
    )


def _wells_finding(
    plate: Plate,
    proposal: Proposal,
    before: np.ndarray,
    season: SeasonTables,
    others: list[int],
    unseen: list[int],
) -> Finding:
    """Two wells that changed places, and others that may have, which wait with them.

    `others` fit another cross better: of one the well is left out by the proposed rows, with more of them
    nothing is proposed. `unseen` are sibs in the same column, and fit anywhere there: nothing is proposed.
    """
    assert proposal.wells is not None
    a, b = proposal.wells
    evidence = (
        f"Wells {plate.well_name(a)} ({season.name(int(before[a]))}) and {plate.well_name(b)} "
        f"({season.name(int(before[b]))}) of plate {plate.name} each fit the other's place and not their own."
    )
    do = "Genotype both plants again, or add the proposed row to corrections.csv if the swap is known."
    if others:
        evidence += (
            f" So may others have: {_some([plate.well_name(w) for w in others])} "
            f"{'fits' if len(others) == 1 else 'fit'} another cross of the plate better than "
            f"{'its' if len(others) == 1 else 'their'} own. Held as well"
            f"{'; the proposed rows leave it out.' if len(others) == 1 else '; nothing is proposed.'}"
        )
        do = "Compare the sheet with the list that the plate was filled from, or genotype these wells again."
    if unseen:
        evidence += (
            f" A strip of tubes that fell and was put back in another order looks the same: "
            f"{_some([plate.well_name(w) for w in unseen])} stand among sibs in this column, and fit "
            f"anywhere in it. Held as well; nothing is proposed."
        )
        do = (
            "Look at the tubes or the strip of this column. If these two wells alone changed places, correct "
            "the sheet by a row 'swap wells' of corrections.csv; else genotype the column again."
        )
    # A row about the wells would leave each plant under the other's name if it was the tags.
    single = all(i >= season.n_lines and (before == i).sum() == 1 for i in before[[a, b]])
    if single:
        evidence += " Each is the only plant of its tag on the plate: swapped tags would look the same."
        do = "Compare the two tags with the crossing book, and genotype both plants again."
    rows = () if single or unseen or len(others) > 1 else _swap_rows(plate, a, b, others)
    return Finding(
        FindingKind.WELLS_SWAPPED,
        Scope.SAMPLE,
        plate.name,
        plate.samples[a],
        evidence + _alternatives(proposal),
        do,
        wells=tuple(plate.place(w) for w in (a, b)),
        samples=tuple(plate.samples[w] for w in (a, b)),
        sibs=tuple(plate.samples[w] for w in sorted({*others, *unseen})),
        other=plate.samples[b],
        log10_odds=proposal.log10_odds,
        hold=Hold.SAMPLES,
        corrections=rows,
        same_as=proposal.same_as,
        reassigned=_reassigned(plate, proposal, before),
    )


def _swap_rows(plate: Plate, a: int, b: int, others: list[int]) -> tuple[Correction, ...]:
    """The rows that put two wells right and leave these others out."""
    return (
        Correction(CorrectionKind.SWAP_WELLS, plate.place(a), plate.place(b)),
        *(Correction(CorrectionKind.EXCLUDE_WELL, plate.place(w)) for w in others),
    )


def _tags_finding(plate: Plate, proposal: Proposal, before: np.ndarray, season: SeasonTables) -> Finding:
    assert proposal.tags is not None
    a, b = (season.crosses[i - season.n_lines] for i in proposal.tags)
    moved = np.flatnonzero(proposal.identity != before)
    if proposal.mutual:
        kind, correction = FindingKind.TAGS_SWAPPED, CorrectionKind.SWAP_TAGS
        evidence = (
            f"Plants tagged {a} fit the parents of {b}, and plants tagged {b} those of {a} "
            f"(plate {plate.name})."
        )
    else:
        kind, correction = FindingKind.TAG_WRONG, CorrectionKind.TAG_IS
        evidence = f"Plants tagged {a} fit the parents of {b} and not their own (plate {plate.name})."
    return Finding(
        kind,
        Scope.CROSS,
        plate.name,
        a,
        f"{evidence} {_support(plate, proposal)}.{_alternatives(proposal)}",
        "Compare tags and crossing book. If so, add the proposed row to corrections.csv and run again.",
        wells=tuple(plate.place(int(w)) for w in moved),
        samples=tuple(plate.samples[w] for w in moved),
        other=b,
        log10_odds=proposal.log10_odds,
        hold=Hold.SAMPLES,
        corrections=(Correction(correction, a, b),),
        same_as=proposal.same_as,
        reassigned=_reassigned(plate, proposal, before),
    )


def _some(names: list[str], most: int = 12) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def layout_findings(x: Examined, explained: frozenset[str] = frozenset()) -> list[Finding]:
    """One finding per step of the search, in the order in which corrections must be applied.

    `explained`: samples of which other findings say what they are.
    """
    search, scores = x.search, x.scores
    plate, season = scores.plate, scores.season
    out, before = [], search.start
    lies = any(s.layout is not None for s in search.steps)
    still_open = open_plants(x, explained) if lies else np.zeros(len(plate), dtype=bool)
    for step in search.steps:
        if step.layout is not None:
            out.append(_layout_finding(plate, step, before, search.misfit, still_open))
            still_open = still_open & False
        elif step.wells is not None:
            free = np.array([s not in explained for s in plate.samples], dtype=bool)
            free[list(step.wells)] = False
            others = fit_another_tag(scores, search.matrix, search.identity, free).tolist()
            unseen = moved_unseen(scores, step, before)
            out.append(_wells_finding(plate, step, before, season, others, unseen[free[unseen]].tolist()))
        else:
            out.append(_tags_finding(plate, step, before, season))
        before = step.identity
    return out


def blind_spots(plate: Plate, season: SeasonTables) -> list[Finding]:
    """Whole-plate faults that this sheet could not show, and plates of one cross; remarks, not faults."""
    same = season.same_parents()
    known = np.where(plate.identity >= 0, same[np.maximum(plate.identity, 0)] if len(same) else -1, EMPTY)
    out = []
    hidden = []
    for layout in whole_plate_layouts(plate.format):
        source = layout.source[plate.position]
        well = np.where(source >= 0, plate.well_of_position[source], -1)
        changed = np.where(well >= 0, known[well], UNKNOWN)
        if (changed != known).sum() < 4:
            hidden.append(layout.words)
    if hidden:
        out.append(
            Finding(
                FindingKind.CANNOT_SEE,
                Scope.PLATE,
                plate.name,
                plate.name,
                f"On plate {plate.name} the sheet reads the same, but for 3 wells or fewer, if the plate was "
                f"{' or '.join(hidden)}: the calls cannot show it.",
                "Put the blanks of a plate in places without symmetry, and two crosses or more on it.",
                note=True,
            )
        )
    progeny = known[known >= season.n_lines]
    if len(progeny) >= 4 and len(np.unique(progeny)) == 1:
        out.append(
            Finding(
                FindingKind.CANNOT_SEE,
                Scope.PLATE,
                plate.name,
                plate.name,
                f"All {len(progeny)} plants of plate {plate.name} are of {season.name(int(progeny[0]))}: "
                "wells, rows or columns that changed places among them cannot be seen.",
                "Put two crosses or more on a plate.",
                note=True,
            )
        )
    return out
