"""Names that look alike fall together; names that are truly different do not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.errors import Severity
from crossproof.io.records.cross_text import split_cross
from crossproof.io.sheets.names import difference, loose_skeleton, meant, name_fault, skeleton


@pytest.mark.parametrize(
    ("one", "other", "words"),
    [
        ("Lark", "lark", "capital letters"),
        ("Lark 2", "Lark2", "spaces"),
        ("Lark 2", "Lark\u00a02", "spaces"),
        (
            "Lark",
            "L\u0430rk",
            "letters that look alike (Latin small letter a in place of Cyrillic small letter a)",
        ),  # Cyrillic small a
        ("Ava", "\u0391va", "letters that look alike"),  # Greek capital alpha
        ("Lark", "Lark\u200b", "an invisible character"),
        ("Lark-2", "Lark\u20132", "letters that look alike"),  # en dash
        ("Lark2", "Lark\uff12", "letters that look alike"),  # full-width digit
        ("caf\u00e9", "cafe\u0301", "how its accents are stored"),  # composed and decomposed
    ],
)
def test_look_alikes_have_one_skeleton(one: str, other: str, words: str) -> None:
    assert skeleton(one) == skeleton(other)
    assert difference(one, other).startswith(words)


@pytest.mark.parametrize(
    ("one", "other"), [("L1", "L11"), ("L01", "L1"), ("A-1", "A1"), ("Lark", "Larks"), ("é1", "e1")]
)
def test_different_names_stay_different(one: str, other: str) -> None:
    assert skeleton(one) != skeleton(other)


@given(st.text(max_size=20))
def test_a_skeleton_is_its_own_skeleton(name: str) -> None:
    assert skeleton(skeleton(name)) == skeleton(name)


def test_loose_comparison_forgives_zeros_and_hyphens() -> None:
    assert loose_skeleton("L-007") == loose_skeleton("l7")
    assert loose_skeleton("L10") != loose_skeleton("L1")
    assert meant("x1", ["X001", "X002"]) == "X001"
    assert meant("x1", ["X001", "X-1"]) == ""
    assert meant("X9", ["X001"]) == ""


@pytest.mark.parametrize("name", ["Lark", "S-01", "7", "x", "; rm -rf /", "日本1", "été", "A/B", "-", "#1"])
def test_ordinary_names_have_no_error(name: str) -> None:
    fault = name_fault(name)
    assert fault is None or (name == "-" and fault.severity is Severity.WARNING)


@pytest.mark.parametrize(
    ("name", "severity"),
    [
        ("=1+1", Severity.WARNING),
        ("@home", Severity.WARNING),
        ("a\nb", Severity.ERROR),
        ("a\u202eb", Severity.WARNING),
        ("x" * 201, Severity.ERROR),
        ("Mar-01", Severity.WARNING),
        ("1.00E+05", Severity.WARNING),
    ],
)
def test_names_with_a_fault(name: str, severity: Severity) -> None:
    assert name_fault(name).severity is severity


NAME = st.text(alphabet="ABcd019-_", min_size=1, max_size=6)


@given(NAME, NAME, st.sampled_from([" x ", " X ", " × ", "×", "/", " / ", "  x  "]))
def test_crosses_round_trip(mother: str, father: str, sign: str) -> None:
    assert split_cross(f"{mother}{sign}{father}", ()) == ((mother, father), None)


@pytest.mark.parametrize(
    ("text", "known", "parents"),
    [
        # Purdy et al. 1968: in A/B//C the cross A/B is the mother of the later cross.
        ("A/B//C", (), ("A/B", "C")),
        ("A//B/C", (), ("A", "B/C")),
        ("A/1 x B/2", (), ("A/1", "B/2")),
        ("A/1/B", ("A/1", "B"), ("A/1", "B")),
        ("A/1/B", ("A", "1/B"), ("A", "1/B")),
        ("max x rex", (), ("max", "rex")),
        ("axe/box", (), ("axe", "box")),
    ],
)
def test_names_with_signs_of_their_own(text: str, known: tuple[str, ...], parents: tuple[str, str]) -> None:
    assert split_cross(text, known) == (parents, None)


@pytest.mark.parametrize(
    ("text", "known"),
    [
        ("A/1/B", ()),
        ("A/1/B", ("A", "1/B", "A/1", "B")),
        ("A x B x C", ()),
        ("A x", ()),
        ("x B", ()),
        ("A", ()),
        ("AxB", ()),
        ("A-B", ("A", "B")),
        ("A*2/B*3/C", ()),
    ],
)
def test_texts_that_no_one_can_split(text: str, known: tuple[str, ...]) -> None:
    parents, fault = split_cross(text, known)
    assert parents == ("", "")
    assert fault.remedy


def test_known_parents_make_the_remedy_exact() -> None:
    assert "Write A x B, with spaces" in split_cross("AxB", ("A", "B"))[1].remedy
    assert "Write A x B, with spaces" in split_cross("A-B", ("A", "B"))[1].remedy
