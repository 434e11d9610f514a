"""Families that are judged by parent tubes of a plate that lies otherwise, while another tube says otherwise.

What such a plate lists as the tube of a line holds something else. Where the tubes of the line disagree, a
family on a sound plate may be read by the wrong one: the plants of it wait until the plate is put right.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from crossproof.inference.family.parent_findings import TUBE_IN_DOUBT
from crossproof.inference.family.verification import tube_group
from crossproof.inference.season_model import FamilyResult, Panel
from crossproof.model.findings import Finding, FindingKind, Hold, Scope
from crossproof.model.plates import Role
from crossproof.text import count_of, first_of


def with_families_of_misread_tubes(
    found: Sequence[Finding], evidence: Sequence[FamilyResult], panel: Panel, samples: pd.DataFrame
) -> tuple[Finding, ...]:
    """The findings, those of plates that lie otherwise with the plants elsewhere that are judged by their
    tubes.

    `samples` as the model numbers its wells, by the index.
    """
    if not any(_lies(f) for f in found):
        return tuple(found)
    contradicted = [r for r in evidence if max(len(panel.versions(x)) for x in (r.mother, r.father)) > 1]
    plate_of = dict(zip(samples.index.tolist(), samples["plate"].tolist(), strict=True))
    out = []
    for f in found:
        if _lies(f):
            misread = [
                r
                for r in contradicted
                if _share_read_there(r, panel, plate_of, set(f.plates)) >= TUBE_IN_DOUBT
            ]
            f = _with_families(f, misread, samples)
        out.append(f)
    return tuple(out)


def _lies(f: Finding) -> bool:
    return f.hold is Hold.PLATE and f.scope is Scope.PLATE and f.kind is not FindingKind.DEAD_PLATE


def _share_read_there(
    result: FamilyResult, panel: Panel, plate_of: Mapping[int, str], plates: set[str]
) -> float:
    """Posterior that a parent is what tubes of these plates alone say, other tubes of its line saying
    otherwise."""
    most = 0.0
    for line, names, shares in (
        (result.mother, result.mother_versions, result.mother_version_probability),
        (result.father, result.father_versions, result.father_version_probability),
    ):
        own = panel.versions(line).tolist()
        there = {
            tube_group(line, i, len(own))
            for i, v in enumerate(own)
            if len(own) > 1 and {plate_of.get(w, "") for w in panel.version_wells[v]} <= plates
        }
        read = zip(names.tolist(), shares.tolist(), strict=True)
        most = max(most, sum(share for name, share in read if name in there))
    return most


def _with_families(f: Finding, misread: Sequence[FamilyResult], samples: pd.DataFrame) -> Finding:
    """The finding, with the plants of these families that it does not hold yet."""
    if not misread:
        return f
    crosses = [r.cross_id for r in misread]
    of_them = samples[(samples["role"] == Role.PROGENY) & samples["cross_id"].isin(crosses)]
    of_them = of_them[~of_them["plate"].isin(f.plates)]
    of_them = of_them[~of_them["sample_id"].isin({*f.samples, *f.sibs})]
    more = of_them["sample_id"].tolist()
    if not more:
        return f
    names = first_of(dict.fromkeys(of_them["cross_id"].tolist()), 6)
    text = (
        f" Also held: {count_of(len(more), 'plant')} of {names} on other plates, of whose parents "
        "tubes on it say something else than other tubes of their lines."
    )
    return replace(f, sibs=(*f.sibs, *more), evidence=f.evidence + text)
