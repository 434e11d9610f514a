"""What a code holds, and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crossproof.field.codes import Code, MisreadCode, code_of_plant, parse_code, plant_name
from crossproof.model.tag_numbers import TagNumber, has_form, verify

TAG = str(TagNumber("2027", 143))


def test_a_code_holds_season_tag_and_plant_and_nothing_else():
    assert Code("2027", TAG).text == "2027.0143J"
    assert Code("2027", TAG, "3").text == "2027.0143J.3"
    assert Code("2027", "A/1.b ü").text == "2027.A%2F1%2Eb%20%C3%BC"


NAMES = st.text(
    st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=8
)  # what a cell can hold


@given(tag=NAMES, plant=st.one_of(st.just(""), NAMES))
def test_every_name_comes_back(tag, plant):
    code = Code("2027", tag, plant)
    assert code.text.isascii()
    if len(code.text) > 120 or (has_form(tag) and not verify(tag, "2027")):
        with pytest.raises(MisreadCode):
            parse_code(code.text)
    else:
        assert parse_code(f" {code.text}\r\n") == code


@given(tag=NAMES, plant=NAMES)
def test_a_plant_keeps_its_name(tag, plant):
    assert plant_name(code_of_plant("2027", tag, plant)) == plant
    named_after_tag = f"{tag}-{plant}"
    assert plant_name(code_of_plant("2027", tag, named_after_tag)) == named_after_tag


def test_the_plant_of_a_tag_is_short():
    assert code_of_plant("2027", TAG, f"{TAG}-3").text == "2027.0143J.3"
    assert plant_name(Code("2027", TAG)) == ""


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not the code"),
        ("x" * 200, "not the code"),
        ("0143J", "reads season, point, tag"),
        ("2027.0143J.3.4", "reads season, point, tag"),
        ("2027..3", "reads season, point, tag"),
        ("2027.0143K", "The check letter of 0143K does not fit season 2027"),
        ("27.0143J", "'27' is no season"),
        ("2027.%FF", "damaged"),
        ("2027.0143J<script>", "reads season, point, tag"),
        ("https://example.org/0143J", "reads season"),
    ],
)
def test_what_is_no_code_is_refused_with_the_reason(text, why):
    with pytest.raises(MisreadCode, match=why):
        parse_code(text)


def test_a_code_is_checked_where_it_is_made():
    with pytest.raises(ValueError, match="season"):
        Code("summer", TAG)
    with pytest.raises(ValueError, match="needs a tag"):
        Code("2027", "")
