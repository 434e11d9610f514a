"""Names of a file matched to names of the season: as they are, but for spelling, but for what all share."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from crossproof.io.intake.name_lists import composed
from crossproof.io.sheets.names import number_wise_skeleton
from crossproof.receive.known_season import well_key

LEAST_SHARE = 0.8
"""Share of a file's names that must carry an affix before it is taken for one."""


class How(StrEnum):
    """How names were matched."""

    SAME = "as they are"
    SPELLING = "but for capitals, separators and leading zeros"
    AFFIX = "without what all of them begin or end with"
    LIST = "by the list"
    PLACE = "by plate and well"


@dataclass(frozen=True)
class Match:
    """`pairs`: name in the file -> name in the season; `counts`: how many were matched in each way."""

    pairs: Mapping[str, str]
    counts: Mapping[How, int]
    unmatched: tuple[str, ...]
    affix: tuple[str, str] = ("", "")

    @property
    def renames(self) -> dict[str, str]:
        """The pairs that differ by more than how accents are composed."""
        return {a: b for a, b in self.pairs.items() if composed(a) != b}

    def in_words(self) -> str:
        """The ways and their counts, for the user."""
        parts = []
        for how, n in self.counts.items():
            text = f"{n} {how.value}"
            if how is How.AFFIX:
                start, end = self.affix
                shared = " and ".join(
                    t
                    for t in (
                        f"{start!r} at the start" if start else "",
                        f"{end!r} at the end" if end else "",
                    )
                    if t
                )
                text = f"{n} without {shared}"
            parts.append(text)
        return ", ".join(parts)


@dataclass
class _Working:
    pairs: dict[str, str] = field(default_factory=dict)
    counts: dict[How, int] = field(default_factory=dict)

    def add(self, found: Mapping[str, str], how: How) -> None:
        if found:
            self.pairs.update(found)
            self.counts[how] = self.counts.get(how, 0) + len(found)


def match_names(
    names: Sequence[str], known: Collection[str], given: Mapping[str, str] | None = None
) -> Match:
    """Match names of a file to known names, each to one and one to each.

    `given`: a list of the user's, name in the file -> known name; what it says goes before all else.
    """
    own = {n: composed(n) for n in names if n}
    targets = set(known)
    work = _Working()
    if given:
        work.add({n: given[c] for n, c in own.items() if c in given and given[c] in targets}, How.LIST)
    work.add({n: c for n, c in own.items() if n not in work.pairs and c in targets}, How.SAME)
    work.add(_by_key(own, targets, work.pairs), How.SPELLING)
    affix = ("", "")
    left = [n for n in own if n not in work.pairs]
    if len(left) >= max(2, LEAST_SHARE * len(own)):
        affix, found = _by_affix([own[n] for n in left], targets - set(work.pairs.values()))
        work.add({n: found[own[n]] for n in left if own[n] in found}, How.AFFIX)
    unmatched = tuple(n for n in own if n not in work.pairs)
    return Match(work.pairs, work.counts, unmatched, affix)


def _by_key(own: Mapping[str, str], targets: Collection[str], done: Mapping[str, str]) -> dict[str, str]:
    taken = set(done.values())
    ours: dict[str, list[str]] = {}
    for name in targets:
        if name not in taken:
            ours.setdefault(number_wise_skeleton(name), []).append(name)
    theirs: dict[str, list[str]] = {}
    for raw, name in own.items():
        if raw not in done:
            theirs.setdefault(number_wise_skeleton(name), []).append(raw)
    return {raws[0]: ours[k][0] for k, raws in theirs.items() if len(raws) == 1 and len(ours.get(k, ())) == 1}


def _by_affix(names: Sequence[str], targets: Collection[str]) -> tuple[tuple[str, str], dict[str, str]]:
    """Names that are known ones once the start and end that all share are taken off."""
    if not targets:
        return ("", ""), {}
    by_size = sorted(targets, key=len, reverse=True)
    folded = [(t, t.casefold()) for t in by_size]
    votes: Counter[tuple[str, str]] = Counter()
    for name in names[:200]:
        low = name.casefold()
        seen = set()
        for _, t in folded:
            at = low.find(t)
            if at >= 0:
                seen.add((name[:at], name[at + len(t) :]))
        votes.update(seen)
    best: tuple[tuple[str, str], dict[str, str]] = (("", ""), {})
    for (start, end), n in votes.most_common(5):
        if n < LEAST_SHARE * min(len(names), 200) and n < LEAST_SHARE * len(targets):
            break
        cut = {
            name: name[len(start) : len(name) - len(end)]
            for name in names
            if name.startswith(start) and name.endswith(end) and len(name) > len(start) + len(end)
        }
        inner = match_once(cut, targets)
        if len(inner) > len(best[1]):
            best = ((start, end), inner)
    return best


def match_once(cut: Mapping[str, str], targets: Collection[str]) -> dict[str, str]:
    """Cut names matched as they are, or but for their spelling."""
    found = {name: c for name, c in cut.items() if c in targets}
    found |= _by_key(cut, targets, found)
    return found


def wells_in(names: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Names that end in a well: (what stands before it, well); {} unless nearly all do."""
    found = {}
    for name in names:
        match = re.fullmatch(r"(?:(.*?)[\s_:.\-]+)?([A-Pa-p]0?\d{1,2})", name)
        if match and well_key(match[2]):
            found[name] = ((match[1] or "").strip(), well_key(match[2]))
    return found if len(found) >= LEAST_SHARE * max(1, len(names)) else {}
