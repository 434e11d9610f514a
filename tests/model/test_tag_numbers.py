"""Tag numbers: the published check letter, and what it catches."""

from __future__ import annotations

import pytest

from crossproof.model.tag_numbers import (
    LETTERS,
    MOST_TAGS,
    Misreading,
    MisreadTag,
    TagNumber,
    check_letter,
    has_form,
    is_season,
    read_tag,
    verify,
)

# Worked example of Spain's Dirección General de Ordenación del Juego, "Cálculo del dígito de control del
# NIF/NIE" (12345678 leaves 14, letter Z), and of a teaching page, teleacademia.es, "Cálculo de la letra del
# NIF" (56789423 leaves 8, letter P).
PUBLISHED = (("12345678", "Z"), ("56789423", "P"))


@pytest.mark.parametrize(("digits", "letter"), PUBLISHED)
def test_letters_of_the_published_examples(digits, letter):
    assert check_letter(digits[:4], digits[4:]) == letter


def test_the_table_is_the_published_one():
    # The table of the same page, remainder by remainder.
    assert " ".join(LETTERS) == "T R W A G M Y F P D X B N J Z S Q V H L C K E"
    assert not set(LETTERS) & set("IOU")


def test_every_single_error_and_every_exchange_of_two_digits_is_caught():
    for serial in (1, 143, 999, 4096, 9870, 12345):
        right = str(TagNumber("2027", serial))
        wrong = set()
        for i, old in enumerate(right[:-1]):
            wrong |= {right[:i] + d + right[i + 1 :] for d in "0123456789" if d != old}
            for j in range(i + 1, len(right) - 1):
                swapped = list(right)
                swapped[i], swapped[j] = swapped[j], swapped[i]
                wrong.add("".join(swapped))
        wrong |= {right[:-1] + letter for letter in LETTERS}
        wrong.discard(right)
        assert len(wrong) > 50
        assert [w for w in wrong if verify(w, "2027")] == []
        assert verify(right, "2027")


def test_a_tag_of_the_season_before_has_another_letter():
    changed = sum(not verify(str(TagNumber("2026", n)), "2027") for n in range(1, 1001))
    assert changed == 1000  # one more in the season shifts the remainder by 10,000 mod 23 = 18


def test_numbers_are_written_with_four_digits_and_more_where_needed():
    assert str(TagNumber("2027", 7))[:-1] == "0007"
    assert str(TagNumber("2027", 12345))[:-1] == "12345"
    assert str(TagNumber("20272", MOST_TAGS))[:-1] == "999999"


@pytest.mark.parametrize("text", ["0143J", "9999" + check_letter("2027", "9999")])
def test_a_right_number_is_read_as_it_stands(text):
    assert str(read_tag(text, "2027")) == text


@pytest.mark.parametrize(
    ("text", "reason", "meant"),
    [
        ("0143K", Misreading.LETTER, ""),
        ("0134J", Misreading.LETTER, ""),
        ("0143j", Misreading.WRITING, "0143J"),
        ("143J", Misreading.WRITING, "0143J"),
        ("00143J", Misreading.WRITING, "0143J"),
        ("0143 J", Misreading.WRITING, "0143J"),
        ("0143-J", Misreading.WRITING, "0143J"),
        (" 0143J", Misreading.WRITING, "0143J"),
        ("0143", Misreading.NO_LETTER, "0143J"),
        ("X001", Misreading.FORM, ""),
        ("0000T", Misreading.FORM, ""),
        ("", Misreading.FORM, ""),
        ("٠١٤٣J", Misreading.FORM, ""),
        ("0143JJ", Misreading.FORM, ""),
    ],
)
def test_what_is_wrong_is_named_and_never_mended(text, reason, meant):
    with pytest.raises(MisreadTag) as refused:
        read_tag(text, "2027")
    assert (refused.value.reason, refused.value.meant) == (reason, meant)


def test_form_and_season():
    assert has_form("0143K")
    assert not has_form("X001")
    assert not has_form("143K")
    assert is_season("2027")
    assert is_season("20272")
    assert not is_season("27")
    assert not is_season("2027a")
    assert not is_season("２０２７")
    for season, serial in (("27", 1), ("2027", 0), ("2027", MOST_TAGS + 1)):
        with pytest.raises(ValueError, match=r"season|number"):
            TagNumber(season, serial)
