"""Fragment sizes put into bins: sizing differs by a base between runs, and a decimal size is no allele yet.

Sizes that follow one another closer than half a base are one (the decimals of a sizing program). A size one
base from another that is seen four times as often is taken for that one, sized a base wrong. A size one base
from two such is neither, and its calls are set aside, as are sizes beyond the eight commonest where they are
rare. Where the marker sheet declares the sizes, each belongs to the nearest declared one, if that is one base
away at most. (A sizing error of one base: common practice, no source.)
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from crossproof.model.genotypes import MAX_ALLELES

_PAIR = re.compile(r"^(\d{2,4}(?:[.,]\d{1,3})?)(?:\s*[/:|]\s*|\s+)(\d{2,4}(?:[.,]\d{1,3})?)$")
_SINGLE = re.compile(r"^(\d{2,4}(?:[.,]\d{1,3})?)$")
SAME = 0.5
"""Bases within which decimal sizes that follow one another are one."""
ONE_BASE = 1
TIMES = 4
"""How much commoner a size must be than its neighbour for that to be an error of sizing."""
RARE = 0.05
"""Share of a marker's alleles that sizes beyond the eighth may have and only their calls be set aside."""


IN_BINS = "(fragment sizes in bins)"
SET_ASIDE = "(marker set aside for its fragment sizes)"
"""Endings of what is noted of a marker."""
FEW = 0.2
"""Share of a marker's alleles that may be none of those declared before the marker is set aside."""


@dataclass(frozen=True)
class Binned:
    """`bins`: size as written -> allele, "" for a stray size; `fault`: why the marker cannot be judged."""

    bins: Mapping[str, str]
    fault: str = ""

    def call(self, text: str) -> str:
        """A call in bins, "" where a size of it is stray."""
        match = _PAIR.match(text) or _SINGLE.match(text)
        if match is None:
            return text
        alleles = [self.bins[g] for g in match.groups()]
        return "/".join(alleles) if all(alleles) else ""

    def in_words(self) -> str:
        """The bins that hold more than their own size, and the stray sizes; "" where there are none."""
        members: dict[str, list[str]] = {}
        for size, allele in self.bins.items():
            members.setdefault(allele, []).append(size)
        parts = [f"{a} is {', '.join(s)}" for a, s in sorted(members.items()) if a and s != [a]]
        if "" in members:
            parts.append(f"set aside: {', '.join(members[''])}")
        return "; ".join(parts)


def is_size_call(text: str) -> bool:
    """Whether a call is one fragment size, or two."""
    return bool(_PAIR.match(text) or _SINGLE.match(text))


def sizes_of(calls: Mapping[str, int]) -> Counter[str] | None:
    """How often each size stands in the calls (text -> how often); None unless all of them are sizes."""
    seen: Counter[str] = Counter()
    if not any(map(_PAIR.match, calls)):
        return None
    for text, n in calls.items():
        match = _PAIR.match(text) or _SINGLE.match(text)
        if match is None:
            return None
        for size in match.groups():
            seen[size] += n
    return seen if seen else None


def bin_sizes(seen: Mapping[str, int], declared: Iterable[str] = ()) -> Binned:
    """Bins of one marker's sizes; `declared`: those of the marker sheet."""
    known = [d for d in declared if d.isdigit()]
    if known:
        bins = {size: _nearest(_number(size), known) for size in sorted(seen, key=_number)}
        stray = sum(n for size, n in seen.items() if not bins[size])
        if stray > FEW * sum(seen.values()):
            shown = ", ".join([s for s, b in bins.items() if not b][:5])
            return Binned(bins, f"its sizes ({shown}) are none of {'/'.join(known)} of the marker sheet")
        return Binned(bins)
    clusters = _clusters(seen)
    weight = {name: sum(seen[s] for s in members) for name, members in clusters.items()}
    place = _centres(weight)
    kept = sorted({c for c in place.values() if c}, key=lambda c: (-_total(c, place, weight), int(c)))
    beyond = set(kept[MAX_ALLELES:])
    rare = sum(_total(c, place, weight) for c in beyond) <= RARE * sum(weight.values())
    if beyond and not rare:
        return Binned(
            {s: str(int(_number(s) + 0.5)) for s in seen},
            f"it has {len(kept)} common sizes, and at most {MAX_ALLELES} can be judged",
        )
    bins = {}
    for name, members in clusters.items():
        centre = place[name]
        bins.update(dict.fromkeys(members, "" if centre in beyond else centre))
    return Binned({s: bins[s] for s in sorted(bins, key=_number)})


def _number(size: str) -> float:
    return float(size.replace(",", "."))


def _nearest(size: float, known: list[str]) -> str:
    apart = sorted((abs(size - int(k)), k) for k in known)
    if apart[0][0] > ONE_BASE or (len(apart) > 1 and apart[1][0] == apart[0][0]):
        return ""
    return apart[0][1]


def _clusters(seen: Mapping[str, int]) -> dict[str, list[str]]:
    """Sizes that are one, by the whole number nearest their middle; whole sizes are each their own."""
    order = sorted(seen, key=_number)
    if all(s.isdigit() for s in order):
        return {s: [s] for s in order}
    groups: list[list[str]] = []
    for size in order:
        if groups and _number(size) - _number(groups[-1][-1]) <= SAME:
            groups[-1].append(size)
        else:
            groups.append([size])
    found: dict[str, list[str]] = {}
    for group in groups:
        total = sum(seen[s] for s in group)
        middle = sum(_number(s) * seen[s] for s in group) / total
        found.setdefault(str(int(middle + 0.5)), []).extend(group)
    return found


def _centres(weight: Mapping[str, int]) -> dict[str, str]:
    """Size -> the size it is taken for, "" where two could be meant; the commonest sizes stay."""
    place: dict[str, str] = {}
    for size in sorted(weight, key=lambda s: (-weight[s], int(s))):
        near = [c for c in place if place[c] == c and abs(int(c) - int(size)) <= ONE_BASE]
        errors = [c for c in near if weight[size] * TIMES <= weight[c]]
        place[size] = errors[0] if len(errors) == 1 else "" if errors else size
    return place


def _total(centre: str, place: Mapping[str, str], weight: Mapping[str, int]) -> int:
    return sum(weight[s] for s, c in place.items() if c == centre)
