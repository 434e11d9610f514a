"""The outermost element of a drawing: well-formed whatever names say, and read aloud by its label."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from crossproof.report.draw.svg import svg, text


@pytest.mark.parametrize("name", ["Lark & Wren", '<b onload="x">', "a\x00b", "\u202eevil"])
def test_names_stay_text(name: str) -> None:
    drawn = svg(100, 50, name, [text(1, 2.25, name, "small", "end")], "map")
    root = ElementTree.fromstring(drawn)
    (words,) = root
    assert (root.tag, root.attrib["viewBox"], root.attrib["class"]) == ("svg", "0 0 100 50", "map")
    assert words.attrib == {"x": "1.0", "y": "2.2", "text-anchor": "end", "class": "small"}
    assert words.text == root.attrib["aria-label"]
    assert len(list(root.iter())) == 2


def test_no_class_unless_asked() -> None:
    assert "class" not in svg(1, 1, "a drawing", [text(0, 0, "word")])
