"""What a plan is made from: the panel's genotypes, the planned crosses, the rates so far, the settings."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.model.arrays import Bools, Floats, Ints
from crossproof.model.declaration import default
from crossproof.model.genotypes import Markers, n_genotypes


@dataclass(frozen=True)
class PanelBlock:
    """Line genotypes at the markers with k alleles.

    `rows` (m,): places in the panel's `Markers`. `consensus` (m, line, n_g): probability of each genotype,
    rows sum to 1, all equal where nothing is known. `pool` (m, k): allele frequencies in the nursery.
    `typed` (m, line) bool: the line has a call at the marker.
    """

    k: int
    rows: Ints
    consensus: Floats
    pool: Floats
    typed: Bools

    def __post_init__(self) -> None:
        m, n_lines = self.typed.shape
        assert self.rows.shape == (m,)
        assert self.consensus.shape == (m, n_lines, n_genotypes(self.k))
        assert self.pool.shape == (m, self.k)


@dataclass(frozen=True)
class PanelGenotypes:
    """The panel lines as the season's calls show them, and how well each marker works.

    `false_heterozygote`, `dropout`, `call_rate` (marker,): the season's own rates. `usable` (marker,) bool:
    not set aside and nuclear; a maternal marker cannot tell a hybrid from a self. `on_panel` (marker,) bool:
    plants are scored there; the others are candidates, typed in lines only. `cost` (marker,): of one assay,
    any currency.
    """

    lines: tuple[str, ...]
    markers: Markers
    blocks: tuple[PanelBlock, ...]
    false_heterozygote: Floats
    dropout: Floats
    call_rate: Floats
    usable: Bools
    on_panel: Bools
    cost: Floats

    def __post_init__(self) -> None:
        n = len(self.markers)
        rates = (self.false_heterozygote, self.dropout, self.call_rate)
        for array in (*rates, self.usable, self.on_panel, self.cost):
            assert array.shape == (n,)


@dataclass(frozen=True)
class PlannedCross:
    """One cross on the wish list. `flowers` 0 and `week` "" mean: not said. `row`: line of its file, or
    None."""

    cross_id: str
    mother: str
    father: str
    target_hybrids: int = 4
    priority: float = 1.0
    flowers: int = 0
    week: str = ""
    operator: str = ""
    seeds: int = 0
    row: int | None = None
    place: str = ""

    @property
    def name(self) -> str:
        """Mother x father."""
        return f"{self.mother} x {self.father}"


@dataclass(frozen=True)
class PlanSettings:
    """Everything a plan is computed under; names and defaults are those of `config.yaml` where it has them.

    `wanted`: probability of a correct verdict that makes a cross verifiable.
    `family_size`: plants of one family tested together. `draws`: Monte Carlo draws per class and cross.
    `max_new_markers` 0: as few as reach the wish; else at most so many, for the most crosses.
    `prove_all_classes`: a cross counts as proven only when outcrosses and off-pedigree plants reach `wanted`
    too. `clear_share`: posterior at which a line counts as fixed when contrast markers are counted.
    """

    min_posterior: float = default("min_posterior")
    wanted: float = 0.95
    success_probability: float = default("success_probability")
    target_hybrids: int = default("target_hybrids")
    family_size: int = 8
    swap: float = default("swap")
    floor: float = default("floor")
    parent_departure: float = default("parent_departure")
    inbreeding: float = default("inbreeding")
    class_prior: tuple[float, float, float, float] = default("class_prior")
    panel_donor_share: float = default("panel_donor_share")
    min_markers_scored: int = default("min_markers_scored")
    clear_share: float = 0.9
    max_markers_per_cross: int = 300
    draws: int = 2000
    seed: int = 1
    plate_wells: int = int(default("plate_wells"))
    blanks_per_plate: int = default("blanks_per_plate")
    parent_wells: int = default("parent_wells")
    plant_replicates_per_plate: int = 1
    randomise: bool = default("randomise")
    split_families: bool = default("split_families")
    test_cost: float = default("test_cost")
    currency: str = default("currency")
    max_panel_markers: int = default("max_panel_markers")
    forced_in: tuple[str, ...] = default("forced_in")
    forced_out: tuple[str, ...] = default("forced_out")
    min_per_chromosome: int = 1
    min_spacing: int = default("min_spacing")
    solver_seconds: float = 20.0
    prove_all_classes: bool = False

    def __post_init__(self) -> None:
        assert 0.5 < self.min_posterior < 1
        assert len(self.class_prior) == 4
