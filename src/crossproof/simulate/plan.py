"""What a simulated season is made of: one frozen plan with every knob."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class BatchFormat(StrEnum):
    """How one genotype file is written."""

    VCF_GT = "vcf GT"
    VCF_DEPTH = "vcf GT:AD:DP"
    VCF_PL = "vcf GT:AD:DP:PL"
    WIDE = "wide"
    WIDE_BY_MARKER = "wide-by-marker"
    LONG = "long"

    @property
    def is_vcf(self) -> bool:
        """Whether the file is a VCF; fragment-size markers stand in tables only."""
        return self in (BatchFormat.VCF_GT, BatchFormat.VCF_DEPTH, BatchFormat.VCF_PL)

    @property
    def has_depth(self) -> bool:
        """Whether the file carries reads per allele; its calls are then made from reads."""
        return self in (BatchFormat.VCF_DEPTH, BatchFormat.VCF_PL)


class OffKind(StrEnum):
    """How seed gets under a tag that does not belong there."""

    ADVANCED = "advanced"
    BACKCROSS = "backcross"
    OTHER_LINE = "other line"
    OTHER_CROSS = "other cross"
    FATHER_SELFED = "father selfed"
    UNKNOWN = "unknown"


class FaultKind(StrEnum):
    """How a plate, a tube or a tag can lie; the names are those of corrections.csv where both exist."""

    ROTATE = "rotate"
    MIRROR = "mirror"
    MIRROR_ROWS = "mirror rows"
    SHIFT = "shift"
    REVERSE_ROW = "reverse row"
    REVERSE_COLUMN = "reverse col"
    EXCHANGE_PLATES = "exchange plates"
    SWAP_WELLS = "swap wells"
    SWAP_STRIPS = "swap strips"
    SWAP_TAGS = "swap tags"
    LINE_IS = "line is"
    SAME_PLANT = "same plant"
    CONTAMINATE_BLANKS = "contaminate blanks"


@dataclass(frozen=True)
class PlateFault:
    """One planted fault.

    `target` is a plate name (P001), for SWAP_TAGS a cross, for LINE_IS the line whose tubes are wrong.
    `other` is the second plate, cross or line. `first` and `second` are wells (A1) for SWAP_WELLS and
    SAME_PLANT, row letters or column numbers (from 1) for reversals and strips. `rows` and `columns`: how far
    SHIFT moves every well, positive downwards and to the right.
    Empty `other`, `first` and `second` are drawn at random among wells that hold progeny.
    """

    kind: FaultKind
    target: str = ""
    other: str = ""
    first: str = ""
    second: str = ""
    rows: int = 0
    columns: int = 0


class TagFaultKind(StrEnum):
    """How a tag as a whole can be wrong: whose pollen was on the brush, or a generation too far."""

    UNTYPED_DONOR = "untyped donor"
    RELATIVE = "untyped relative of the father"
    ADVANCED = "a generation further"
    BACKCROSS_MOTHER = "backcross to the mother"
    BACKCROSS_FATHER = "backcross to the father"


@dataclass(frozen=True)
class TagFault:
    """A fault of `tags` whole tags, each with a donor of its own.

    `pods`: share of the pods of each tag that it hits, at least one. `differs`: share of markers at which a
    RELATIVE differs from the father. `one_father`: all these tags name the same father.
    """

    kind: TagFaultKind
    tags: int = 1
    pods: float = 1.0
    differs: float = 0.0
    one_father: bool = False


@dataclass(frozen=True)
class Operator:
    """A person who crosses; `effect` is added to the log odds that a pod is selfed."""

    name: str
    effect: float = 0.0
    anthers_left: float = 0.0  # mean number of the ten anthers missed


SHARES = (
    "outcross",
    "off_pedigree",
    "unknown_donors",
    "sister_donors",
    "wrong_fathers",
    "parent_departure",
    "wrong_tubes",
    "tube_departure",
    "false_heterozygote",
    "dropout",
    "swap",
    "missing",
    "bad_assays",
    "null_markers",
    "null_dropout",
    "batch_marker_share",
    "replicate_plants",
    "failed_wells",
    "blank_call_rate",
    "mixed_wells",
    "pod_correlation",
    "pod_donors",
    "pod_set",
    "empty_tags",
    "residual_share",
)


@dataclass(frozen=True)
class SeasonPlan:
    """Every knob of a simulated season; shares and rates lie in [0, 1].

    Markers: `n_markers` counts biallelic nuclear ones, evenly spread over `chromosomes` of `morgans` each;
    `fragment_markers` (up to `fragment_alleles` alleles, tables only) and `maternal_markers` come on top.
    Alternative-allele frequencies are uniform over `allele_frequency`.

    Lines: `n_lines` inbred lines, then for each of the first `sister_groups` lines `sisters_per_group`
    sisters that differ from it at `sister_differences` markers. `f1_parents` lines more are F1s of two of the
    others, declared as such (inbreeding 0); where there are any, every cross is one of them with one of its
    own two lines, a backcross on purpose. `hidden_lines` give pollen and seed but are
    not in the panel. `fathers_have_sisters` takes fathers from the lines that have sisters.

    Fate of a pod: off pedigree with probability `off_pedigree`, outcross with `outcross`, else selfed with
    logit(base_self) + operator + hour_effect (hour - 9) + temperature_effect (temperature - 24)
    + anther_effect (10 - anthers removed) + mother (normal, sd `mother_spread`), else hybrid. A plant follows
    its pod with probability `pod_correlation` and has a fate of its own otherwise; of those that follow, a
    share `pod_donors` has the pod's pollen donor or wrong seed too (pollen left on the forceps), the others
    their own (insects, which visit many plants).

    Noise the model shares: `false_heterozygote`, `dropout`, `swap`, `missing`, `parent_departure`,
    `read_error`, `overdispersion`. Noise it does not share: bad assays in two classes, null alleles
    (one allele of a marker drops out), depth that varies by marker and well, mixed wells, failed wells, wrong
    tubes, missing data that varies by marker and well, linkage.
    """

    # texts of the season
    crop: str = ""
    season: str = ""
    bench_places: int = 0  # plants per bench, written in the column `place`; 0 for no such column
    # markers
    n_markers: int = 60
    chromosomes: int = 11
    morgans: float = 1.0
    fragment_markers: int = 0
    fragment_alleles: int = 6
    maternal_markers: int = 0
    allele_frequency: tuple[float, float] = (0.25, 0.75)
    # lines
    n_lines: int = 24
    line_replicates: int = 2
    line_prefix: str = "LN"
    hidden_lines: int = 4
    sister_groups: int = 0
    sisters_per_group: int = 3
    sister_differences: int = 6
    fathers_have_sisters: bool = False
    f1_parents: int = 0
    # crosses and plants
    n_crosses: int = 100
    plants_per_cross: int = 10
    flowers_per_tag: int = 4
    seeds_per_pod: float = 4.0
    pod_set: float = 0.6
    empty_tags: float = 0.0
    operators: tuple[Operator, ...] = (
        Operator("Ana", -0.5),
        Operator("Bo", 0.0),
        Operator("Chi", 0.2),
        Operator("Dov", 0.6),
    )
    base_self: float = 0.3
    hour_effect: float = 0.1
    temperature_effect: float = 0.08
    anther_effect: float = 0.5
    mother_spread: float = 0.3
    pod_correlation: float = 0.7
    pod_donors: float = 0.0
    outcross: float = 0.08
    unknown_donors: float = 0.25
    sister_donors: float = 0.0
    off_pedigree: float = 0.02
    off_kinds: tuple[tuple[OffKind, float], ...] = tuple((kind, 1.0) for kind in OffKind)
    wrong_fathers: float = 0.0
    tag_faults: tuple[TagFault, ...] = ()
    first_day: str = "2026-06-01"
    days: int = 40
    # parent plants and tubes
    parent_departure: float = 0.002
    residual_share: float = 0.5
    wrong_tubes: float = 0.0
    tube_departure: float = 0.0
    # calls
    false_heterozygote: float = 0.005
    dropout: float = 0.02
    swap: float = 0.002
    missing: float = 0.02
    bad_assays: float = 0.0
    bad_false_heterozygote: tuple[float, float] = (0.05, 0.12)
    bad_dropout: tuple[float, float] = (0.10, 0.30)
    null_markers: float = 0.0
    null_dropout: float = 0.5
    # reads
    depth: float = 20.0
    depth_marker_shape: float = 4.0
    depth_well_sd: float = 0.2
    read_error: float = 0.01
    overdispersion: float = 0.02
    # wells
    plate_wells: int = 96
    blanks_per_plate: int = 1
    panel_on_every_plate: bool = False
    plates_per_batch: int = 1
    formats: tuple[BatchFormat, ...] = (BatchFormat.WIDE,)
    compress: bool = False
    batch_marker_share: float = 1.0
    replicate_plants: float = 0.0
    failed_wells: float = 0.0
    blank_call_rate: float = 0.01
    mixed_wells: float = 0.0
    mixed_share: tuple[float, float] = (0.2, 0.5)
    faults: tuple[PlateFault, ...] = ()

    def __post_init__(self) -> None:
        for name in SHARES:
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must lie in 0 to 1, not {getattr(self, name)}")
        numbers = (self.n_markers, self.n_crosses, self.plants_per_cross)
        for sound, why in (
            (0.0 < self.base_self < 1.0, f"base_self must lie between 0 and 1, not {self.base_self}"),
            (
                self.n_lines >= 4 and min(numbers) >= 1,
                "a season needs at least 4 lines, 1 marker, 1 cross and 1 plant per cross",
            ),
            (
                2 <= self.fragment_alleles <= 8,
                f"fragment_alleles must lie in 2 to 8, not {self.fragment_alleles}",
            ),
            (
                self.sister_groups or not self.fathers_have_sisters,
                "fathers_have_sisters needs sister_groups of at least 1",
            ),
            (
                self.sister_groups <= self.n_lines and self.sister_differences <= self.n_markers,
                "more sister groups than lines, or more sister differences than markers",
            ),
            (sum(f.tags for f in self.tag_faults) <= self.n_crosses, "more faulty tags than crosses"),
            (self.outcross + self.off_pedigree <= 1.0, "outcross and off_pedigree together exceed 1"),
            (self.formats and self.operators, "a season needs at least one format and one operator"),
        ):
            if not sound:
                raise ValueError(why)
