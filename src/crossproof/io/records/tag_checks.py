"""The crossing book against the tags that were printed.

What is written once is not typed again, and what a wet tag gets wrong is caught while the pod still hangs.
"""

from __future__ import annotations

from collections.abc import Collection

from crossproof.errors import Severity
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.issued_tags import IssuedTag, IssuedTags
from crossproof.io.records.raw_tables import RawTable
from crossproof.io.sheets.values import NOTHING
from crossproof.model.tag_numbers import Misreading, MisreadTag, read_tag
from crossproof.text import first_of

_DONE_AT_THE_FLOWER = (
    "date", "time", "operator", "flowers", "pods", "seeds", "temperature_c", "anthers_removed", "notes",
)  # fmt: skip
"""What is written once a tag hangs on a flower; a row of the book without any of it is a tag not used yet."""
_SHOWN = 3


def book_of(raw: RawTable, issued: IssuedTags, sampled: Collection[str], notes: Problems) -> RawTable:
    """The crosses sheet with the parents that stand on its tags, without tags that hang nowhere yet.

    `sampled`: tags that the sheets of wells name; their rows stay whatever they hold. Notes what cannot be
    true of a printed tag.
    """
    unused = [i for i in range(len(raw)) if _unused(raw, i, issued, sampled)]
    if unused:
        tags = "1 tag has" if len(unused) == 1 else f"{len(unused)} tags have"
        rows = "its row is" if len(unused) == 1 else "their rows are"
        fault = Fault(
            f"{tags} not been used yet; {rows} left out.",
            "No action is needed; once such a tag hangs on a flower, write date and flowers.",
            Severity.NOTE,
        )
        notes.note(fault, file=raw.files[unused[0]], column="cross_id")
        raw = raw.without(frozenset(unused))
    for i, text in enumerate(raw.columns["cross_id"]):
        tag = issued.by_name.get(text)
        if tag is None:
            _misread(raw, i, text, issued, notes)
            continue
        _fill_in(raw, i, tag)
        _pods_before_flowers(raw, i, notes)
    return raw


def check_parents(
    raw: RawTable, mothers: Collection[str], fathers: Collection[str], issued: IssuedTags, notes: Problems
) -> None:
    """Parents in the book against those on the tag; on an empty tag, against the plan."""
    for i, (text, mother, father) in enumerate(zip(raw.columns["cross_id"], mothers, fathers, strict=True)):
        tag = issued.by_name.get(text)
        if tag is None or not mother or not father:
            continue
        if tag.empty:
            _on_the_plan(raw, i, mother, father, issued, notes)
        elif mother != tag.mother:
            fault = Fault(
                f"Tag {text} was printed for the mother {tag.mother!r}, but the book says {mother!r}.",
                "Look at the tag: it hangs on the mother. If it was used for another one on purpose, write "
                f"the new parents in tags.csv in the row of {text}.",
            )
            raw.note(notes, i, "mother", fault, mother)
        elif father != tag.father:
            planned = "is on the plan" if (mother, father) in issued.pairs else "is not on the plan"
            fault = Fault(
                f"Tag {text} was printed for the father {tag.father!r}, but the book says {father!r}; "
                f"{mother} x {father} {planned}.",
                "Correct the father; if the other pollen was used, write it on the tag and in tags.csv too.",
                Severity.WARNING,
            )
            raw.note(notes, i, "father", fault, father)


def _unused(raw: RawTable, i: int, issued: IssuedTags, sampled: Collection[str]) -> bool:
    text = raw.columns["cross_id"][i]
    return (
        text in issued.by_name
        and text not in sampled
        and all(raw.columns[name][i] in NOTHING for name in _DONE_AT_THE_FLOWER)
    )


def _fill_in(raw: RawTable, i: int, tag: IssuedTag) -> None:
    """Parents that stand on the tag need not be typed."""
    if tag.empty or raw.columns["cross"][i]:
        return
    for column, name in (("mother", tag.mother), ("father", tag.father)):
        if not raw.columns[column][i]:
            raw.columns[column][i] = name
            raw.present.add(column)


def _misread(raw: RawTable, i: int, text: str, issued: IssuedTags, notes: Problems) -> None:
    """A number that is on no printed tag; names of another kind are the user's own."""
    if not text:
        return
    try:
        read_tag(text, issued.season)
    except MisreadTag as misread:
        if misread.reason is Misreading.FORM:
            return
        if misread.meant:
            known = misread.meant in issued.by_name
            printed = "" if known else "; no tag of this number was printed for the season"
            fault = Fault(
                f"This is not a tag number: {misread.reason}{printed}.", _write(misread.meant, known)
            )
        else:
            fault = Fault(
                "This tag number was misread or mistyped: its check letter does not fit its digits "
                f"in season {issued.season}.",
                _alike(raw, i, text, issued),
            )
    else:
        fault = Fault(
            "No tag of this number was printed for the season.",
            "Look at the tag again. The numbers on tags are listed in tags.csv.",
            Severity.WARNING,
        )
    raw.note(notes, i, "cross_id", fault)


def _write(meant: str, known: bool) -> str:
    return f"Look at the tag; if it is {meant}, write that." if known else "Look at the tag again."


def _alike(raw: RawTable, i: int, text: str, issued: IssuedTags) -> str:
    """What a misread number may be: printed tags that differ by one character or by two exchanged."""
    near = [t for name, t in issued.by_name.items() if _one_slip(name, text.upper())]
    mother, father = raw.columns["mother"][i], raw.columns["father"][i]
    fitting = [t for t in near if (t.mother, t.father) == (mother, father)] if mother and father else []
    if len(fitting) == 1:
        return f"Look at the tag; it is probably {fitting[0].name}, printed for {mother} x {father}."
    if near:
        told = " or ".join(
            f"{t.name} ({t.mother} x {t.father})" if not t.empty else t.name for t in near[:_SHOWN]
        )
        return f"Look at the tag; it may be {told}{' or another' if len(near) > _SHOWN else ''}."
    return "Look at the tag, or scan it, and write the number with its letter."


def _one_slip(right: str, written: str) -> bool:
    if len(right) != len(written):
        return False
    differ = [k for k in range(len(right)) if right[k] != written[k]]
    if len(differ) == 2:
        a, b = differ
        return right[a] == written[b] and right[b] == written[a]
    return len(differ) == 1


def _pods_before_flowers(raw: RawTable, i: int, notes: Problems) -> None:
    harvested = next((c for c in ("pods", "seeds") if raw.columns[c][i] not in (*NOTHING, "0")), None)
    if harvested and raw.columns["flowers"][i] in NOTHING and raw.columns["date"][i] in NOTHING:
        fault = Fault(
            f"This tag has {harvested} before it has flowers: neither date nor flowers of the pollination "
            "are written.",
            "Copy date and flowers from the tag; make sure that the pods are not those of another row.",
            Severity.WARNING,
        )
        raw.note(notes, i, harvested, fault)


def _on_the_plan(
    raw: RawTable, i: int, mother: str, father: str, issued: IssuedTags, notes: Problems
) -> None:
    if not issued.pairs or (mother, father) in issued.pairs:
        return
    fathers = sorted({f for m, f in issued.pairs if m == mother})
    turned = (father, mother) in issued.pairs
    if turned:
        what = f"The plan has no cross {mother} x {father}, but the other way round: {father} x {mother}."
        remedy = "The mother is the plant on which the tag hangs: exchange the two if they are the wrong way."
    elif fathers:
        what = f"The father {father!r} is not on the plan for the mother {mother!r}."
        remedy = (
            f"Fathers planned for it: {first_of(fathers, _SHOWN)}. "
            "Correct the father, or leave it if the cross was an extra one."
        )
    else:
        what = f"The mother {mother!r} is not on the plan."
        remedy = "Correct the mother, or leave it if the cross was an extra one."
    raw.note(notes, i, "father" if turned or fathers else "mother", Fault(what, remedy, Severity.WARNING))
