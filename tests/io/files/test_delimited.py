"""Records of delimited text and the lines they begin on, counted by hand."""

from __future__ import annotations

import csv

import pytest

from crossproof.io.files.delimited import Delimited, QuotationError

TEXT = '# made by hand\na,b\n# between\n"one\ntwo",x\n\ny,"# no comment"\n'


def test_a_record_has_the_line_it_begins_on() -> None:
    found = Delimited(TEXT, ",", largest=100, comments=True)
    assert list(found) == [
        (2, ["a", "b"]),
        (4, ["one\ntwo", "x"]),
        (6, []),
        (7, ["y", "# no comment"]),
    ]
    assert found.comments == [(1, "# made by hand\n"), (3, "# between\n")]


def test_without_comments_every_line_is_a_record() -> None:
    assert [line for line, _ in Delimited(TEXT, ",", largest=100, skip=1)] == [2, 3, 4, 6, 7]


@pytest.mark.parametrize(
    ("text", "start", "last"),
    [('a,b\n1,"open\n2,3\n', 2, 3), ('a,b\n1,2\n"x"y,3\n', 3, 3), ("a,b\n12345678901,2\n", 2, 2)],
)
def test_where_reading_stopped(text: str, start: int, last: int) -> None:
    before = csv.field_size_limit()
    with pytest.raises(QuotationError) as caught:
        list(Delimited(text, ",", largest=10))
    assert (caught.value.start, caught.value.last) == (start, last)
    assert csv.field_size_limit() == before
