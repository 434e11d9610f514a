"""Named seasons: the rows of docs/accuracy.md, and the nursery of demo_genotypes/."""

from __future__ import annotations

from dataclasses import replace

from crossproof.simulate.plan import (
    BatchFormat,
    FaultKind,
    OffKind,
    Operator,
    PlateFault,
    SeasonPlan,
    TagFault,
    TagFaultKind,
)

_UNTYPED, _RELATIVE = TagFaultKind.UNTYPED_DONOR, TagFaultKind.RELATIVE


def _tags(
    *faults: TagFault, plants: int = 8, tubes: int = 2, markers: int = 60, lines: int = 12
) -> SeasonPlan:
    """A small season of twelve tags, some of them wrong as a whole."""
    return SeasonPlan(
        n_lines=lines,
        n_crosses=12,
        plants_per_cross=plants,
        line_replicates=tubes,
        n_markers=markers,
        tag_faults=faults,
    )


def _backcross(markers: int) -> SeasonPlan:
    """A season of backcrosses on purpose: F1 parents, declared, each with one of its own lines.

    No seed of a further generation: an F1 parent is a season old.
    """
    plan = _tags(markers=markers)
    later = (OffKind.ADVANCED, OffKind.BACKCROSS)
    kinds = tuple((kind, 1.0) for kind in OffKind if kind not in later)
    return replace(plan, n_lines=6, f1_parents=3, plants_per_cross=12, off_kinds=kinds)


def _reads(depth: float) -> SeasonPlan:
    """Whole tags a generation too far, read at low depth over 20,000 markers."""
    later = (TagFaultKind.ADVANCED, TagFaultKind.BACKCROSS_MOTHER, TagFaultKind.BACKCROSS_FATHER)
    return replace(
        _tags(*(TagFault(kind) for kind in later), markers=20_000),
        depth=depth,
        overdispersion=0.05,
        depth_marker_shape=2.0,
        formats=(BatchFormat.VCF_DEPTH,),
    )


WHOLE_TAGS: dict[str, SeasonPlan] = {
    # the father typed once: nothing tells his tube from the pollen
    "untyped_once_4": _tags(TagFault(_UNTYPED), plants=4, tubes=1),
    "untyped_once_8": _tags(TagFault(_UNTYPED), plants=8, tubes=1),
    "untyped_once_16": _tags(TagFault(_UNTYPED), plants=16, tubes=1),
    "untyped_twice_16": _tags(TagFault(_UNTYPED), plants=16),
    "untyped_twice_24": _tags(TagFault(_UNTYPED), plants=24),
    "untyped_2_tags": _tags(TagFault(_UNTYPED, 2, one_father=True), plants=16),
    "untyped_3_tags": _tags(TagFault(_UNTYPED, 3, one_father=True), plants=16),
    "untyped_4_tags": _tags(TagFault(_UNTYPED, 4, one_father=True), plants=16),
    "relative_10": _tags(TagFault(_RELATIVE, differs=0.10)),
    "relative_15": _tags(TagFault(_RELATIVE, differs=0.15)),
    "relative_20": _tags(TagFault(_RELATIVE, differs=0.20)),
    "relative_pod": _tags(TagFault(_RELATIVE, 2, pods=0.5, differs=0.15)),
    "backcross_200": _backcross(200),
    "backcross_600": _backcross(600),
    "backcross_2000": _backcross(2000),
    "later_12": _tags(
        TagFault(TagFaultKind.ADVANCED, 2),
        TagFault(TagFaultKind.BACKCROSS_MOTHER),
        TagFault(TagFaultKind.BACKCROSS_FATHER),
        plants=10,
        markers=12,
    ),
    "one_plant": SeasonPlan(
        n_lines=60, n_crosses=40, plants_per_cross=1, line_replicates=1, wrong_tubes=0.10
    ),
    "reads_0.5": _reads(0.5),
    "reads_5": _reads(5.0),
}
"""Seasons in which a tag as a whole is wrong, or its parents are not lines: the second table."""

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
    # the same among sister lines, at markers enough to be sure of what is wrong
    "sister_pods120": SeasonPlan(
        n_markers=120,
        n_lines=20,
        sister_groups=5,
        fathers_have_sisters=True,
        sister_donors=0.6,
        outcross=0.12,
        pod_donors=1.0,
    ),
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
    **WHOLE_TAGS,
}


def preset(name: str) -> SeasonPlan:
    """A season plan by name; raises ValueError that lists the names."""
    if name not in PRESETS:
        raise ValueError(f"there is no preset {name!r}; choose one of {', '.join(PRESETS)}")
    return PRESETS[name]
