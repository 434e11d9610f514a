"""Simulated seasons: genetics against Mendel and Haldane, noise against its rates, files against a reader."""

from __future__ import annotations

import gzip
import io
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from quiet_seasons import QUIET

from crossproof.errors import Severity, UsageError
from crossproof.io.genotypes import read_batch
from crossproof.io.records.season_records import read_season
from crossproof.io.vcf.bgzf import END_OF_FILE, BgzfWriter, bgzf
from crossproof.model.plates import parse_well
from crossproof.model.results import Relation
from crossproof.simulate import (
    PRESETS,
    BatchFormat,
    FaultKind,
    OffKind,
    PlateFault,
    SeasonPlan,
    preset,
    simulate_folder,
    simulate_season,
    stream_plants,
    stream_vcf,
    write_season,
    write_stream_season,
)
from crossproof.simulate.genome import draw_genome, gametes, mate
from crossproof.simulate.noise import call_error, calls_from_depths, phred_from_depths
from crossproof.simulate.plants import identifiable_mask, relation_of_cross


def season(plan: SeasonPlan, seed: int = 5):
    return simulate_season(plan, np.random.default_rng(seed))


def genotypes_of(sim, sample: str) -> np.ndarray:
    return sim.well_genotypes[:, sim.samples.index[sim.samples["sample_id"] == sample][0]]


# --- genetics -----------------------------------------------------------------------------------------


def test_f2_segregates_one_to_two_to_one() -> None:
    """Mendel's ratio: 1/4, 1/2, 1/4; limits are 4 standard deviations of a binomial of 60,000."""
    rng = np.random.default_rng(1)
    genome = draw_genome(SeasonPlan(n_markers=30), rng)
    f1 = np.zeros((2000, 2, 30), dtype=np.int8)
    f1[:, 1] = 1
    f2 = mate(f1, f1, genome, rng).sum(axis=1)
    # markers of one chromosome are linked, so count one marker of each of 11 chromosomes
    first = np.flatnonzero(genome.recombination == 0.5)
    share = np.bincount(f2[:, first].ravel(), minlength=3) / f2[:, first].size
    assert len(first) == 11
    limit = 4 * np.sqrt(0.25 / f2[:, first].size)
    assert share == pytest.approx([0.25, 0.5, 0.25], abs=limit)


def test_recombination_follows_haldane() -> None:
    """Recombinant gametes between neighbours of a doubly heterozygous plant; Haldane 1919 (memory)."""
    rng = np.random.default_rng(2)
    genome = draw_genome(SeasonPlan(n_markers=6, chromosomes=2, morgans=0.6), rng)
    plant = np.zeros((40_000, 2, 6), dtype=np.int8)
    plant[:, 1] = 1
    drawn = gametes(plant, genome, rng)
    recombinant = (np.diff(drawn, axis=1) != 0).mean(axis=0)
    morgan = genome.markers.pos / 40e6  # 40 megabases a Morgan, as the simulator sets it
    haldane = 0.5 * (1 - np.exp(-2 * np.abs(np.diff(morgan))))
    haldane[2] = 0.5  # the next chromosome begins at the fourth marker
    assert recombinant == pytest.approx(haldane, abs=4 * 0.5 / np.sqrt(40_000))


def test_hybrids_are_heterozygous_wherever_the_parents_differ_and_selfs_equal_the_mother() -> None:
    sim = season(replace(QUIET, off_pedigree=0.0))
    lines = dict(zip(sim.line_names, sim.line_alleles, strict=True))
    crosses = sim.crosses.set_index("cross_id")
    seen = {"hybrid": 0, "self": 0}
    for sample, truth in zip(sim.truth["sample_id"], sim.truth["truth"], strict=True):
        if truth in seen:
            tag = crosses.loc[sample.split("-")[0]]
            other = tag["father"] if truth == "hybrid" else tag["mother"]
            expected = np.sort(np.stack([lines[tag["mother"]], lines[other]], axis=1), axis=1)
            assert (genotypes_of(sim, sample) == expected).all()
            seen[truth] += 1
    assert min(seen.values()) >= 20


def test_outcross_carries_the_mother_and_the_named_donor() -> None:
    sim = season(replace(QUIET, outcross=0.9, off_pedigree=0.0, unknown_donors=0.0))
    lines = dict(zip(sim.line_names, sim.line_alleles, strict=True))
    mothers = sim.crosses.set_index("cross_id")["mother"]
    outcrosses = sim.truth[sim.truth["truth"] == "outcross"]
    assert len(outcrosses) > 80
    for row in outcrosses.itertuples():
        mother = lines[mothers[row.sample_id.split("-")[0]]]
        expected = np.sort(np.stack([mother, lines[row.donor]], axis=1), axis=1)
        assert (genotypes_of(sim, row.sample_id) == expected).all()


@pytest.mark.parametrize(
    ("kind", "relation", "share_het"),
    [
        # of the contrast markers: F2, F3, F4, F7 hold 1/2, 1/4, 1/8, 1/64, alike mixed: 57/256
        (OffKind.ADVANCED, {Relation.ADVANCED}, 57 / 256),
        (OffKind.BACKCROSS, {Relation.BACKCROSS_MOTHER, Relation.BACKCROSS_FATHER}, 0.5),
        (OffKind.FATHER_SELFED, {Relation.FATHER_SELFED}, 0.0),
        (OffKind.OTHER_LINE, {Relation.OTHER_LINE}, 0.0),
        (OffKind.UNKNOWN, {Relation.UNKNOWN}, 0.0),
    ],
)
def test_off_pedigree_kinds(kind: OffKind, relation: set[Relation], share_het: float) -> None:
    plan = replace(
        QUIET, outcross=0.0, off_pedigree=1.0, off_kinds=((kind, 1.0),), n_crosses=60, pod_correlation=0.0
    )
    sim = season(plan)
    lines = dict(zip(sim.line_names, sim.line_alleles, strict=True))
    crosses = sim.crosses.set_index("cross_id")
    assert set(sim.truth["truth"]) == {"off_pedigree"}
    assert set(sim.truth["relation"]) == {str(r) for r in relation}
    het = total = 0
    for sample in sim.truth["sample_id"]:
        tag = crosses.loc[sample.split("-")[0]]
        contrast = lines[tag["mother"]] != lines[tag["father"]]
        plant = genotypes_of(sim, sample)[contrast]
        het, total = het + int((plant[:, 0] != plant[:, 1]).sum()), total + int(contrast.sum())
    # linked markers of one plant share their fate: 600 plants of about 11 independent chromosomes
    assert het / total == pytest.approx(share_het, abs=0.03)


def test_other_cross_shares_neither_hybrid_nor_self_of_its_tag() -> None:
    plan = replace(QUIET, outcross=0.0, off_pedigree=1.0, off_kinds=((OffKind.OTHER_CROSS, 1.0),))
    relations = set(season(replace(plan, n_lines=20, n_crosses=40)).truth["relation"])
    assert str(Relation.OTHER_CROSS) in relations
    assert not relations & {str(Relation.SELF), str(Relation.ADVANCED)}


@pytest.mark.parametrize(
    ("seed", "pollen", "relation", "donor"),
    [
        (0, 1, Relation.HYBRID, -1),
        (1, 0, Relation.HYBRID, -1),  # reciprocal: nuclear markers know no direction
        (0, 0, Relation.SELF, -1),
        (1, 1, Relation.FATHER_SELFED, -1),
        (0, 2, Relation.OUTCROSS_LINE, 2),
        (2, 0, Relation.OUTCROSS_LINE, 2),
        (0, 9, Relation.OUTCROSS_UNKNOWN, 9),
        (3, 3, Relation.OTHER_LINE, 3),
        (9, 9, Relation.UNKNOWN, 9),
        (2, 3, Relation.OTHER_CROSS, -1),
        (2, 1, Relation.OTHER_CROSS, -1),
    ],
)
def test_relation_to_the_tag(seed: int, pollen: int, relation: Relation, donor: int) -> None:
    """Mother is line 0, father line 1; the panel has 8 lines, so 9 is a line nobody genotyped."""
    assert relation_of_cross(seed, pollen, 0, 1, 8) == (relation, donor)


def test_maternal_markers_tell_the_direction() -> None:
    assert relation_of_cross(1, 0, 0, 1, 8, direction_shows=True) == (Relation.RECIPROCAL, -1)
    assert relation_of_cross(2, 0, 0, 1, 8, direction_shows=True) == (Relation.OTHER_CROSS, -1)
    assert relation_of_cross(0, 2, 0, 1, 8, direction_shows=True) == (Relation.OUTCROSS_LINE, 2)


def test_identifiable_by_hand() -> None:
    """Three markers; mother 000, father 011. An outcross by a donor 011 looks exactly like the hybrid."""
    lines = np.array([[0, 0, 0], [0, 1, 1], [0, 1, 1]], dtype=np.int8)
    haps = np.array(
        [[lines[0], lines[2]], [lines[0], lines[1]], [lines[0], lines[0]], [[0, 1, 0], [0, 0, 0]]]
    )
    relation = [Relation.OUTCROSS_LINE, Relation.HYBRID, Relation.ADVANCED, Relation.ADVANCED]
    pairs = np.repeat(lines[:, None, :], 2, axis=1)
    mask = identifiable_mask(haps, pairs, np.zeros(4, int), np.ones(4, int), relation)
    assert mask.tolist() == [False, True, False, True]


def test_maternal_markers_follow_the_seed_parent() -> None:
    sim = season(replace(QUIET, maternal_markers=3))
    lines = dict(zip(sim.line_names, sim.line_alleles, strict=True))
    mothers = sim.crosses.set_index("cross_id")["mother"]
    rows = sim.markers.maternal
    assert rows.sum() == 3
    checked = 0
    for row in sim.truth[sim.truth["truth"].isin(["hybrid", "self", "outcross"])].itertuples():
        mother = lines[mothers[row.sample_id.split("-")[0]]][rows]
        assert (genotypes_of(sim, row.sample_id)[rows] == mother[:, None]).all()
        checked += 1
    assert checked > 80


def test_sisters_differ_from_their_head_at_the_stated_number_of_markers() -> None:
    sim = season(replace(QUIET, sister_groups=2, sisters_per_group=3, sister_differences=6))
    assert len(sim.line_names) == 8 + 6
    for sister, head in zip(range(8, 14), [0, 0, 0, 1, 1, 1], strict=True):
        assert (sim.line_alleles[sister] != sim.line_alleles[head]).sum() == 6


def test_wrong_father_makes_outcrosses_of_the_hybrids() -> None:
    sim = season(replace(QUIET, wrong_fathers=1.0, outcross=0.0, off_pedigree=0.0))
    assert set(sim.truth["truth"]) == {"self", "outcross"}
    given = sim.truth.merge(sim.cross_truth, left_on=sim.truth["sample_id"].str[:4], right_on="cross_id")
    outcrossed = given[given["truth"] == "outcross"]
    assert len(outcrossed) > 40
    assert (outcrossed["donor"] == outcrossed["father_plant"]).all()


# --- records ------------------------------------------------------------------------------------------


def test_records_agree_with_each_other() -> None:
    sim = season(replace(PRESETS["nursery"], replicate_plants=0.1))
    crosses = sim.crosses.set_index("cross_id")
    assert (crosses["mother"] != crosses["father"]).all()
    assert (crosses["pods"] <= crosses["flowers"]).all()
    assert (crosses["seeds"] >= crosses["pods"]).all()
    assert crosses["anthers_removed"].between(0, 10).all()
    assert crosses["date"].between("2026-05-18", "2026-06-12").all()
    samples = sim.samples
    assert not samples["sample_id"].duplicated().any()
    assert not samples.duplicated(["plate", "well"]).any()
    progeny = samples[samples["role"] == "progeny"]
    plants = progeny.drop_duplicates("plant").groupby("cross_id").size()
    assert (plants <= crosses.loc[plants.index, "seeds"]).all()
    assert (progeny["pod"].astype(int) <= crosses.loc[progeny["cross_id"], "pods"].to_numpy()).all()
    assert progeny["plant"].duplicated().sum() == round(0.1 * progeny["plant"].nunique())


def test_bad_hands_and_pods_show_in_the_truth() -> None:
    """An operator whose log odds of a selfed pod are 3 higher: .3 becomes .896, expit(logit .3 + 3)."""
    people = (PRESETS["nursery"].operators[0], PRESETS["nursery"].operators[3])
    good, bad = (
        replace(people[0], effect=0.0, anthers_left=0.0),
        replace(people[1], effect=3.0, anthers_left=0.0),
    )
    plan = replace(
        QUIET, operators=(good, bad), n_crosses=400, hour_effect=0, temperature_effect=0, mother_spread=0,
        outcross=0.0, off_pedigree=0.0, pod_correlation=1.0,
    )  # fmt: skip
    sim = season(plan)
    joined = sim.truth.merge(sim.samples, on="sample_id").merge(sim.crosses, on="cross_id")
    selfed = (joined["truth"] == "self").groupby(joined["operator"]).mean()
    assert selfed[good.name] == pytest.approx(0.3, abs=0.06)
    assert selfed[bad.name] == pytest.approx(0.896, abs=0.04)
    per_pod = joined.groupby(["cross_id", "pod"])["truth"].nunique()
    assert per_pod.max() == 1


# --- noise --------------------------------------------------------------------------------------------


def test_call_error_rates_are_those_of_the_error_matrix() -> None:
    """200,000 calls each; limits of 4 standard deviations."""
    rng = np.random.default_rng(3)
    n, f, d, e = 200_000, 0.03, 0.08, 0.01
    true = np.zeros((n, 2, 2), dtype=np.int8)
    true[:, 1, 1] = 1  # the second marker is heterozygous
    seen = call_error(true, np.array([2, 2]), np.full((1, 2), f), np.full((1, 2), d), e, rng).sum(axis=1)
    homozygote = np.bincount(seen[:, 0], minlength=3) / n
    heterozygote = np.bincount(seen[:, 1], minlength=3) / n
    limit = 4 * np.sqrt(0.1 / n)
    assert homozygote == pytest.approx([1 - f - e, f, e], abs=limit)
    assert heterozygote == pytest.approx([d / 2, 1 - d, d / 2], abs=limit)


@pytest.mark.parametrize(("depth", "lost_percent"), [(2, 50), (3, 25), (4, 12.5), (5, 6.25)])
def test_heterozygotes_lost_at_depth(depth: int, lost_percent: float) -> None:
    """Share of heterozygotes of whose reads all show one allele.

    Ros-Freixedes et al. 2018, Genet Sel Evol 50:64, Table 5, expected column. At a read error of 0.01 a
    caller calls a 1:d split heterozygous up to depth 5, so that these are the calls lost.
    """
    rng = np.random.default_rng(4)
    second = rng.binomial(depth, 0.5, 100_000)
    depths = np.stack([depth - second, second], axis=-1).astype(np.uint16)
    calls = calls_from_depths(depths, 0.01)
    lost = (calls[:, 0] == calls[:, 1]).mean()
    assert lost == pytest.approx(lost_percent / 100, abs=4 * np.sqrt(0.25 / 100_000))


def test_phred_by_hand() -> None:
    """3 reads of each allele, e = .01: hom -10 log10(.99^3 .01^3) = 60.13, het 60 log10 2 = 18.06."""
    assert phred_from_depths(np.array([[3, 3]], dtype=np.uint16), 0.01).tolist() == [[42, 0, 42]]
    assert phred_from_depths(np.array([[0, 0]], dtype=np.uint16), 0.01).tolist() == [[0, 0, 0]]


def test_reads_have_the_mean_and_the_split_asked_for() -> None:
    plan = replace(QUIET, formats=(BatchFormat.VCF_DEPTH,), depth=6.0, overdispersion=0.0, n_crosses=60)
    plan = replace(plan, depth_marker_shape=1e9, depth_well_sd=0.0)
    sim = season(plan)
    assert sim.depths is not None
    grown = (sim.samples["role"] == "progeny").to_numpy()
    depths, true = sim.depths[:, grown].astype(float), sim.well_genotypes[:, grown].sum(axis=2)
    assert depths.sum(axis=2).mean() == pytest.approx(6.0, rel=0.01)
    second = [depths[true == g, 1].sum() / depths[true == g].sum() for g in range(3)]
    assert second == pytest.approx([0.01, 0.5, 0.99], abs=0.005)


def test_null_alleles_and_mixed_wells_change_calls_and_nothing_else_does() -> None:
    quiet = season(replace(QUIET, blanks_per_plate=0))
    assert (quiet.calls == quiet.well_genotypes).all()
    null = season(
        replace(QUIET, n_lines=40, n_crosses=40, blanks_per_plate=0, null_markers=0.25, null_dropout=1.0)
    )
    wrong = (null.calls != null.well_genotypes).any(axis=(1, 2))
    assert wrong.sum() == 15  # a quarter of 60 markers
    mixed = season(replace(QUIET, blanks_per_plate=0, mixed_wells=0.2, mixed_share=(0.45, 0.5)))
    changed = (mixed.calls != mixed.well_genotypes).any(axis=2)
    assert (mixed.calls[changed][:, 0] != mixed.calls[changed][:, 1]).all()  # a second DNA only adds alleles
    share = changed.any(axis=0).mean()
    assert 0.05 < share < 0.25


# --- plates and their faults --------------------------------------------------------------------------

FULL = replace(QUIET, n_crosses=16, plants_per_cross=12, blanks_per_plate=0, line_replicates=1, n_lines=6)


def found_in(sim, plate: str) -> dict[str, str]:
    """Well to the well whose DNA it holds ("" for none), progeny of one plate."""
    samples = sim.samples.set_index("sample_id")
    mine = sim.truth[sim.truth["sample_id"].map(samples["plate"]) == plate]
    return {
        samples.loc[s, "well"]: (samples.loc[w, "plate"] + " " + samples.loc[w, "well"] if w else "")
        for s, w in zip(mine["sample_id"], mine["in_well"], strict=True)
    }


@pytest.mark.parametrize(
    ("fault", "moves"),
    [
        (PlateFault(FaultKind.ROTATE, "P002"), {"A1": "P002 H12", "B3": "P002 G10", "H12": "P002 A1"}),
        (PlateFault(FaultKind.MIRROR, "P002"), {"A1": "P002 A12", "C5": "P002 C8"}),
        (PlateFault(FaultKind.MIRROR_ROWS, "P002"), {"A1": "P002 H1", "C5": "P002 F5"}),
        (PlateFault(FaultKind.SHIFT, "P002", columns=1), {"A1": "", "A2": "P002 A1", "H12": "P002 H11"}),
        (PlateFault(FaultKind.SHIFT, "P002", rows=-1), {"A1": "P002 B1", "H1": ""}),
        (PlateFault(FaultKind.REVERSE_ROW, "P002", first="B"), {"B1": "P002 B12", "A1": "P002 A1"}),
        (PlateFault(FaultKind.REVERSE_COLUMN, "P002", first="3"), {"A3": "P002 H3", "A1": "P002 A1"}),
        (
            PlateFault(FaultKind.SWAP_STRIPS, "P002", first="2", second="9"),
            {"D2": "P002 D9", "D9": "P002 D2"},
        ),
        (
            PlateFault(FaultKind.SWAP_WELLS, "P002", first="A1", second="C7"),
            {"A1": "P002 C7", "C7": "P002 A1"},
        ),
        (
            PlateFault(FaultKind.SAME_PLANT, "P002", first="A1", second="C7"),
            {"A1": "P002 A1", "C7": "P002 A1"},
        ),
    ],
)
def test_plate_faults_move_the_wells_they_should(fault: PlateFault, moves: dict[str, str]) -> None:
    """ANSI/SLAS 4-2004: 96 wells are rows A to H, columns 1 to 12; a half turn takes A1 to H12."""
    sim = season(replace(FULL, faults=(fault,)))
    found = found_in(sim, "P002")
    assert len(found) == 96
    assert {well: found[well] for well in moves} == moves
    places = sim.samples.set_index("sample_id")
    for sample, source in zip(sim.truth["sample_id"], sim.truth["in_well"], strict=True):
        if source:
            honest = season(FULL)
            expected = honest.well_genotypes[:, places.index.get_loc(source)]
            assert (genotypes_of(sim, sample) == expected).all()
            break


def test_exchanged_plates_and_faults_on_top_of_each_other() -> None:
    faults = (PlateFault(FaultKind.EXCHANGE_PLATES, "P001", "P002"), PlateFault(FaultKind.ROTATE, "P002"))
    sim = season(replace(FULL, faults=faults))
    assert found_in(sim, "P002")["A1"] == "P001 H12"
    assert found_in(sim, "P001")["D5"] == "P002 D5"


def test_open_choices_of_a_fault_are_drawn_and_told() -> None:
    sim = season(replace(FULL, faults=(PlateFault(FaultKind.SWAP_WELLS, "P001"),)))
    told = sim.faults[0]
    assert told.first != told.second
    moved = sim.truth[sim.truth["sample_id"] != sim.truth["in_well"]]["sample_id"]
    wells = sim.samples.set_index("sample_id").loc[moved, "well"]
    assert set(wells) == {told.first, told.second}


def test_contaminated_blanks_carry_their_neighbour() -> None:
    sim = season(replace(QUIET, n_crosses=12, faults=(PlateFault(FaultKind.CONTAMINATE_BLANKS, "P001"),)))
    blank = sim.samples.index[sim.samples["sample_id"] == "P001-blank1"][0]
    above = sim.samples.index[(sim.samples["plate"] == "P001") & (sim.samples["well"] == "G12")][0]
    assert sim.samples.loc[blank, "well"] == "H12"
    assert (sim.calls[:, blank] == sim.calls[:, above]).all()


def test_swapped_tags_carry_the_other_crosses_plants() -> None:
    sim = season(replace(QUIET, n_lines=20, faults=(PlateFault(FaultKind.SWAP_TAGS, "C001", "C002"),)))
    honest = season(replace(QUIET, n_lines=20))
    own = honest.truth[honest.truth["sample_id"].str.startswith("C002-")]["sample_id"]
    swapped = sim.truth[sim.truth["sample_id"].str.startswith("C001-")]["sample_id"]
    assert len(own) == len(swapped) > 5
    for a, b in zip(swapped, own, strict=True):
        assert (genotypes_of(sim, a) == genotypes_of(honest, b)).all()


def test_wrong_tube_of_a_line() -> None:
    sim = season(replace(QUIET, faults=(PlateFault(FaultKind.LINE_IS, "LN02", "LN05", first="2"),)))
    assert (genotypes_of(sim, "LN02-1")[:, 0] == sim.line_alleles[1]).all()
    assert (genotypes_of(sim, "LN02-2")[:, 0] == sim.line_alleles[4]).all()


@pytest.mark.parametrize("wells", [96, 384, 1536])
def test_plates_fill_by_column_and_keep_blanks_last(wells: int) -> None:
    sim = season(replace(QUIET, plate_wells=wells, n_crosses=20))
    first = sim.samples[sim.samples["plate"] == "P001"]
    rows = {96: 8, 384: 16, 1536: 32}[wells]
    assert [parse_well(w).row for w in first["well"][:rows]] == list(range(rows))
    last = {96: "H12", 384: "P24", 1536: "AF48"}[wells]
    assert first.loc[first["role"] == "blank", "well"].tolist() == [last]


# --- seeds and plans ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["clean12", "messy60", "unshared60", "nursery"])
def test_same_seed_same_season(name: str) -> None:
    one, two, other = season(preset(name), 3), season(preset(name), 3), season(preset(name), 4)
    assert (one.calls == two.calls).all()
    pd.testing.assert_frame_equal(one.truth, two.truth)
    pd.testing.assert_frame_equal(one.samples, two.samples)
    assert one.calls.shape != other.calls.shape or (one.calls != other.calls).any()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"missing": 1.2}, "missing must lie in 0 to 1, not 1.2"),
        ({"base_self": 0.0}, "base_self must lie between 0 and 1, not 0.0"),
        ({"n_lines": 3}, "a season needs at least 4 lines"),
        ({"fathers_have_sisters": True}, "needs sister_groups of at least 1"),
        ({"outcross": 0.7, "off_pedigree": 0.4}, "together exceed 1"),
        ({"fragment_alleles": 9}, "must lie in 2 to 8, not 9"),
        ({"formats": ()}, "at least one format"),
    ],
)
def test_impossible_plans_are_refused(change: dict, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        replace(SeasonPlan(), **change)


def test_unknown_plate_of_a_fault_is_refused() -> None:
    plan = replace(FULL, faults=(PlateFault(FaultKind.ROTATE, "P099"),))
    with pytest.raises(ValueError, match="there is no plate 'P099'"):
        season(plan)


# --- files --------------------------------------------------------------------------------------------

EVERY_FORMAT = replace(
    PRESETS["nursery"],
    formats=tuple(BatchFormat),
    panel_on_every_plate=False,
    plants_per_cross=16,
    missing=0.08,
)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    sim = season(EVERY_FORMAT, 9)
    folder = tmp_path_factory.mktemp("season")
    write_season(sim, folder)
    assert len(sim.batch_names) >= 6
    return sim, folder


def as_text(sim, number: int) -> pd.DataFrame:
    """Calls of a batch as A/G text, samples by markers, from the arrays."""
    wells, rows = sim.batch_wells(number), sim.batch_markers[number]
    cells = {}
    for j in rows:
        alleles = sim.markers.alleles[j]
        calls = sim.calls[j, wells]
        cells[sim.markers.ids[j]] = [f"{alleles[a]}/{alleles[b]}" if a >= 0 else "" for a, b in calls]
    return pd.DataFrame(cells, index=sim.samples["sample_id"].to_numpy()[wells])


@pytest.mark.parametrize("form", [BatchFormat.WIDE, BatchFormat.WIDE_BY_MARKER, BatchFormat.LONG])
def test_tables_say_what_the_arrays_hold(written, form: BatchFormat) -> None:
    sim, folder = written
    number = sim.batch_formats.index(form)
    frame = pd.read_csv(
        folder / "genotypes" / f"{sim.batch_names[number]}.csv", dtype=str, keep_default_na=False
    )
    if form is BatchFormat.WIDE:
        frame = frame.set_index("sample_id")
    elif form is BatchFormat.WIDE_BY_MARKER:
        frame = frame.set_index("marker").T
    else:
        frame = frame.pivot(index="sample_id", columns="marker", values="call")
    expected = as_text(sim, number)
    assert (frame.loc[expected.index, expected.columns].to_numpy() == expected.to_numpy()).all()
    assert (expected == "").to_numpy().mean() > 0.04


@pytest.mark.parametrize("form", [BatchFormat.VCF_GT, BatchFormat.VCF_DEPTH, BatchFormat.VCF_PL])
def test_another_reader_finds_the_same_calls_and_depths_in_the_vcf(written, form: BatchFormat) -> None:
    allel = pytest.importorskip("allel")
    sim, folder = written
    number = sim.batch_formats.index(form)
    fields = [
        "samples",
        "variants/ID",
        "variants/POS",
        "calldata/GT",
        "calldata/AD",
        "calldata/DP",
        "calldata/PL",
    ]
    has = {BatchFormat.VCF_GT: 4, BatchFormat.VCF_DEPTH: 6, BatchFormat.VCF_PL: 7}[form]
    read = allel.read_vcf(
        str(folder / "genotypes" / f"{sim.batch_names[number]}.vcf"),
        fields=fields[:has],
        numbers={"AD": 2, "PL": 3},
        types={"calldata/DP": "i4", "calldata/AD": "i4"},
    )
    rows, wells = sim.batch_markers[number], sim.batch_wells(number)
    nuclear = ~sim.markers.maternal[rows]
    calls = sim.calls[np.ix_(rows, wells)]
    assert read["samples"].tolist() == sim.samples["sample_id"].to_numpy()[wells].tolist()
    assert read["variants/ID"].tolist() == sim.markers.ids[rows].tolist()
    assert read["variants/POS"].tolist() == sim.markers.pos[rows].tolist()
    assert (read["calldata/GT"][nuclear] == calls[nuclear]).all()
    assert (read["calldata/GT"][~nuclear][:, :, 0] == calls[~nuclear][:, :, 0]).all()
    assert (read["calldata/GT"][~nuclear][:, :, 1] == -1).all()  # haploid
    if form.has_depth:
        depths = sim.depths[np.ix_(rows, wells)]
        assert (read["calldata/AD"] == depths).all()
        assert (read["calldata/DP"] == depths.sum(axis=2)).all()
    if form is BatchFormat.VCF_PL:
        assert (read["calldata/PL"][nuclear] == phred_from_depths(depths[nuclear], 0.01)).all()


def test_sheets_say_what_the_frames_hold(written) -> None:
    sim, folder = written
    read = [pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted((folder / "samples").iterdir())]
    pd.testing.assert_frame_equal(
        pd.concat(read, ignore_index=True), sim.samples.astype("str"), check_dtype=False
    )
    truth = pd.read_csv(folder / "truth.csv", dtype=str, keep_default_na=False)
    assert truth["truth"].tolist() == sim.truth["truth"].tolist()
    crosses = pd.read_csv(folder / "crosses.csv")
    assert crosses["temperature_c"].tolist() == sim.crosses["temperature_c"].tolist()


def test_compressed_files_hold_the_same_bytes(tmp_path, written) -> None:
    sim, folder = written
    write_season(replace(sim, plan=replace(sim.plan, compress=True)), tmp_path)
    for plain in sorted((folder / "genotypes").iterdir()):
        squeezed = (tmp_path / "genotypes" / (plain.name + ".gz")).read_bytes()
        assert gzip.decompress(squeezed) == plain.read_bytes()


def test_call_batches_are_what_the_files_hold(written) -> None:
    sim, _ = written
    batches = sim.call_batches()
    fragment = {b.batch: [m for m in b.markers.ids if m.startswith("F")] for b in batches}
    for number, batch in enumerate(batches):
        form = sim.batch_formats[number]
        assert sum(len(block.rows) for block in batch.blocks) == len(batch.markers)
        assert (len(fragment[batch.batch]) == 0) == form.is_vcf
        for block in batch.blocks:
            assert (block.depths is not None) == form.has_depth
            assert (block.phred is not None) == (form is BatchFormat.VCF_PL)
            assert {len(batch.markers.alleles[r]) for r in block.rows} == {block.k}


def test_a_season_is_not_written_over_another(tmp_path) -> None:
    first = simulate_folder(tmp_path, preset="nursery", seed=2)
    assert "30 crosses, 3 genotype files" in first
    with pytest.raises(UsageError, match="is there already; simulate into a new folder"):
        simulate_folder(tmp_path, preset="nursery", seed=3)


def test_an_unknown_preset_names_the_known_ones(tmp_path) -> None:
    with pytest.raises(UsageError, match="choose one of clean60, clean12"):
        simulate_folder(tmp_path / "x", preset="tidy60")
    assert simulate_folder(tmp_path / "x", preset="list").splitlines() == list(PRESETS)
    assert not (tmp_path / "x").exists()


def test_bgzf_ends_as_the_specification_says() -> None:
    """SAM specification 4.1.2: the end-of-file marker is this empty block of 28 bytes."""
    data = np.random.default_rng(1).bytes(200_000) + b"A" * 100_000
    squeezed = bgzf(data)
    assert squeezed.endswith(END_OF_FILE)
    assert len(END_OF_FILE) == 28
    assert gzip.decompress(squeezed) == data
    at, sizes = 0, []
    while at < len(squeezed):
        assert squeezed[at : at + 4] == b"\x1f\x8b\x08\x04"
        size = int.from_bytes(squeezed[at + 16 : at + 18], "little") + 1
        sizes.append(size)
        at += size
    assert at == len(squeezed)
    assert max(sizes) <= 65536
    streamed = io.BytesIO()
    with BgzfWriter(streamed) as out:
        for start in range(0, len(data), 7919):
            out.write(data[start : start + 7919])
    assert streamed.getvalue() == squeezed


# --- streamed files -----------------------------------------------------------------------------------


@pytest.mark.parametrize("fields", ["GT", "GT:PL", "GT:AD:DP:PL"])
def test_streamed_vcf_is_read_by_another_reader(tmp_path, fields: str) -> None:
    allel = pytest.importorskip("allel")
    rng = np.random.default_rng(1)
    plants = stream_plants(40, rng, n_lines=6)
    path = tmp_path / "s.vcf"
    with open(path, "wb") as out:
        size = stream_vcf(out, 1200, plants, rng, fields=fields, missing=0.02, error=0.0)
    assert size == path.stat().st_size
    wanted = ["samples", "variants/CHROM", "variants/POS", "calldata/GT"] + ["calldata/PL"] * ("PL" in fields)
    read = allel.read_vcf(str(path), fields=wanted, numbers={"PL": 3})
    gt = read["calldata/GT"]
    assert gt.shape == (1200, 46, 2)
    assert (gt[:, :, 0] < 0).mean() == pytest.approx(0.02, abs=0.004)
    lines = gt[:, :6].sum(axis=2)
    plants_gt = gt[:, 6:].sum(axis=2)
    expected = (lines[:, plants.seed[6:]] + lines[:, plants.pollen[6:]]) / 2
    called = (gt[:, 6:, 0] >= 0) & (gt[:, plants.seed[6:], 0] >= 0) & (gt[:, plants.pollen[6:], 0] >= 0)
    assert (plants_gt[called] == expected[called]).all()
    order = pd.DataFrame({"c": read["variants/CHROM"], "p": read["variants/POS"]})
    assert not order.duplicated().any()
    assert (order.sort_values(["c", "p"], kind="stable").index == order.index).all()
    if "PL" in fields:
        best = read["calldata/PL"].argmin(axis=2)
        is_called = gt[:, :, 0] >= 0
        assert (best[is_called] == gt.sum(axis=2)[is_called]).all()


def test_streaming_takes_memory_by_samples_not_by_markers() -> None:
    """Ten times the markers, the same peak: what is drawn at once is 512 markers."""
    import tracemalloc

    class Sink:
        def write(self, data: bytes) -> int:
            return len(data)

    peaks = []
    for n_markers in (1024, 10_240):
        rng = np.random.default_rng(1)
        plants = stream_plants(100, rng)
        tracemalloc.start()
        stream_vcf(Sink(), n_markers, plants, rng)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]


def test_streamed_season_is_whole(tmp_path) -> None:
    write_stream_season(tmp_path, 300, 50, seed=2)
    text = gzip.decompress((tmp_path / "genotypes" / "B001.vcf.gz").read_bytes()).decode()
    header = next(line for line in text.splitlines() if line.startswith("#CHROM")).split("\t")
    samples = pd.read_csv(tmp_path / "samples" / "B001.csv", dtype=str)
    assert header[9:] == samples["sample_id"].tolist()
    assert len(text.splitlines()) == 300 + sum(line.startswith("#") for line in text.splitlines())
    assert (tmp_path / "config.yaml").read_text().startswith("crosses: crosses.csv")


@pytest.mark.parametrize("compress", [False, True])
def test_what_is_written_is_read_back_by_our_own_readers(tmp_path, written, compress: bool) -> None:
    """Every format: the same samples, markers, allele names, depths and likelihoods; records in order."""
    sim, _ = written
    sim = replace(sim, plan=replace(sim.plan, compress=compress))
    write_season(sim, tmp_path)
    records = read_season(tmp_path)
    assert [p.sentence() for p in records.problems if p.severity is not Severity.NOTE] == []
    read = {f.batch: f for f in records.config.genotypes}
    for batch, form in zip(sim.call_batches(), sim.batch_formats, strict=True):
        found = read_batch(
            read[batch.batch].file,
            batch=batch.batch,
            layout=read[batch.batch].layout,
            marker_sheet=records.markers,
        )
        assert found.samples == batch.samples
        assert found.evidence == batch.evidence
        ours, theirs = calls_by_name(batch), calls_by_name(found)
        assert theirs == ours, form
        if form.has_depth:
            assert sum(b.depths.sum() for b in found.blocks) == sum(b.depths.sum() for b in batch.blocks)
        if form is BatchFormat.VCF_PL:
            nuclear = [
                ~b.markers.maternal[np.asarray(x.rows)] for b in (batch, found) for x in b.blocks if x.k == 2
            ]
            phred = [x.phred for b in (batch, found) for x in b.blocks if x.k == 2]
            assert (phred[0][nuclear[0]] == phred[1][nuclear[1]]).all()


def calls_by_name(batch) -> dict[str, list[str]]:
    """Calls of every marker as allele names, haploid ones as one name."""
    out = {}
    for block in batch.blocks:
        for row, calls in zip(block.rows, block.calls, strict=True):
            names = batch.markers.alleles[row]
            seen = [sorted({names[a] for a in pair if a >= 0}) for pair in calls]
            out[batch.markers.ids[row]] = ["/".join(pair) for pair in seen]
    return out
