"""Names that are read when the first file asks for them, against a plain set."""

from __future__ import annotations

from pathlib import Path

from crossproof.io.genotypes import read_batch
from crossproof.io.tables.known_names import NamesWhenAsked


def test_a_set_read_once() -> None:
    asked = []

    def read() -> set[str]:
        asked.append(1)
        return {"p", "q"}

    names = NamesWhenAsked(read)
    assert asked == []
    assert "p" in names
    assert "r" not in names
    assert sorted(names) == ["p", "q"]
    assert len(names) == 2
    assert names == {"p", "q"}
    assert names.isdisjoint({"r"})
    assert not names.isdisjoint(["r", "q"])
    assert names | {"r"} == {"p", "q", "r"}
    assert asked == [1]


def test_a_heading_that_says_what_it_is_needs_no_names(tmp_path: Path) -> None:
    path = tmp_path / "calls.csv"
    asked = []
    names = NamesWhenAsked(lambda: asked.append(1) or {"p", "q"})
    for heading, wanted in (("sample_id", 0), ("name", 1)):
        path.write_text(f"{heading},m1,m2\np,A/A,A/C\nq,A/A,C/C\n", encoding="utf-8")
        assert read_batch(path, batch="B", known_samples=names).samples == ("p", "q")
        assert len(asked) == wanted
