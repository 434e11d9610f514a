"""Named seasons: the rows of docs/accuracy.md, and the nursery of demo_genotypes/."""

from __future__ import annotations

from crossproof.simulate.plan import BatchFormat, FaultKind, Operator, PlateFault, SeasonPlan

PRESETS: dict[str, SeasonPlan] = {
    "clean60": SeasonPlan(),
    # twelve markers are a panel someone chose: alleles of middling frequency
    "clean12": SeasonPlan(n_markers=12, allele_frequency=(0.4, 0.6)),
    "messy60": SeasonPlan(
        parent_departure=0.05,
        bad_assays=0.10,
        wrong_tubes=0.04,
        missing=0.08,
        dropout=0.04,
    ),
    "sisters60": SeasonPlan(
        n_lines=20,
        sister_groups=5,
        fathers_have_sisters=True,
        sister_donors=0.6,
        outcross=0.12,
    ),
    # whole pods by one foreign donor: plants of a family that are wrong in the same way
    "pods60": SeasonPlan(pod_donors=1.0),
    "depth3_20k": SeasonPlan(
        n_markers=20_000,
        n_lines=16,
        n_crosses=40,
        depth=3.0,
        overdispersion=0.05,
        depth_marker_shape=2.0,
        formats=(BatchFormat.VCF_DEPTH,),
    ),
    "depth1_5k": SeasonPlan(
        n_markers=5_000,
        n_lines=16,
        n_crosses=40,
        depth=1.0,
        overdispersion=0.05,
        depth_marker_shape=2.0,
        formats=(BatchFormat.VCF_DEPTH,),
    ),
    "unshared60": SeasonPlan(
        null_markers=0.08,
        mixed_wells=0.01,
        failed_wells=0.02,
        missing=0.05,
        depth=8.0,
        overdispersion=0.15,
        depth_marker_shape=1.5,
        depth_well_sd=0.5,
        formats=(BatchFormat.VCF_DEPTH, BatchFormat.WIDE),
    ),
    "thousand_plates": SeasonPlan(n_lines=60, n_crosses=10_000, plants_per_cross=9, replicate_plants=0.0542),
    "nursery": SeasonPlan(
        crop="bean",
        season="2026",
        bench_places=40,
        n_markers=60,
        fragment_markers=2,
        fragment_alleles=6,
        maternal_markers=1,
        n_lines=12,
        n_crosses=30,
        plants_per_cross=8,
        flowers_per_tag=4,
        empty_tags=0.07,
        operators=(
            Operator("Ana", -1.2, 0.1),
            Operator("Bo", -0.4, 0.3),
            Operator("Chi", 0.0, 0.6),
            Operator("Dov", 0.9, 1.5),
        ),
        base_self=0.25,
        outcross=0.06,
        pod_donors=0.7,
        off_pedigree=0.02,
        parent_departure=0.02,
        missing=0.03,
        bad_assays=0.03,
        first_day="2026-05-18",
        days=26,
        plates_per_batch=1,
        panel_on_every_plate=True,
        blanks_per_plate=2,
        formats=(BatchFormat.VCF_DEPTH, BatchFormat.WIDE, BatchFormat.LONG),
        failed_wells=0.02,
        depth=18.0,
        faults=(
            PlateFault(FaultKind.LINE_IS, "LN05", "LN09", first="2"),
            PlateFault(FaultKind.SWAP_TAGS, "C011", "C024"),
        ),
    ),
}


def preset(name: str) -> SeasonPlan:
    """A season plan by name; raises ValueError that lists the names."""
    if name not in PRESETS:
        raise ValueError(f"there is no preset {name!r}; choose one of {', '.join(PRESETS)}")
    return PRESETS[name]
