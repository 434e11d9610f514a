"""Every promised kind of broken input has its case in the corpus (covered.yaml says which)."""

from __future__ import annotations

import fnmatch
import re
from pathlib import Path

import pytest
import yaml

TESTS = Path(__file__).parents[1]
CORPUS = TESTS / "bad_inputs"
COVERED = yaml.safe_load((Path(__file__).parent / "covered.yaml").read_text(encoding="utf-8"))
ITEMS = [(part, item) for part, items in COVERED.items() for item in items]


def names_of(file: str) -> set[str]:
    return {str(c["name"]) for c in yaml.safe_load((CORPUS / "genotypes" / file).read_text(encoding="utf-8"))}


GENOTYPES = {"vcf": names_of("vcf.yaml"), "tables": names_of("tables.yaml")}


def exists(case: str) -> bool:
    kind, _, name = case.partition(":")
    if kind in GENOTYPES:
        return name in GENOTYPES[kind]
    if kind == "records":
        return (CORPUS / "records" / name / "expected.yaml").is_file()
    assert kind == "test", case
    file, _, test = name.partition("::")
    defined = re.findall(r"^def (test_\w+)", (TESTS / file).read_text(encoding="utf-8"), flags=re.MULTILINE)
    return any(fnmatch.fnmatch(d, test) for d in defined)


def test_nothing_promised_is_left_out() -> None:
    counts = {part: len(items) for part, items in COVERED.items()}
    # Items of the lists as they were given: counted by hand.
    assert counts == {"vcf": 22, "tables": 15, "records": 8, "misread by general readers": 31}


@pytest.mark.parametrize(("part", "item"), ITEMS, ids=lambda x: str(x).replace(" ", "-"))
def test_item_has_its_cases(part: str, item: str) -> None:
    cases = COVERED[part][item]
    assert cases
    assert [c for c in cases if not exists(c)] == []
