"""The VCF standard's own example files are read as their folder says; every exception has its reason.

Source of the files: see tests/bad_inputs/vcf_spec/README.md.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from crossproof.errors import PlateError
from crossproof.io.genotypes import read_batch
from crossproof.model.genotypes import CallBatch

FOLDER = Path(__file__).parents[1] / "bad_inputs" / "vcf_spec"
FAILED = sorted(FOLDER.glob("*/failed/*.vcf"))
PASSED = sorted(FOLDER.glob("*/passed/*.vcf"))

READ_THOUGH_FAILED = {
    "failed_body_chrom_000": "CHROM is only a label here: calls and positions are the same without '<'",
    "failed_body_chrom_001": "a colon in CHROM became allowed with VCF 4.3, and some references use it",
    "failed_body_chrom_003": "CHROM is only a label here",
    "failed_body_format_003": "an underscore in FORMAT became allowed with VCF 4.3; the field is not read",
    "failed_body_sample_005": "about a field (AL) that is not read",
    "failed_body_sample_007": "about a field (DS) that is not read",
    "failed_body_sample_009": "about a field (DS) that is not read",
}
"""Wrong by the standard, read all the same: nothing that is read would mean anything else."""

REFUSED_FOR_OTHER_REASONS = {
    "failed_body_contiguous_000": "number of GL",
    "failed_body_contiguous_001": "number of GL",
    "failed_body_unsorted_000": "number of GL",
    "failed_body_duplicated_002": "number of GL",
    "failed_body_duplicated_001": "one name at several positions",
    "failed_body_duplicated_003": "one name at two positions",
    "failed_body_format_007": "one name at several positions",
}
"""The file has a second fault that is met first. Records out of order are read and said (see the corpus)."""

NO_NAME_TWICE = (
    "the example gives one ID to several records, against the standard's own 'No identifier should be "
    "present in more than one data record': a marker's name is its key here"
)
REFUSED_THOUGH_PASSED = {
    "passed_body_alt": NO_NAME_TWICE
    + "; and one record without ALT has a genotype 0|1, an allele it does not list",
    "passed_body_chrom": NO_NAME_TWICE,
    "passed_body_format": NO_NAME_TWICE,
    "passed_body_pos": NO_NAME_TWICE,
    "passed_body_ref": NO_NAME_TWICE,
    "passed_symbolic_duplicates": NO_NAME_TWICE,
    "passed_body_samples": NO_NAME_TWICE + "; and a record of DP alone holds no genotype",
    "zero_length_LAA": "holds local alleles and no genotype at all, and its last line has no line break",
}


def outcome(path: Path) -> CallBatch | PlateError:
    try:
        return read_batch(path, batch="B", shown_as=path.name)
    except PlateError as refused:
        return refused


def named_apart(path: Path, into: Path) -> Path:
    """The file with a name of its own for every record."""
    number = iter(range(10**6))
    text = path.read_text(encoding="utf-8")
    changed = re.sub(
        r"^([^#\t][^\t]*\t[^\t]*\t)[^\t]*",
        lambda m: f"{m.group(1)}id{next(number)}",
        text,
        flags=re.MULTILINE,
    )
    into.write_text(changed, encoding="utf-8")
    return into


def test_every_exception_names_a_file() -> None:
    assert len(FAILED) >= 40
    assert len(PASSED) >= 10
    assert set(READ_THOUGH_FAILED) | set(REFUSED_FOR_OTHER_REASONS) <= {p.stem for p in FAILED}
    assert set(REFUSED_THOUGH_PASSED) <= {p.stem for p in PASSED}


@pytest.mark.parametrize("path", FAILED, ids=lambda p: f"{p.parts[-3]}-{p.stem}")
def test_failed(path: Path) -> None:
    got = outcome(path)
    if path.stem in READ_THOUGH_FAILED:
        assert isinstance(got, CallBatch), got
        assert len(got.markers) == 1
        return
    assert isinstance(got, PlateError)
    assert all(p.file == path.name and p.problem and p.remedy for p in got.problems)


@pytest.mark.parametrize("path", PASSED, ids=lambda p: f"{p.parts[-3]}-{p.stem}")
def test_passed(path: Path) -> None:
    got = outcome(path)
    if path.stem in REFUSED_THOUGH_PASSED:
        assert isinstance(got, PlateError)
        assert all(p.remedy for p in got.problems)
    else:
        assert isinstance(got, CallBatch), got


SAID = {
    "failed_body_alt_000": "ALT 'R'",
    "failed_body_alt_001": "ALT 'A T'",
    "failed_body_alt_003": "<INS>BLAH>",
    "failed_body_chrom_002": "CHROM",
    "failed_body_duplicated_000": "second record",
    "failed_body_format_000": "FORMAT",
    "failed_body_format_002": "GT, but not as its first",
    "failed_body_format_004": "not a genotype",
    "failed_body_id_000": "ID",
    "failed_body_id_001": "ID",
    "failed_body_no_newline_001": "middle of a line",
    "failed_body_pos_000": "POS",
    "failed_body_pos_001": "POS",
    "failed_body_qual_000": "QUAL",
    "failed_body_ref_000": "REF",
    "failed_body_ref_001": "REF",
    "failed_body_ref_002": "REF",
    "failed_body_sample_000": "not a genotype",
    "failed_body_sample_001": "does not list",
    "failed_body_sample_003": "FORMAT names 3",
    "failed_body_sample_011": "same sample name",
    "failed_body_samples_ploidy_000": "PL has 2 values",
    "failed_body_samples_ploidy_001": "PL has 3 values",
    "failed_body_samples_ploidy_003": "PL has 2 values",
    "failed_header_000": "must be POS",
    "failed_header_001": "no samples",
    "failed_fileformat_000": "version",
}


@pytest.mark.parametrize("name", SAID)
def test_the_refusal_speaks_of_the_cause_that_the_example_was_made_for(name: str) -> None:
    path = next(p for p in FAILED if p.stem == name)
    got = outcome(path)
    assert isinstance(got, PlateError)
    assert any(SAID[name] in p.problem for p in got.problems), [p.sentence() for p in got.problems]


@pytest.mark.parametrize("name", [n for n, why in REFUSED_THOUGH_PASSED.items() if why is NO_NAME_TWICE])
def test_what_passes_is_read_once_its_records_are_named_apart(name: str, tmp_path: Path) -> None:
    path = next(p for p in PASSED if p.stem == name)
    got = outcome(named_apart(path, tmp_path / "apart.vcf"))
    assert isinstance(got, CallBatch), got
    records = sum(not line.startswith("#") for line in path.read_text(encoding="utf-8").splitlines())
    assert len(got.markers) == records


def test_every_kind_of_alternative_allele_is_read(tmp_path: Path) -> None:
    """passed_body_alt without the record whose genotype names an allele that it does not list."""
    path = next(p for p in PASSED if p.stem == "passed_body_alt")
    whole = named_apart(path, tmp_path / "apart.vcf").read_text(encoding="utf-8")
    lines = [line for line in whole.splitlines(True) if "\tC\t.\t100" not in line]
    (tmp_path / "part.vcf").write_text("".join(lines), encoding="utf-8")
    got = outcome(tmp_path / "part.vcf")
    assert isinstance(got, CallBatch), got
    alleles = {a for pair in got.markers.alleles for a in pair}
    assert {"<DEL>", "<DUP:TANDEM>", "*", "]1:100]AGT", "AGT[1:100[", ".A", "A.", "TGA", "<*>"} <= alleles


def test_genotypes_of_the_sample_columns_are_those_written(tmp_path: Path) -> None:
    """passed_body_samples without its record of DP alone; calls copied by eye from the file."""
    path = next(p for p in PASSED if p.stem == "passed_body_samples")
    whole = named_apart(path, tmp_path / "apart.vcf").read_text(encoding="utf-8")
    part = "".join(line for line in whole.splitlines(True) if not line.startswith("1\t600"))
    (tmp_path / "part.vcf").write_text(part, encoding="utf-8")
    got = outcome(tmp_path / "part.vcf")
    assert isinstance(got, CallBatch), got
    calls = {int(got.markers.pos[r]): b.calls[i].tolist() for b in got.blocks for i, r in enumerate(b.rows)}
    assert calls[100] == [[0, 0], [0, 1]]
    assert calls[200] == [[0, 0], [0, 1]]  # no GT: the likeliest of -0.13,-0.58,-3.62 and -2.45,0,-5
    assert calls[300] == [[1, 0], [0, 1]]
    assert calls[400] == [[1, 2], [0, 1]]
    assert calls[500] == [[1, 2], [0, 1]]
