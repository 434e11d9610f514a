"""Plants whose tag the plate checks doubt: which cross they are said to be of."""

from __future__ import annotations

from crossproof.model.findings import Finding, FindingKind, Scope
from crossproof.steps.findings import FindingsOfSeason
from crossproof.steps.verdicts import _other_tags


def row(kind, subject, other, *samples):
    return Finding(kind, Scope.CROSS, "", subject, "seen", "look", samples=samples, other=other)


def test_swapped_tags_name_each_other_and_a_wrong_tag_one_way():
    rows = (
        row(FindingKind.TAGS_SWAPPED, "C1", "C2", "a", "b"),
        row(FindingKind.TAG_WRONG, "C3", "C4", "c"),
        row(FindingKind.WELLS_SWAPPED, "d", "e", "d", "e"),
    )
    tags = _other_tags(FindingsOfSeason(rows))
    assert (tags["a", "C1"], tags["b", "C2"], tags["c", "C3"]) == ("C2", "C1", "C4")
    assert ("c", "C4") not in tags
    assert not {s for s, _ in tags} & {"d", "e"}
