"""PL, GL and AD of accepted records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crossproof.io.vcf.fields import parse_numeric
from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import Refused
from crossproof.io.vcf.phred import NO_DEPTH, NO_PHRED, filled_in, haploid_to_diploid, phred_of_calls
from crossproof.model.genotypes import genotype_alleles, n_genotypes


def parse(samples: list[str], form: str, k: int, columns: list[int] | None = None):
    """Phred and depths of one record, and the refusals."""
    text = "\t".join(samples).encode() + b"\n"
    refused: list[tuple[int, str]] = []
    keep = np.arange(len(samples)) if columns is None else np.array(columns)
    numeric = parse_numeric(
        b"head\t" + text,
        np.array([5]),
        np.array([4 + len(text)]),
        len(samples),
        keep,
        [FieldLayout.parse(form, {})],
        np.array([k]),
        want_phred=True,
        want_depths=True,
        refuse=lambda row, column, value, fault: refused.append((column, fault.why)),
    )
    group = numeric.groups[k]
    return group.phred, group.depths, refused


def plain(text: str, count: int) -> list[int] | None:
    """The field's numbers the simple way; None where one is missing."""
    values = text.split(",")
    return None if "." in values or len(values) != count else [int(v) for v in values]


NUMBER = st.one_of(st.integers(0, 99), st.integers(0, 70_000))


@st.composite
def record(draw: st.DrawFn) -> tuple[int, list[str]]:
    k = draw(st.integers(1, 5))
    n_g = n_genotypes(k)
    # Repeating a few samples makes shapes that are common enough for the fast path.
    sample = st.builds(
        lambda ad, pl, cut: ":".join(["0/0", ad, "9", pl][: cut + 1]),
        st.one_of(
            st.just("."),
            st.lists(NUMBER, min_size=k, max_size=k).map(lambda v: ",".join(map(str, v))),
            st.lists(NUMBER, min_size=k, max_size=k).map(lambda v: ",".join(["."] + list(map(str, v[1:])))),
        ),
        st.one_of(
            st.just("."),
            st.lists(NUMBER, min_size=n_g, max_size=n_g).map(lambda v: ",".join(map(str, v))),
        ),
        st.integers(0, 3),
    )
    return k, draw(st.lists(sample, min_size=1, max_size=8)) * draw(st.sampled_from([1, 40]))


@settings(max_examples=200, deadline=None)
@given(record())
def test_fast_path_equals_the_simple_reading(case: tuple[int, list[str]]) -> None:
    k, samples = case
    phred, depths, refused = parse(samples, "GT:AD:DP:PL", k)
    assert refused == []
    for i, sample in enumerate(samples):
        cells = sample.split(":") + ["."] * 4
        ad, pl = plain(cells[1], k), plain(cells[3], n_genotypes(k))
        assert depths[0, i].tolist() == ([NO_DEPTH] * k if ad is None else [min(v, NO_DEPTH - 1) for v in ad])
        wanted = [NO_PHRED] * n_genotypes(k) if pl is None else [min(v - min(pl), 255) for v in pl]
        assert phred[0, i].tolist() == wanted


@pytest.mark.parametrize("copies", [1, 200])
@pytest.mark.parametrize(
    ("sample", "why"),
    [
        ("0/1:1:9:1,2,3", "AD has 1 values"),
        ("0/1:1,2,3:9:1,2,3", "AD has 3 values"),
        ("0/1:1,2:9:1,2", "PL has 2 values"),
        ("0/1:1,2:9:1,2,3,4", "PL has 4 values"),
        ("0/1:1,2:9:1,,3", "PL holds ''"),
        ("0/1:1,-2:9:1,2,3", "AD holds '-2'"),
        ("0/1:1,2:9:1,2.5,3", "PL holds '2.5'"),
        ("0/1:1,2:9:1,2,3:7", "The sample has 5 values"),
        ("0/1:1,2:9:1,2,/", "PL holds '/'"),
        ("0/1:1,2:9:1,2,:", "The sample has 5 values"),
    ],
)
def test_wrong_fields_are_refused_at_their_sample(sample: str, why: str, copies: int) -> None:
    samples = ["0/1:1,2:9:1,2,3"] * copies + [sample] + ["0/1:1,2:9:1,2,3"] * copies
    _, _, refused = parse(samples, "GT:AD:DP:PL", 2)
    assert len(refused) == 1
    assert refused[0][0] == copies
    assert why in refused[0][1]


def test_only_kept_samples_are_read() -> None:
    samples = [f"0/1:{i},1:9:0,{i},9" for i in range(5)] + ["0/1:broken"]
    phred, depths, refused = parse(samples, "GT:AD:DP:PL", 2, columns=[1, 4])
    assert refused == []
    assert depths[0].tolist() == [[1, 1], [4, 1]]
    assert phred[0].tolist() == [[0, 1, 9], [0, 4, 9]]


@pytest.mark.parametrize("copies", [1, 100])
def test_gl_by_hand(copies: int) -> None:
    # -10 x log10: -0.48 -> 4.8, -1.2 -> 12, 0 -> 0; the best is shifted to 0 and the rest rounded.
    phred, _, refused = parse(["0/1:-0.48,0,-1.2", "0/0:-3e-1,-2.0,-99"] * copies, "GT:GL", 2)
    assert refused == []
    assert phred[0, :2].tolist() == [[5, 0, 12], [0, 17, 255]]
    assert (phred[0, ::2] == phred[0, 0]).all()


def test_haploid_likelihoods_by_hand() -> None:
    # One allele drawn from a/b shows a or b with probability 1/2: L(0/1) = (L(0) + L(1)) / 2.
    scores = haploid_to_diploid(np.array([0.0, 10.0]), 2)
    np.testing.assert_allclose(scores, [0.0, -10 * np.log10((1 + 0.1) / 2), 10.0], rtol=1e-12)


def test_likelihoods_of_calls_by_hand() -> None:
    calls = np.array([[0, 1], [1, 1], [-1, -1], [-1, 1], [0, -2]], dtype=np.int8)
    wanted = [[20, 0, 20], [20, 20, 0], [0, 0, 0], [20, 3, 0], [0, 3, 20]]
    assert phred_of_calls(calls, 2).tolist() == wanted


def test_calls_at_no_read_are_filling_where_nearly_all_are_homozygous_for_the_reference() -> None:
    nothing = np.ones((1, 20), dtype=bool)
    reference = np.zeros((1, 20, 2), dtype=np.int8)
    assert filled_in([(nothing, reference)])
    mixed = reference.copy()
    mixed[0, :4] = [0, 1]
    assert not filled_in([(nothing, mixed)])
    assert not filled_in([(nothing, np.full((1, 20, 2), -1, dtype=np.int8))])
    assert not filled_in([])


@pytest.mark.parametrize("k", [1, 2, 3, 8])
def test_likelihoods_of_calls_favour_the_call(k: int) -> None:
    calls = genotype_alleles(k)
    assert (phred_of_calls(calls, k).argmin(axis=-1) == np.arange(n_genotypes(k))).all()


@pytest.mark.parametrize("form", ["DP", "DP:GT", "GT:GT", "GT::DP", "", "GT:D P"])
def test_formats_that_are_refused(form: str) -> None:
    with pytest.raises(Refused):
        FieldLayout.parse(form, {})


@pytest.mark.parametrize("field", ["PL", "GL"])
@pytest.mark.parametrize(("odd", "refused"), [("1", True), ("|1", True), ("12", True), (".", False)])
def test_a_haploid_genotype_among_many_is_found_beside_diploid_likelihoods(
    field: str, odd: str, refused: bool
) -> None:
    """VCF 4.3, section 1.6.2, GL: "In presence of the GT field the same ploidy is expected"."""
    values = "9,0,30" if field == "PL" else "-0.9,0,-3"
    samples = [f"0/1:{values}"] * 200
    samples[137] = f"{odd}:{values}"
    phred, _, said = parse(samples, f"GT:{field}", 2)
    assert [column for column, _ in said] == ([137] if refused else [])
    if refused:
        assert "beside a haploid genotype, which needs 2" in said[0][1]
    assert phred is not None
    others = np.delete(phred[0], 137, axis=0) if refused else phred[0]
    assert (others == [9, 0, 30]).all()
