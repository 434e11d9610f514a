"""How the calls of a table are written: codes for no call, allele letters, counts, strand."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Mapping, Sequence

from crossproof.io.tables.call_notation import MISSING_TEXTS
from crossproof.receive.call_cells import NO_CALL_NUMBERS, alleles_in, is_no_call, looks_like_call
from crossproof.receive.known_season import Known
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.understanding import Saying, Value
from crossproof.text import first_of

_COMPLEMENT = str.maketrans("ACGT", "TGCA")
_BASES = frozenset("ACGT")


def ways_of_calls(
    by_marker: Mapping[str, Counter[str]],
    known: Known,
    options: Options,
    saying: Saying,
    *,
    shown_as: str,
) -> dict[str, Value]:
    """Keys of the entry that say how the calls are written.

    `by_marker`: calls as written and their numbers, by the season's marker. Raises Unclear for what only a
    person can know.
    """
    every: Counter[str] = Counter()
    for texts in by_marker.values():
        every.update(texts)
    every.pop("", None)
    alleles = {a for t in every for a in alleles_in(t)}
    letters = {a for a in alleles if a.isalpha()}
    numbers = {a for a in alleles if a.isdigit()} - {"0"}
    asked = {m.upper() for m in (*options.missing, *known.config.missing)}
    codes = _no_call_codes(every, letters, numbers, asked, options.missing)
    _refuse_unread(every, {*codes, *(t for t in every if t.upper() in asked)}, shown_as)
    keys: dict[str, Value] = {"missing": codes} if codes else {}
    told = [t for t in every if t.upper() in MISSING_TEXTS or t in codes]
    saying.add("no call", f"{', '.join(map(repr, told))}" if told else "empty cells only")
    if options.alleles == "generic" or _is_generic(letters, numbers):
        return keys | _generic(by_marker, known, saying, letters, shown_as)
    if _is_count(every, codes):
        return keys | _counted(by_marker, known, options, saying, shown_as)
    return keys | _strand(by_marker, known, options, saying, shown_as)


def _no_call_codes(
    every: Counter[str], letters: set[str], numbers: set[str], asked: set[str], given: tuple[str, ...]
) -> tuple[str, ...]:
    """Texts that mean that there is no call, beside those that always do."""
    missing = [t for t in every if is_no_call(t) and t.upper() not in MISSING_TEXTS]
    if letters or numbers:
        missing += [t for t in every if t in NO_CALL_NUMBERS and t not in ("0", "9")]
    if letters and "0" in every:
        missing.append("0")
    missing += [t for t in every if t.upper() in asked]
    return tuple(dict.fromkeys((*missing, *given)))


def _refuse_unread(every: Counter[str], no_calls: set[str], shown_as: str) -> None:
    """Raises Unclear for cells that hold neither a call nor a sign that there is none."""
    unread = [t for t in every if not looks_like_call(t) and t not in no_calls and not alleles_in(t)]
    if unread:
        shown = ", ".join(f"{t!r} ({every[t]} times)" for t in sorted(unread, key=lambda t: -every[t])[:5])
        raise Unclear(
            shown_as,
            f"Some cells hold calls in no known notation: {shown}.",
            "--missing",
            remedy="If it means that there is no call, say so: "
            + " ".join(f"--missing {shlex.quote(t)}" for t in unread[:5])
            + ". If the column is not a marker, name its heading: --ignore HEADING.",
        )


def _is_generic(letters: set[str], numbers: set[str]) -> bool:
    if "B" in letters:
        return letters <= {"A", "B"}
    return not letters and bool(numbers) and numbers <= {"1", "2"}


def _generic(
    by_marker: Mapping[str, Counter[str]],
    known: Known,
    saying: Saying,
    letters: set[str],
    shown_as: str,
) -> dict[str, Value]:
    names = "A and B" if letters else "1 and 2"
    shared = [m for m in by_marker if known.markers.get(m)]
    unexplained = [m for m in shared if m not in known.generic]
    if unexplained and known.others:
        raise Unclear(
            shown_as,
            f"The calls name the alleles {names}, which mean something within this file only; "
            f"{len(unexplained)} of its markers are in other files too ({first_of(unexplained, 4)}).",
            "generic_alleles",
            remedy=f"Ask the laboratory what {names} stand for, and write it in the column generic_alleles "
            "of markers.csv, such as C/T.",
        )
    told = (
        "what they stand for is in markers.csv"
        if not unexplained
        else "they mean something in this file only"
    )
    saying.add("alleles", f"called {names}; {told}")
    return {"alleles": "generic"}


def _is_count(every: Counter[str], codes: Sequence[str]) -> bool:
    given = {t for t in every if t not in codes and t.upper() not in MISSING_TEXTS}
    return bool(given) and given <= {"0", "1", "2"}


def _counted(
    by_marker: Mapping[str, Counter[str]], known: Known, options: Options, saying: Saying, shown_as: str
) -> dict[str, Value]:
    if options.counted_allele:
        saying.add("calls", f"counts 0, 1, 2 of the allele: {options.counted_allele}")
        return {"counted_allele": options.counted_allele}
    if known.counted >= set(by_marker):
        saying.add("calls", "counts 0, 1, 2 of the allele that markers.csv names")
        return {}
    raise Unclear(
        shown_as,
        "The calls are counts 0, 1, 2 of one allele of each marker, and nothing says which allele.",
        "--counted-allele",
        ("first", "second"),
        remedy="Ask the laboratory; then --counted-allele first (or second, of those in markers.csv), or "
        "a column counted_allele there.",
    )


def _strand(
    by_marker: Mapping[str, Counter[str]], known: Known, options: Options, saying: Saying, shown_as: str
) -> dict[str, Value]:
    same = turned = both_ways = unknown = 0
    for marker, texts in by_marker.items():
        seen = {a for t in texts for a in alleles_in(t)} & _BASES
        there = {a for a in known.markers.get(marker, ()) if a in _BASES}
        if not seen or len(there) < 2:
            unknown += 1
        elif there in ({"A", "T"}, {"C", "G"}):
            both_ways += 1
        elif seen <= there:
            same += 1
        elif {a.translate(_COMPLEMENT) for a in seen} <= there:
            turned += 1
    if options.strand:
        saying.add("strand", f"{options.strand}, as you said")
        return {"strand": options.strand} if options.strand == "other" else {}
    if turned and not same:
        raise Unclear(
            shown_as,
            f"All {turned} markers that can show it are on the other strand than in your other files; "
            f"{both_ways} read alike on both (A/T, C/G).",
            "--strand",
            ("other", "same"),
            remedy="--strand other if the laboratory wrote the whole file on the other strand (ask it); "
            "--strand same to leave each marker to what its bases prove.",
        )
    if turned:
        saying.add(
            "strand",
            f"{same} markers as in your other files, {turned} on the other strand, which their bases prove",
        )
    elif same:
        saying.add("strand", f"as in your other files ({same} markers show it)")
    return {}
