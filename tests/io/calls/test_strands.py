"""The strand of a marker's alleles, by hand: A pairs with T, and C with G (the strands of DNA)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from crossproof.io.calls.batch_join import JoinedCalls, join_batches
from crossproof.io.calls.strands import other_strand_fits, reading_of, reads_both_ways
from crossproof.io.genotypes import read_batch


@pytest.mark.parametrize(
    ("known", "given", "read"),
    [
        ("AG", "GA", "GA"),  # the same two
        ("AG", "TC", "AG"),  # exactly the mates
        ("AG", "A", "A"),  # one of them
        ("AG", "T", None),  # the mate of one: the other strand, or a third allele
        ("A", "T", None),
        ("A", "C", "C"),  # two alleles on either reading
        ("AT", "TA", "TA"),
    ],
)
def test_reading(known: str, given: str, read: str | None) -> None:
    found, why = reading_of(tuple(known), tuple(given))
    assert found == (None if read is None else tuple(read))
    assert (why == "") == (read is not None)


def test_sizes_beside_bases_are_no_reading() -> None:
    assert reading_of(("152", "158"), ("A", "G"))[0] is None
    assert reading_of(("152", "158"), ("160",))[0] == ("160",)


def test_two_pairs_read_both_ways() -> None:
    assert [reads_both_ways(set(s)) for s in ("AT", "CG", "AG", "A", "ACT")] == [
        True,
        True,
        False,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("sets", "fits"),
    [
        (("AG", "AG"), False),  # turned: T and C beside A and G, four in all
        (("AG", "A"), False),  # turned: A, G and T
        (("A", "G"), True),  # the second turned: A and C, as few
        (("A", "C", "AG"), True),  # the second turned is G: two instead of three
        (("ATG", "AT"), True),  # A and T are each other's mates
        (("A", "A"), False),  # one allele: nothing to confuse
    ],
)
def test_whether_the_other_strand_would_fit(sets: tuple[str, ...], fits: bool) -> None:
    held = frozenset(frozenset(s) for s in sets)
    assert other_strand_fits(held, len(frozenset().union(*held))) is fits


def joined(folder: Path, *tables: str) -> JoinedCalls:
    batches = []
    for i, table in enumerate(tables):
        path = folder / f"{i}.csv"
        path.write_text(table)
        batches.append(read_batch(path, batch=f"B{i}", layout="wide"))
    return join_batches(batches)


def test_one_allele_in_each_file_is_set_aside_where_a_file_is_turned(tmp_path: Path) -> None:
    # Plants a and b are typed on the forward strand, c and d on the other. At m2 a and b have A, c and d have
    # G, which the second file calls C: as it is given, a sib of c with G would have an allele that c lacks.
    forward = "sample_id,m1,m2\na,A/A,A/A\nb,G/G,A/A\n"
    other = "sample_id,m1,m2\nc,T/T,C/C\nd,C/C,C/C\n"
    both = joined(tmp_path, forward, other)
    assert both.markers.ids.tolist() == ["m1"]
    assert [p.column for p in both.problems if "set aside" in p.problem] == ["m2"]
    same = joined(tmp_path, forward, other.replace("T/T,C/C", "A/A,C/C").replace("d,C/C", "d,G/G"))
    assert same.markers.ids.tolist() == ["m1", "m2"]


def test_three_alleles_are_set_aside_unless_a_plant_typed_twice_agrees(tmp_path: Path) -> None:
    # m2 has A, T and G; the second file is turned, so that its A is T, and its T is A.
    forward = "sample_id,m1,m2\na,A/A,A/A\nb,G/G,T/G\n"
    for sample, kept in (("c", False), ("a", False)):
        other = f"sample_id,m1,m2\n{sample},T/T,T/T\nd,C/C,A/A\n"
        assert ("m2" in joined(tmp_path, forward, other).markers.ids.tolist()) is kept
    mixed = "sample_id,m1,m2\na,T/T,A/A\nd,C/C,T/T\n"  # turned at m1, not at m2, as plant a proves
    assert "m2" in joined(tmp_path, forward, mixed).markers.ids.tolist()


def test_a_call_of_a_file_that_knows_one_allele_counts(tmp_path: Path) -> None:
    head = "##fileformat=VCFv4.2\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t"
    (tmp_path / "one").write_text(head + "a\tb\n1\t5\tm1\tA\t.\t.\t.\t.\tGT:PL\t0/0:0\t./.:.\n")
    (tmp_path / "two").write_text(head + "c\n1\t5\tm1\tA\tG\t.\t.\t.\tGT:PL\t0/1:30,0,30\n")
    batches = [read_batch(tmp_path / name, batch=name) for name in ("one", "two")]
    both = join_batches(batches)
    (block,) = both.blocks(batches[0])
    assert block.phred is not None
    # 20 on the phred scale is an error in 100: what a call without likelihoods is taken for.
    assert np.array_equal(block.phred[0], [[0, 20, 20], [0, 0, 0]])
