"""A whole simulated season in memory."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from crossproof.model.arrays import Bools, Int8s, Ints, Objects, UInt16s
from crossproof.model.genotypes import CallBatch, CallBlock, Evidence, Markers
from crossproof.model.plates import Role
from crossproof.model.sentinels import MISSING
from crossproof.simulate import noise
from crossproof.simulate.crosses import Tags, borne_tags, draw_fates, draw_tags
from crossproof.simulate.genome import Genome, depart, draw_genome, draw_lines
from crossproof.simulate.layout import (
    EMPTY,
    Layout,
    lay_out,
    misplace,
    plate_name,
)
from crossproof.simulate.panel import backcrosses, draw_panel
from crossproof.simulate.plan import BatchFormat, FaultKind, PlateFault, SeasonPlan
from crossproof.simulate.plants import Progeny, draw_progeny
from crossproof.simulate.tag_faults import FaultyTags, plant_tag_faults


@dataclass(frozen=True)
class SimulatedSeason:
    """Everything that happened and everything that was recorded.

    `line_names` (line,) panel lines; `line_alleles` (line, marker) int8 their one allele per marker.
    `crosses` and `samples`: the sheets as the user would have them (`samples` one row per well, in the order
    of the well axis). `truth`: one row per progeny well: sample_id, truth, relation, donor, identifiable,
    in_well (the sample whose DNA was measured, "" for none). `cross_truth`: one row per cross:
    cross_id, p_self, father_plant. `calls` (marker, well, 2) int8; `depths` (marker, well, 2) uint16 or None,
    0 in wells of batches without depth. `well_genotypes` (marker, well, 2) int8: the DNA in each well, -1 for
    none. `bad_assays` (marker,) bool. `faults`: the planted ones with every choice filled in.
    `faulty_tags`: crosses whose tag as a whole is wrong. An F1 parent has the allele of its mother line in
    `line_alleles`.
    """

    plan: SeasonPlan
    markers: Markers
    line_names: tuple[str, ...]
    line_alleles: Int8s
    crosses: pd.DataFrame
    samples: pd.DataFrame
    truth: pd.DataFrame
    cross_truth: pd.DataFrame
    calls: Int8s
    depths: UInt16s | None
    well_genotypes: Int8s
    bad_assays: Bools
    fragment: Bools
    batch_names: tuple[str, ...]
    batch_formats: tuple[BatchFormat, ...]
    batch_markers: tuple[Ints, ...]
    faults: tuple[PlateFault, ...]
    faulty_tags: tuple[str, ...] = ()

    def batch_wells(self, number: int) -> Ints:
        """Places of a batch's wells on the well axis."""
        return np.flatnonzero(self.samples["batch"].to_numpy() == self.batch_names[number])

    def call_batch(self, number: int) -> CallBatch:
        """One batch as a reader of its file would give it."""
        form, wells, rows = self.batch_formats[number], self.batch_wells(number), self.batch_markers[number]
        markers = self.markers.take(rows)
        blocks = []
        for k in sorted(set(markers.n_alleles.tolist())):
            at = np.flatnonzero(markers.n_alleles == k)
            calls = self.calls[np.ix_(rows[at], wells)]
            depths = phred = None
            if form.has_depth:
                assert self.depths is not None
                depths = self.depths[np.ix_(rows[at], wells)]
                if form is BatchFormat.VCF_PL:
                    phred = noise.phred_from_depths(depths, self.plan.read_error)
            blocks.append(CallBlock(k, at, calls, phred, depths))
        evidence = Evidence.CALLS
        if form.has_depth:
            evidence = Evidence.LIKELIHOODS if form is BatchFormat.VCF_PL else Evidence.DEPTHS
        names = tuple(self.samples["sample_id"].to_numpy()[wells])
        return CallBatch(self.batch_names[number], markers, names, tuple(blocks), evidence)

    def call_batches(self) -> list[CallBatch]:
        """All batches in order."""
        return [self.call_batch(i) for i in range(len(self.batch_names))]


def simulate_season(plan: SeasonPlan, rng: np.random.Generator) -> SimulatedSeason:
    """Draw a season: the same plan and generator state give the same season.

    Raises ValueError where the plan cannot be laid out (no well left, a fault names an unknown plate).
    """
    genome = draw_genome(plan, rng)
    alleles, group = draw_lines(plan, genome, rng)
    panel = draw_panel(plan, alleles, group, rng)
    lines, group, names = panel.pairs, panel.group, panel.names
    n_panel = len(group)
    tags = draw_tags(plan, group, rng)
    if plan.f1_parents:
        tags = backcrosses(panel, tags, rng)
    fates = draw_fates(plan, tags, group, rng)
    faulty = FaultyTags(tags, fates, lines, ())
    if plan.tag_faults:
        faulty = plant_tag_faults(plan, genome, faulty, n_panel, rng)
        tags, fates, lines = faulty.tags, faulty.fates, faulty.lines
    progeny = draw_progeny(plan, genome, lines, names, tags, fates, rng)
    layout = lay_out(plan, n_panel, len(fates.made), rng)
    source, told = misplace(plan, layout, rng)
    samples = _samples(plan, layout, names, tags, fates.tag, fates.pod)
    if plan.f1_parents:
        f1 = {names[i] for i in np.flatnonzero(panel.f1_of[:, 0] >= 0)}
        samples["inbreeding"] = ["0" if line in f1 else "" for line in samples["line"]]
    dna = _dna(plan, genome, lines[:n_panel], names, layout, progeny, rng)
    in_well = np.where(source >= 0, samples["sample_id"].to_numpy()[source], "")

    n_batches = -(-layout.n_plates // plan.plates_per_batch)
    formats = tuple(plan.formats[b % len(plan.formats)] for b in range(n_batches))
    batch_of_well = layout.plate // plan.plates_per_batch
    calls, depths, well_genotypes, assays = _observe(
        plan, genome, layout, dna, source, [formats[b] for b in batch_of_well], rng
    )
    return SimulatedSeason(
        plan,
        genome.markers,
        tuple(names),
        lines[:n_panel, 0],
        _cross_sheet(plan, tags, names),
        samples,
        _truth(samples, layout, progeny, in_well),
        pd.DataFrame(
            {
                "cross_id": tags.cross_id,
                "p_self": np.round(tags.p_self, 6),
                "father_plant": [names[f] for f in tags.father_plant],
            }
        ),
        calls,
        depths,
        well_genotypes,
        assays.bad,
        genome.fragment,
        tuple(batch_name(b) for b in range(n_batches)),
        formats,
        _batch_markers(plan, genome, formats, rng),
        told,
        faulty.names,
    )


def batch_name(number: int) -> str:
    """Name of a batch that counts from 0."""
    return f"B{number + 1:03d}"


def _batch_markers(
    plan: SeasonPlan, genome: Genome, formats: Sequence[BatchFormat], rng: np.random.Generator
) -> tuple[Ints, ...]:
    """Markers each batch carries: no fragment sizes in a VCF, else a random share of all."""
    chosen = []
    for form in formats:
        able = np.flatnonzero(~genome.fragment) if form.is_vcf else np.arange(len(genome.fragment))
        keep = round(plan.batch_marker_share * len(able))
        chosen.append(np.sort(rng.choice(able, max(1, keep), replace=False)).astype(np.int64))
    return tuple(chosen)


def _samples(
    plan: SeasonPlan,
    layout: Layout,
    names: list[str],
    tags: Tags,
    tag: Ints,
    pod: Ints,
) -> pd.DataFrame:
    """The samples sheet, one row per well."""
    n_in_tag = np.zeros(len(tags.cross_id), dtype=np.int64)
    plant_names = []
    for t in tag:
        n_in_tag[t] += 1
        plant_names.append(f"{tags.cross_id[t]}-{n_in_tag[t]:02d}")
    rows = []
    wells = layout.well_names()
    for i, (role, item, replicate) in enumerate(zip(layout.role, layout.item, layout.replicate, strict=True)):
        plate = plate_name(int(layout.plate[i]))
        batch = batch_name(int(layout.plate[i]) // plan.plates_per_batch)
        if role == Role.PROGENY:
            name = plant_names[item]
            sample = name if replicate == 1 else f"{name}-R{replicate}"
            row = (
                sample,
                batch,
                plate,
                wells[i],
                str(role),
                "",
                tags.cross_id[tag[item]],
                str(pod[item]),
                name,
            )
        elif role == Role.PARENT:
            sample = f"{names[item]}-{replicate}"
            row = (sample, batch, plate, wells[i], str(role), names[item], "", "", "")
        else:
            row = (f"{plate}-blank{item}", batch, plate, wells[i], str(role), "", "", "", "")
        rows.append(row)
    columns = ["sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant"]
    sheet = pd.DataFrame(rows, columns=columns, dtype=object)
    if plan.bench_places:
        place = [divmod(int(i), plan.bench_places) for i in layout.item]
        grown = layout.role == Role.PROGENY
        sheet["place"] = [f"{b + 1}-{p + 1:02d}" if g else "" for (b, p), g in zip(place, grown, strict=True)]
    return sheet


def _dna(
    plan: SeasonPlan,
    genome: Genome,
    panel: Int8s,
    names: list[str],
    layout: Layout,
    progeny: Progeny,
    rng: np.random.Generator,
) -> Int8s:
    """What the sampler put in each well, (well, 2, marker); wrong tubes hold another panel line."""
    holds = layout.item.copy()
    tube = np.flatnonzero(layout.role == Role.PARENT)
    wrong = tube[rng.random(len(tube)) < plan.wrong_tubes]
    step = rng.integers(1, len(panel), len(wrong))
    holds[wrong] = (holds[wrong] + step) % len(panel)
    place = {name: i for i, name in enumerate(names)}
    for fault in plan.faults:
        if fault.kind is FaultKind.LINE_IS:
            mine = tube[layout.item[tube] == place[fault.target]]
            if fault.first:  # one tube only, counted from 1
                mine = mine[layout.replicate[mine] == int(fault.first)]
            holds[mine] = place[fault.other]
    dna = np.full((len(holds), 2, panel.shape[2]), EMPTY, dtype=np.int8)
    plants = layout.role == Role.PROGENY
    dna[plants] = progeny.genotypes[layout.item[plants]]
    tubes = panel[holds[tube]]
    dna[tube] = depart(tubes, genome, plan.tube_departure, plan.residual_share, rng)
    return dna


def _observe(
    plan: SeasonPlan,
    genome: Genome,
    layout: Layout,
    dna: Int8s,
    source: Ints,
    formats: list[BatchFormat],
    rng: np.random.Generator,
) -> tuple[Int8s, UInt16s | None, Int8s, noise.Assays]:
    """Type every well, some at a time."""
    n, _, n_marker = dna.shape
    assays = noise.draw_assays(plan, genome, rng)
    failed = (rng.random(n) < plan.failed_wells) & (layout.role == Role.PROGENY)
    mixed = (rng.random(n) < plan.mixed_wells) & (layout.role == Role.PROGENY) & (source >= 0)
    share = np.where(mixed, rng.uniform(*plan.mixed_share, n), 0.0)
    neighbour = source[np.minimum(np.arange(n) + 1, n - 1)]
    share[(neighbour < 0) | (layout.role[neighbour] == Role.BLANK)] = 0.0
    sequenced = np.array([f.has_depth for f in formats])

    calls = np.empty((n_marker, n, 2), dtype=np.int8)
    depths = np.zeros((n_marker, n, 2), dtype=np.uint16) if sequenced.any() else None
    truth = np.empty((n_marker, n, 2), dtype=np.int8)
    for with_reads in (False, True):
        group = np.flatnonzero(sequenced == with_reads)
        for start in range(0, len(group), noise.CHUNK):
            w = group[start : start + noise.CHUNK]
            here = np.where((source[w] >= 0)[:, None, None], dna[source[w]], np.int8(EMPTY))
            partner = dna[neighbour[w]]
            truth[:, w] = np.sort(here, axis=1).transpose(2, 0, 1)
            if with_reads:
                assert depths is not None
                calls[:, w], depths[:, w] = noise.observe_reads(
                    plan, genome, assays, here, partner, share[w], failed[w], rng
                )
            else:
                calls[:, w] = noise.observe_calls(
                    plan, genome, assays, here, partner, share[w], failed[w], rng
                )
    # one copy of the chloroplast: a lab scores two alleles there as a failed assay
    two = genome.markers.maternal[:, None] & (calls[:, :, 0] != calls[:, :, 1])
    calls[two] = MISSING
    return calls, depths, truth, assays


def _cross_sheet(plan: SeasonPlan, tags: Tags, names: list[str]) -> pd.DataFrame:
    """The crosses sheet as the team would have it; pods and seeds are counted under the tag they bear."""
    bears = borne_tags(plan, tags)
    return pd.DataFrame(
        {
            "cross_id": tags.cross_id,
            "mother": [names[i] for i in tags.mother],
            "father": [names[i] for i in tags.father],
            "date": tags.date,
            "time": [f"{m // 60:02d}:{m % 60:02d}" for m in tags.minute],
            "operator": [plan.operators[i].name for i in tags.operator],
            "flowers": tags.flowers,
            "pods": tags.pods[bears],
            "seeds": tags.seeds[bears],
            "temperature_c": tags.temperature,
            "anthers_removed": tags.anthers_removed,
        }
    )


def _truth(samples: pd.DataFrame, layout: Layout, progeny: Progeny, in_well: Objects) -> pd.DataFrame:
    """What every progeny well's plant is, and whose DNA its well held."""
    rows = np.flatnonzero(layout.role == Role.PROGENY)
    item = layout.item[rows]
    relations = [progeny.relation[i] for i in item]
    return pd.DataFrame(
        {
            "sample_id": samples["sample_id"].to_numpy()[rows],
            "truth": [str(r.verdict) for r in relations],
            "relation": [str(r) for r in relations],
            "donor": progeny.donor[item],
            "identifiable": np.where(progeny.identifiable[item], "yes", "no"),
            "in_well": in_well[rows],
        }
    )
