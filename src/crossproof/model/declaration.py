"""Every key of config.yaml, declared once: kind of value, default, range, meaning, and what depends on it.

Reading and checking, the JSON schema, the file that `crossproof new` writes, the defaults of the model, the
rates and the plan, the digests that decide which steps run again, and the tables in report and documentation
all follow from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from crossproof.model.genotypes import Evidence
from crossproof.model.limits import MOST_HYBRIDS_WANTED


class ValueKind(StrEnum):
    """What kind of value a setting takes."""

    PATH = "a file name"
    PATHS = "a list of file names"
    TEXT = "text"
    TEXTS = "a list of texts"
    NUMBER = "a number"
    COUNT = "a whole number"
    LIMIT = "a whole number or all"
    YES_NO = "true or false"
    CHOICE = "one of the allowed words"
    PRIOR = "four numbers above 0"
    HEADINGS = "headings and our names for them"
    GENOTYPES = "a list of genotype files"


class Slice(StrEnum):
    """What depends on a setting: the first work to be done again when it changes.

    The report shows all settings, so it is made again after every change.
    """

    RECORDS = "records"
    """How sheets are read; what was read counts, so nothing runs again where that stays the same."""
    READING = "reading"
    """Reading the genotype files."""
    MODEL = "model"
    """Lines, run-wide rates and the evidence of every family."""
    PLATES = "plates"
    """Plate checks, and verdicts."""
    VERDICTS = "verdicts"
    """Verdicts from the evidence."""
    RATES = "rates"
    """Tables of rates."""
    REPORT = "report"
    """The report alone."""
    PLAN = "plan"
    """A plan of next season's crosses, and nothing of this one's results."""
    RUN = "run"
    """How a run goes about its work; no result depends on it."""


@dataclass(frozen=True)
class Setting:
    """One key of config.yaml; `low` and `high` are allowed values, both included unless `above` is set."""

    name: str
    kind: ValueKind
    default: Any
    meaning: str
    part: Slice = Slice.READING
    required: bool = False
    low: float | None = None
    high: float | None = None
    above: bool = False
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """The values allowed, in words."""
        if self.choices:
            return "one of " + ", ".join(self.choices)
        text = str(self.kind)
        if self.low is None or self.kind is ValueKind.PRIOR:
            return text
        if self.high is None:
            return f"{text}, {'above' if self.above else 'at least'} {self.low:,.7g}"
        if self.above:
            return f"{text} above {self.low:g} and up to {self.high:,.7g}"
        return f"{text} from {self.low:,.7g} to {self.high:,.7g}"


_EVIDENCE = tuple(str(e) for e in Evidence)
SEPARATORS = ("comma", "semicolon", "tab", "bar", "space")
ENCODINGS = ("utf-8", "utf-16", "windows-1252")
DECIMALS = ("point", "comma")
LAYOUTS = ("wide", "wide-by-marker", "long")

GENOTYPE_KEYS: tuple[Setting, ...] = (
    Setting(
        "batch", ValueKind.TEXT, "", "short name of this file, such as B01; each used once", required=True
    ),
    Setting("path", ValueKind.PATH, "", "the genotype file", required=True),
    Setting(
        "layout",
        ValueKind.CHOICE,
        None,
        "of a table: wide (a row per sample), wide-by-marker (a row per marker), long (a row per call)",
        choices=LAYOUTS,
    ),
    Setting("evidence", ValueKind.CHOICE, None, "overrides evidence for this file", choices=_EVIDENCE),
    Setting("counted_allele", ValueKind.TEXT, None, "of a table of 0/1/2: which allele is counted"),
    Setting("missing", ValueKind.TEXTS, (), "further codes of this file that mean: no call"),
    Setting("sheet", ValueKind.TEXT, None, "name of the sheet in a workbook; the first if left out"),
    Setting(
        "header_row", ValueKind.COUNT, None, "row that holds the headings; rows above are not read", low=1
    ),
    Setting("last_row", ValueKind.COUNT, None, "last row of the table; rows below are not read", low=2),
    Setting(
        "ignore_columns", ValueKind.TEXTS, (), "headings of columns that hold no calls; * matches any text"
    ),
    Setting("sample_column", ValueKind.TEXT, None, "heading of the column that names the samples"),
    Setting("marker_column", ValueKind.TEXT, None, "heading of the column that names the markers"),
    Setting("call_columns", ValueKind.TEXTS, (), "of a long table: heading of the calls, or of both alleles"),
    Setting(
        "columns_per_marker", ValueKind.COUNT, 1, "2 where each allele has a column of its own", low=1, high=2
    ),
    Setting(
        "names", ValueKind.PATH, None, "list of two columns: a sample's name in this file, its sample_id"
    ),
    Setting("marker_names", ValueKind.PATH, None, "list of two columns: a marker's name in this file, ours"),
    Setting(
        "alleles",
        ValueKind.CHOICE,
        None,
        "generic where A and B, or 1 and 2, stand for the alleles of each marker",
        choices=("named", "generic"),
    ),
    Setting(
        "strand",
        ValueKind.CHOICE,
        None,
        "other where the bases of this file are those of the other strand",
        choices=("same", "other"),
    ),
    Setting(
        "separator",
        ValueKind.CHOICE,
        None,
        "separator of the cells of a text table",
        choices=SEPARATORS,
    ),
    Setting(
        "encoding", ValueKind.CHOICE, None, "how the letters of a text table are written", choices=ENCODINGS
    ),
    Setting("decimal", ValueKind.CHOICE, None, "decimal sign of fragment sizes", choices=DECIMALS),
)
"""Keys of one entry of `genotypes`; all belong to the reading of that file."""

SETTINGS: tuple[Setting, ...] = (
    Setting("crosses", ValueKind.PATH, "", "the sheet of crosses, one row per tag", Slice.RECORDS,
        required=True),
    Setting("samples", ValueKind.PATHS, (), "the sheets of wells; * matches any text", Slice.RECORDS,
        required=True),
    Setting("genotypes", ValueKind.GENOTYPES, (), "the genotype files, one entry each", Slice.RECORDS,
        required=True),
    Setting("markers", ValueKind.PATH, None, "the sheet of markers; markers.csv is used where it exists",
        Slice.RECORDS),
    Setting("corrections", ValueKind.PATH, None, "your answers to proposals; corrections.csv where it exists",
        Slice.RECORDS),
    Setting("columns", ValueKind.HEADINGS, {}, "your own headings and our names for them", Slice.RECORDS),
    Setting("date_order", ValueKind.CHOICE, None,
        "order of dates such as 04.06.2027 where a sheet does not show it: day-month or month-day",
        Slice.RECORDS, choices=("day-month", "month-day")),
    Setting("acknowledged", ValueKind.TEXTS, (), "codes of warnings you have read, which are not shown again",
        Slice.REPORT),
    Setting("missing", ValueKind.TEXTS, (), "further codes that mean: no call", Slice.READING),
    Setting("evidence", ValueKind.CHOICE, Evidence.AUTO, "what to use of a genotype file", Slice.READING,
        choices=_EVIDENCE),
    Setting("crop", ValueKind.TEXT, "", "name of the crop, for the report", Slice.REPORT),
    Setting("season", ValueKind.TEXT, "", "name of the season, for the report", Slice.REPORT),
    Setting("min_posterior", ValueKind.NUMBER, 0.95, "probability that a verdict must reach", Slice.VERDICTS,
        low=0.5, high=0.999999, above=True),
    Setting("target_hybrids", ValueKind.COUNT, 4, "hybrid plants wanted per cross", Slice.RATES, low=0,
        high=MOST_HYBRIDS_WANTED),
    Setting("min_call_rate", ValueKind.NUMBER, 0.5, "least call rate of a plant", Slice.PLATES, low=0,
        high=1),
    Setting("min_marker_call_rate", ValueKind.NUMBER, 0.5, "least call rate of a marker", Slice.MODEL, low=0,
        high=1),
    Setting("min_markers_scored", ValueKind.COUNT, 3, "least number of markers scored in a plant",
        Slice.VERDICTS, low=1, high=1_000_000),
    Setting("false_heterozygote", ValueKind.NUMBER, 0.005, "starting rate: a homozygote called heterozygous",
        Slice.MODEL, low=0, high=0.5, above=True),
    Setting("dropout", ValueKind.NUMBER, 0.02, "starting rate: a heterozygote called homozygous", Slice.MODEL,
        low=0, high=0.5, above=True),
    Setting("swap", ValueKind.NUMBER, 0.002, "rate of any other wrong call", Slice.MODEL, low=0, high=0.2,
        above=True),
    Setting("floor", ValueKind.NUMBER, 0.005, "residual error at every marker, so that no single one decides",
        Slice.MODEL, low=0, high=0.5, above=True),
    Setting("read_error", ValueKind.NUMBER, 0.01, "error rate of a sequencing read", Slice.MODEL, low=0,
        high=0.5, above=True),
    Setting("overdispersion", ValueKind.NUMBER, 0.02, "extra spread of read counts", Slice.MODEL, low=0,
        high=0.9),
    Setting("parent_departure", ValueKind.NUMBER, 0.02,
        "share of markers at which a parent plant differs from its line", Slice.MODEL, low=0, high=0.5,
        above=True),
    Setting("inbreeding", ValueKind.NUMBER, 0.98, "how fixed the lines are; 1 is fixed", Slice.MODEL, low=0,
        high=1),
    Setting("class_prior", ValueKind.PRIOR, (6.0, 3.0, 0.8, 0.2),
        "expected shares of hybrid, self, outcross, off_pedigree", Slice.MODEL, low=0, above=True),
    Setting("panel_donor_share", ValueKind.NUMBER, 0.7, "share of foreign pollen that comes from panel lines",
        Slice.MODEL, low=0, high=1),
    Setting("max_markers", ValueKind.LIMIT, 20_000, "markers used of a dense file, or all", Slice.READING,
        low=10),
    Setting("max_markers_per_cross", ValueKind.LIMIT, 2000, "markers used for one cross, or all", Slice.MODEL,
        low=10),
    Setting("rates_by", ValueKind.TEXTS, (), "further columns of the crosses sheet to give rates by",
        Slice.RATES),
    Setting("min_group_plants", ValueKind.COUNT, 20, "groups of fewer plants are not judged", Slice.RATES,
        low=1, high=1_000_000),
    Setting("min_group_tags", ValueKind.COUNT, 5, "groups of fewer tags are not judged", Slice.RATES, low=1,
        high=1_000_000),
    Setting("success_probability", ValueKind.NUMBER, 0.95, "wanted probability of reaching the target",
        Slice.RATES, low=0, high=0.999999, above=True),
    Setting("max_false_heterozygote", ValueKind.NUMBER, 0.15,
        "a marker that looks heterozygous more often is set aside", Slice.MODEL, low=0, high=1),
    Setting("line_conflict", ValueKind.NUMBER, 0.1,
        "replicates of a line that differ at more markers conflict", Slice.MODEL, low=0, high=1),
    Setting("centimorgan_per_megabase", ValueKind.NUMBER, 0.0,
        "genetic map where markers.csv has no cm: centimorgans per megabase; 0: every chromosome has 100 cM",
        Slice.MODEL, low=0, high=10_000),
    Setting("anthers_per_flower", ValueKind.COUNT, 10, "anthers in one flower", Slice.RECORDS, low=1,
        high=1000),
    Setting("test_cost", ValueKind.NUMBER, 0.0, "cost of genotyping one plant", Slice.RATES, low=0),
    Setting("currency", ValueKind.TEXT, "", "currency of test_cost", Slice.RATES),
    Setting("previous_seasons", ValueKind.TEXTS, (),
        "folders of earlier seasons; plan and next steps start from their rates", Slice.RATES),
    Setting("plate_wells", ValueKind.CHOICE, "96", "plan: wells of a plate", Slice.PLAN,
        choices=("96", "384", "1536")),
    Setting("blanks_per_plate", ValueKind.COUNT, 3, "plan: blank wells on each plate", Slice.PLAN, low=0,
        high=96),
    Setting("parent_wells", ValueKind.COUNT, 2, "plan: wells of each parent line on a plate", Slice.PLAN,
        low=1, high=24),
    Setting("randomise", ValueKind.YES_NO, False, "plan: plants in random order, not family by family",
        Slice.PLAN),
    Setting("split_families", ValueKind.YES_NO, False,
        "plan: a family may be split over two plates where that fills them", Slice.PLAN),
    Setting("max_panel_markers", ValueKind.COUNT, 0,
        "plan: most markers on the panel; 0 for as few as prove all", Slice.PLAN, low=0),
    Setting("forced_in", ValueKind.TEXTS, (), "plan: markers that must be on the panel", Slice.PLAN),
    Setting("forced_out", ValueKind.TEXTS, (), "plan: markers that must not be on the panel", Slice.PLAN),
    Setting("min_spacing", ValueKind.COUNT, 0, "plan: least distance between chosen markers, in bp",
        Slice.PLAN, low=0),
    Setting("allow_outside", ValueKind.YES_NO, False, "whether files outside this folder may be named",
        Slice.RUN),
    Setting("fail_when_held", ValueKind.YES_NO, False,
        "whether Snakemake itself fails where a file was set aside or a plate or sample held", Slice.RUN),
    Setting("buckets", ValueKind.COUNT, 32, "number of work batches", Slice.RUN, low=1, high=4096),
    Setting("max_input_gb", ValueKind.NUMBER, 64.0, "largest genotype file accepted, in GB", Slice.READING,
        low=0, above=True),
)  # fmt: skip

_BY_NAME = {s.name: s for s in SETTINGS}


def setting(name: str) -> Setting:
    """The declaration of one key; KeyError where there is none."""
    return _BY_NAME[name]


def default(name: str) -> Any:
    """The default of one key."""
    return _BY_NAME[name].default


def names_of(*parts: Slice) -> tuple[str, ...]:
    """The keys that belong to these slices, in the order declared."""
    return tuple(s.name for s in SETTINGS if s.part in parts)


NUMERIC = (ValueKind.NUMBER, ValueKind.COUNT, ValueKind.LIMIT, ValueKind.PRIOR)
JUDGING = (Slice.READING, Slice.MODEL, Slice.PLATES, Slice.VERDICTS, Slice.RATES)


def method_settings() -> tuple[Setting, ...]:
    """The numbers that verdicts and rates are made with, for the report's section on method."""
    return tuple(s for s in SETTINGS if s.kind in NUMERIC and s.part in JUDGING)
