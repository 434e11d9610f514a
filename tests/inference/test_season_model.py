"""The front door: small invented seasons judged whole, and the properties that every result must have."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from small_seasons import CLASS_NAMES, Recipe, simulate, wells_of_calls

from crossproof.inference.season_model import (
    FamilyInput,
    LineInput,
    Plant,
    Settings,
    Wells,
    calibration_from_dict,
    calibration_of,
    family_from_arrays,
    fit_panel,
    judge,
    panel_from_arrays,
    panel_to_arrays,
    prepare_crosses,
    to_arrays,
    verify_family,
)
from crossproof.model.results import Reason, Verdict

SETTINGS = Settings()


def judged(season, settings=SETTINGS, seed_free=True):
    """Leading classes, posteriors, truth and verdicts of all plants of a season."""
    panel = fit_panel(season.wells, season.lines, season.families, settings)
    others = prepare_crosses(season.records, panel)
    rows = []
    for family in season.families:
        result = verify_family(family, season.wells, panel, settings, others)
        for i, plant in enumerate(result.plants):
            rows.append(
                (result.class_posterior[i], season.truth[str(plant)], judge(result, i, settings).verdict)
            )
    return rows


def rates(rows):
    """Share determined, and share wrong among them."""
    determined = [(p, t) for p, t, v in rows if v is not Verdict.UNDETERMINED]
    wrong = sum(int(p.argmax() != t) for p, t in determined)
    return len(determined) / len(rows), wrong / max(len(determined), 1)


# Limits are those of the project's accuracy table; the seasons are one seed each of this folder's simulator.
@pytest.mark.parametrize(
    ("recipe", "determined", "wrong"),
    [
        (Recipe(), 0.99, 0.001),
        (Recipe(markers=12, crosses=12), 0.92, 0.012),
        (
            Recipe(departure=0.05, bad_assays=0.1, wrong_tubes=0.04, missing=0.08, dropout=0.04, crosses=12),
            0.98,
            0.005,
        ),
        (Recipe(markers=800, depth=1.5, crosses=6, lines=12), 0.99, 0.005),
    ],
    ids=["clean", "twelve markers", "messy", "shallow reads"],
)
def test_seasons_are_recovered(recipe, determined, wrong):
    got, bad = rates(judged(simulate(recipe, 11)))
    assert got >= determined
    assert bad <= wrong


@pytest.mark.slow
@pytest.mark.parametrize("replicates", [1, 2])
def test_stated_probabilities_are_kept(replicates):
    recipe = Recipe(
        departure=0.05, bad_assays=0.1, wrong_tubes=0.04, missing=0.08, dropout=0.04, replicates=replicates
    )
    rows = [row for seed in range(5) for row in judged(simulate(recipe, seed))]
    stated = np.array([p.max() for p, _, _ in rows])
    right = np.array([p.argmax() == t for p, t, _ in rows])
    which = np.clip((stated * 20).astype(int), 0, 19)
    error = sum(
        abs(stated[which == b].mean() - right[which == b].mean()) * (which == b).mean()
        for b in np.unique(which)
    )
    assert error <= 0.01


def small_season(**changes):
    return simulate(dataclasses.replace(Recipe(markers=40, lines=10, crosses=6), **changes), 4)


def test_the_order_of_plants_lines_and_families_changes_no_byte():
    season = small_season()
    panel = fit_panel(season.wells, season.lines, season.families, SETTINGS)
    turned = fit_panel(season.wells, season.lines[::-1], season.families[::-1], SETTINGS)
    for name, value in panel_to_arrays(panel).items():
        np.testing.assert_array_equal(panel_to_arrays(turned)[name], value, err_msg=name)
    family = season.families[0]
    result = verify_family(family, season.wells, panel, SETTINGS)
    back = verify_family(
        dataclasses.replace(family, plants=family.plants[::-1]), season.wells, panel, SETTINGS
    )
    np.testing.assert_array_equal(back.class_posterior[::-1], result.class_posterior)
    np.testing.assert_array_equal(back.sources[::-1], result.sources)


def test_the_order_of_markers_does_not_matter():
    season = small_season()
    wells = season.wells
    (batch,) = wells.batches
    (block,) = batch.blocks
    turn = np.arange(len(wells.markers))[::-1]
    turned = Wells(
        wells.markers.take(turn),
        wells.n_wells,
        (dataclasses.replace(batch, blocks=(dataclasses.replace(block, codes=block.codes[turn].copy()),)),),
    )
    for family in season.families[:3]:
        a, b = (
            verify_family(
                family, w, fit_panel(w, season.lines, season.families, SETTINGS), SETTINGS
            ).class_posterior
            for w in (wells, turned)
        )
        np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-9)


def test_results_and_panel_survive_storage_without_objects():
    season = small_season()
    panel = fit_panel(season.wells, season.lines, season.families, SETTINGS)
    stored = panel_to_arrays(panel)
    assert all(v.dtype != object for v in stored.values())
    again = panel_from_arrays(stored)
    family = season.families[1]
    result = verify_family(family, season.wells, again, SETTINGS)
    arrays = to_arrays(result)
    assert all(v.dtype != object for v in arrays.values())
    copy = family_from_arrays(arrays)
    for field in dataclasses.fields(result):
        np.testing.assert_array_equal(getattr(copy, field.name), getattr(result, field.name))
    np.testing.assert_array_equal(
        verify_family(family, season.wells, panel, SETTINGS).class_posterior, result.class_posterior
    )


def test_pollen_donor_is_named():
    season = small_season(shares=(0.5, 0.1, 0.4, 0.0), markers=60)
    panel = fit_panel(season.wells, season.lines, season.families, SETTINGS)
    named = 0
    for family in season.families:
        result = verify_family(family, season.wells, panel, SETTINGS)
        for i, plant in enumerate(result.plants):
            if season.truth[str(plant)] == 2 and result.class_posterior[i, 2] > 0.99:
                # All donors of this simulator are panel lines.
                assert result.sources[i, 0].startswith("pollen of")
                assert result.donors[i, 0] != family.father
                named += 1
    assert named >= 10


# A hand-made cross: 12 contrast markers 0/0 x 1/1 and 12 shared ones; lines M, P, D, two tubes each.
def hand_made(plants, replicate=(), tubes=2, extra=None, maternal=None):
    calls = {}
    for j in range(24):
        contrast = j < 12
        m, p = "0/0", "1/1" if contrast else "0/0"
        d = ("0/0", "1/1")[j % 2]
        e = ("0/0", "1/1")[(j // 2) % 2]
        kinds = {
            "hybrid": "0/1" if contrast else "0/0",
            "self": m,
            "father": p,
            "outcross": "0/1" if d == "1/1" else "0/0",
            "missing": "./.",
            # pollen of a line that is not in the panel: another allele than M's at two markers of three
            "stranger": "0/1" if j % 3 else "0/0",
            "line": e,
        }
        calls[f"m{j:02d}"] = [x for line in (m, p, d, e) for x in [line] * tubes] + [kinds[x] for x in plants]
    if extra:
        calls |= extra
    wells = wells_of_calls(calls, maternal=tuple(maternal or ()))
    lines = [LineInput(name, tuple(range(i * tubes, (i + 1) * tubes))) for i, name in enumerate("MPDE")]
    first = 4 * tubes
    family = FamilyInput("C1", "M", "P", tuple(Plant(f"p{i}", (first + i,)) for i in range(len(plants))))
    return wells, lines, family


def test_hand_made_cross():
    wells, lines, family = hand_made(["hybrid", "self", "father", "outcross", "missing", "line"])
    panel = fit_panel(wells, lines, [family], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    verdicts = [judge(result, i, SETTINGS) for i in range(6)]
    assert [v.verdict.value for v in verdicts] == [
        "hybrid",
        "self",
        "off_pedigree",
        "outcross",
        "undetermined",
        "off_pedigree",
    ]
    assert verdicts[4].reason is Reason.NO_DATA
    assert result.sources[:, 0].tolist()[:4] == ["pollen of P", "self of M", "self of P", "pollen of D"]
    assert result.sources[5, 0] == "line E"
    assert result.contrast_markers == 12
    assert result.contrast_scored.tolist() == [12, 12, 12, 12, 0, 12]
    assert result.contrast_het.tolist() == [12, 0, 0, 6, 0, 0]
    # D has the foreign allele at every second shared marker.
    assert result.foreign_calls.tolist() == [0, 0, 0, 6, 0, 6]
    assert result.lod[0] > 2.4 > 0 > result.lod[1]


def test_missing_father_proves_selfs_only():
    wells, lines, family = hand_made(["hybrid", "self", "outcross"])
    family = dataclasses.replace(family, father="")
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    verdicts = [judge(result, i, SETTINGS) for i in range(3)]
    assert verdicts[1].verdict is Verdict.SELF
    assert verdicts[0].verdict is Verdict.UNDETERMINED
    assert verdicts[0].reason is Reason.FATHER_UNPROVEN
    assert verdicts[0].settle == "type the father line"


def test_a_father_who_was_never_typed_is_the_one_on_the_tag_by_its_prior_alone():
    # Six plants of one pollen: that it was one plant's they show, but not whose.
    wells, lines, family = hand_made(["hybrid"] * 6)
    family = dataclasses.replace(family, father="never typed")
    panel = fit_panel(wells, lines, [], SETTINGS)
    hybrid, _, outcross, _ = verify_family(family, wells, panel, SETTINGS).class_posterior.T
    right = 1 - panel.tag_rates.wrong_plant
    assert (hybrid <= right + 1e-9).all()
    assert (hybrid + outcross > 0.99).all()


def test_no_parent_typed_proves_nothing():
    wells, lines, family = hand_made(["hybrid", "self"])
    family = dataclasses.replace(family, mother="never typed", father="nor he")
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert {judge(result, i, SETTINGS).reason for i in range(2)} == {Reason.NO_PARENT_DATA}
    np.testing.assert_allclose(result.class_posterior, [[0.6, 0.3, 0.08, 0.02]] * 2, rtol=1e-9)


def test_an_untyped_mother_is_learned_from_her_seed():
    # Three hybrids share her gametes, each with a full gamete of the typed father; the self has none of his.
    wells, lines, family = hand_made(["hybrid", "self", "hybrid", "hybrid"])
    family = dataclasses.replace(family, mother="never typed")
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    verdicts = [judge(result, i, SETTINGS) for i in range(4)]
    assert [v.leading for v in verdicts] == [Verdict.HYBRID, Verdict.SELF, Verdict.HYBRID, Verdict.HYBRID]
    assert {verdicts[i].verdict for i in (0, 2, 3)} == {Verdict.HYBRID}
    # One homozygous plant may as well be a plant of another line: the model says so.
    assert result.class_posterior[1, 0] < 1e-3


def test_parents_alike_cannot_be_told_apart():
    wells, lines, family = hand_made(["self", "self"])
    lines[1] = LineInput("P", lines[0].wells)
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    verdict = judge(result, 0, SETTINGS)
    assert verdict.verdict is Verdict.UNDETERMINED
    assert verdict.reason is Reason.FEW_MARKERS
    assert result.class_posterior[0, 0] == pytest.approx(2 * result.class_posterior[0, 1], rel=0.1)


def test_wells_of_one_plant():
    wells, lines, family = hand_made(["hybrid", "hybrid", "self"])
    first = family.plants[0].wells[0]
    plants = (Plant("same", (first, first + 1)), Plant("mixed up", (first + 1, first + 2)))
    family = dataclasses.replace(family, plants=plants)
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert result.wells_disagree.tolist() == [False, True]
    # They differ at the 12 contrast markers of 21; three markers show one allele in all samples.
    assert result.well_discordance.tolist() == pytest.approx([0, 12 / 21])
    assert result.wells.tolist() == [2, 2]
    assert "wells disagree" in judge(result, 1, SETTINGS).flags


def test_replicates_add_evidence():
    wells, lines, family = hand_made(["hybrid", "hybrid"])
    one = dataclasses.replace(family, plants=(Plant("p", (8,)),))
    two = dataclasses.replace(family, plants=(Plant("p", (8, 9)),))
    panel = fit_panel(wells, lines, [], SETTINGS)
    lods = [verify_family(f, wells, panel, SETTINGS).lod[0] for f in (one, two)]
    assert lods[1] > lods[0]


def test_wrong_tube_among_replicates_is_overruled():
    # The second tube of P holds D: the family tells which tube is P.
    wells, lines, family = hand_made(["hybrid"] * 5 + ["self"] * 3)
    tubes = {line.line: line.wells for line in lines}
    lines[1] = LineInput("P", (tubes["P"][0], tubes["D"][0]))
    panel = fit_panel(wells, lines, [], SETTINGS)
    assert len(panel.versions("P")) == 2
    result = verify_family(family, wells, panel, SETTINGS)
    assert result.class_posterior[:5, 0].min() > 0.99
    assert result.class_posterior[5:, 1].min() > 0.99
    assert result.father_versions[0].startswith("P, tubes of group")
    assert result.father_version_probability[0] > 0.99


def test_one_true_hybrid_among_outcrosses_of_one_stranger():
    # Six plants agree on a father that is not P; that one plant does have P's pollen must not be lost in it.
    wells, lines, family = hand_made(["hybrid", *["stranger"] * 6, "self"])
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert [CLASS_NAMES[i] for i in result.class_posterior.argmax(axis=1)] == [
        "hybrid",
        *["outcross"] * 6,
        "self",
    ]
    assert result.class_posterior.max(axis=1).min() > 0.95
    assert result.sources[1, 0] == "unknown pollen"


def test_fragment_sizes_work_like_snps():
    # Six fragment-size markers of three or four alleles alone decide.
    calls = {}
    for j in range(6):
        m, p, d = (("0/0", "1/1", "2/2"), ("2/2", "0/0", "3/3"), ("1/1", "2/2", "0/0"))[j % 3]
        hybrid = "/".join(sorted((m[0], p[0])))
        out = "/".join(sorted((m[0], d[0])))
        calls[f"s{j}"] = [m, m, p, p, d, d, hybrid, hybrid, m, out]
    wells = wells_of_calls(calls)
    lines = [LineInput(name, (2 * i, 2 * i + 1)) for i, name in enumerate("MPD")]
    family = FamilyInput("C1", "M", "P", tuple(Plant(f"p{i}", (6 + i,)) for i in range(4)))
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert [CLASS_NAMES[i] for i in result.class_posterior.argmax(axis=1)] == [
        "hybrid",
        "hybrid",
        "self",
        "outcross",
    ]
    assert result.class_posterior.max(axis=1).min() > 0.95
    assert result.sources[3, 0] == "pollen of D"


def test_maternal_markers_show_a_reciprocal_cross():
    # A chloroplast marker tells M (0) from P (1); the second plant has the father's.
    plastid = {f"cp{j}": ["0/0"] * 2 + ["1/1"] * 2 + ["0/0"] * 4 + ["0/0", "1/1"] for j in range(2)}
    wells, lines, family = hand_made(["hybrid", "hybrid"], extra=plastid, maternal=plastid)
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert result.maternal_scored.tolist() == [2, 2]
    assert result.maternal_agree.tolist() == [2, 0]
    assert result.class_posterior[0, 0] > 0.99
    assert result.class_posterior[1, 3] > 0.9
    assert result.sources[1, 0] == "reciprocal cross P x M"
    without, _, _ = hand_made(["hybrid", "hybrid"])
    plain = verify_family(family, without, fit_panel(without, lines, [], SETTINGS), SETTINGS)
    # Nuclear markers never tell the direction.
    assert plain.class_posterior[:, 0].min() > 0.99


def test_departed_parent_marker_is_found_and_does_not_mislead():
    # The father plant carries the mother's allele at two contrast markers.
    wells, lines, family = hand_made(["hybrid"] * 6 + ["self"] * 2)
    (batch,) = wells.batches
    (block,) = batch.blocks
    codes = block.codes.copy()
    codes[:2, 8:14] = 0
    batch = dataclasses.replace(batch, blocks=(dataclasses.replace(block, codes=codes),))
    wells = dataclasses.replace(wells, batches=(batch,))
    panel = fit_panel(wells, lines, [], SETTINGS)
    result = verify_family(family, wells, panel, SETTINGS)
    assert result.class_posterior[:6, 0].min() > 0.95
    found = set(zip(result.departure_parent.tolist(), result.departure_row.tolist(), strict=True))
    assert found == {("father", 0), ("father", 1)}
    assert result.father_departure == pytest.approx(2 / 24, abs=0.02)


def test_thresholds_change_the_judgement_alone():
    wells, lines, family = hand_made(["hybrid"])
    result = verify_family(family, wells, fit_panel(wells, lines, [], SETTINGS), SETTINGS)
    p = result.class_posterior[0, 0]
    assert judge(result, 0, SETTINGS).verdict is Verdict.HYBRID
    strict = dataclasses.replace(SETTINGS, min_posterior=(1 + p) / 2)
    assert judge(result, 0, strict).verdict is Verdict.UNDETERMINED
    assert judge(result, 0, strict).leading is Verdict.HYBRID


def test_calibration_is_kept_and_used_frozen():
    season = small_season(bad_assays=0.2)
    panel = fit_panel(season.wells, season.lines, season.families, SETTINGS)
    kept = calibration_from_dict(calibration_of(panel, season.wells).to_dict())
    # A later run with fewer families must give the very same estimates.
    later = fit_panel(season.wells, season.lines, season.families[:2], SETTINGS, kept)
    np.testing.assert_allclose(later.f, panel.f, atol=1e-6)
    np.testing.assert_allclose(later.d, panel.d, atol=1e-6)
    assert later.h == pytest.approx(panel.h, abs=1e-6)
    np.testing.assert_allclose(later.class_prior, panel.class_prior, atol=1e-6)
    np.testing.assert_array_equal(later.set_aside, panel.set_aside)
    fresh = fit_panel(season.wells, season.lines, season.families[:2], SETTINGS)
    assert abs(fresh.h - panel.h) > 1e-5


def test_a_kept_calibration_does_not_wander_in_its_last_digit():
    """Shares rounded to six digits need not sum to 1: scaled and rounded at each run they would move."""
    season = small_season()
    panel = fit_panel(season.wells, season.lines, season.families, SETTINGS)
    data = calibration_of(panel, season.wells).to_dict()
    data["class_prior"] = [0.560541, 0.29662, 0.03788, 0.104958]
    first = next(iter(data["markers"]))
    data["markers"][first]["q"] = dict.fromkeys(data["markers"][first]["q"], 0.499999)
    later = fit_panel(season.wells, season.lines, season.families, SETTINGS, calibration_from_dict(data))
    again = calibration_of(later, season.wells, calibration_from_dict(data)).to_dict()
    assert again["class_prior"] == data["class_prior"]
    assert again["markers"] == data["markers"]
    assert again["h"] == data["h"]
