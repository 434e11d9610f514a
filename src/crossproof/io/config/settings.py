"""Every key of config.yaml, declared once: type, default, range, meaning.

Drives reading, the JSON schema in workflow/schemas and the file that `crossproof new` writes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import yaml

from crossproof.model.genotypes import Evidence


class Form(StrEnum):
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


@dataclass(frozen=True)
class Setting:
    """One key of config.yaml; `low` and `high` are allowed values, both included unless `above` is set."""

    name: str
    form: Form
    default: Any
    meaning: str
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
        text = str(self.form)
        if self.low is None or self.form is Form.PRIOR:
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
    Setting("batch", Form.TEXT, "", "short name of this file, such as B01; each only once", required=True),
    Setting("path", Form.PATH, "", "the genotype file", required=True),
    Setting(
        "layout",
        Form.CHOICE,
        None,
        "of a table: wide (a row per sample), wide-by-marker (a row per marker), long (a row per call)",
        choices=LAYOUTS,
    ),
    Setting("evidence", Form.CHOICE, None, "overrides evidence for this file", choices=_EVIDENCE),
    Setting("counted_allele", Form.TEXT, None, "of a table of 0/1/2: which allele is counted"),
    Setting("missing", Form.TEXTS, (), "further codes of this file that mean: no call"),
    Setting("sheet", Form.TEXT, None, "name of the sheet in a workbook; the first where left out"),
    Setting("header_row", Form.COUNT, None, "row that holds the headings; rows above are not read", low=1),
    Setting("last_row", Form.COUNT, None, "last row of the table; rows below are not read", low=2),
    Setting(
        "ignore_columns", Form.TEXTS, (), "headings of columns that hold no calls; * stands for any text"
    ),
    Setting("sample_column", Form.TEXT, None, "heading of the column that names the samples"),
    Setting("marker_column", Form.TEXT, None, "heading of the column that names the markers"),
    Setting("call_columns", Form.TEXTS, (), "of a long table: heading of the calls, or of both alleles"),
    Setting(
        "columns_per_marker", Form.COUNT, 1, "2 where each allele has a column of its own", low=1, high=2
    ),
    Setting("names", Form.PATH, None, "list of two columns: a sample's name in this file, its sample_id"),
    Setting("marker_names", Form.PATH, None, "list of two columns: a marker's name in this file, ours"),
    Setting(
        "alleles",
        Form.CHOICE,
        None,
        "generic where A and B, or 1 and 2, stand for the alleles of each marker",
        choices=("named", "generic"),
    ),
    Setting(
        "strand",
        Form.CHOICE,
        None,
        "other where the bases of this file are those of the other strand",
        choices=("same", "other"),
    ),
    Setting(
        "separator", Form.CHOICE, None, "what stands between the cells of a text table", choices=SEPARATORS
    ),
    Setting("encoding", Form.CHOICE, None, "how the letters of a text table are written", choices=ENCODINGS),
    Setting("decimal", Form.CHOICE, None, "decimal sign of fragment sizes", choices=DECIMALS),
)

SETTINGS: tuple[Setting, ...] = (
    Setting("crosses", Form.PATH, "", "the sheet of crosses, one row per tag", required=True),
    Setting("samples", Form.PATHS, (), "the sheets of wells; * stands for any text", required=True),
    Setting("genotypes", Form.GENOTYPES, (), "the genotype files, one entry each", required=True),
    Setting("markers", Form.PATH, None, "the sheet of markers; markers.csv is used where it exists"),
    Setting("corrections", Form.PATH, None, "your answers to proposals; corrections.csv where it exists"),
    Setting("columns", Form.HEADINGS, {}, "your own headings and our names for them"),
    Setting(
        "date_order",
        Form.CHOICE,
        None,
        "order of dates such as 04.06.2027 where a sheet does not show it: day-month or month-day",
        choices=("day-month", "month-day"),
    ),
    Setting("acknowledged", Form.TEXTS, (), "codes of warnings you have read, which are not shown again"),
    Setting("missing", Form.TEXTS, (), "further codes that mean: no call"),
    Setting("evidence", Form.CHOICE, "auto", "what to use of a genotype file", choices=_EVIDENCE),
    Setting("crop", Form.TEXT, "", "name of the crop, for the report"),
    Setting("season", Form.TEXT, "", "name of the season, for the report"),
    Setting(
        "min_posterior", Form.NUMBER, 0.95, "how sure a verdict must be", low=0.5, high=0.999999, above=True
    ),
    Setting("target_hybrids", Form.COUNT, 4, "hybrid plants wanted per cross", low=0, high=1_000_000),
    Setting("min_call_rate", Form.NUMBER, 0.5, "least share of markers called in a plant", low=0, high=1),
    Setting(
        "min_marker_call_rate", Form.NUMBER, 0.5, "least share of plants called at a marker", low=0, high=1
    ),
    Setting(
        "min_markers_scored",
        Form.COUNT,
        3,
        "least number of markers scored in a plant",
        low=1,
        high=1_000_000,
    ),
    Setting(
        "false_heterozygote",
        Form.NUMBER,
        0.005,
        "starting rate: a homozygote called heterozygous",
        low=0,
        high=0.5,
        above=True,
    ),
    Setting(
        "dropout",
        Form.NUMBER,
        0.02,
        "starting rate: a heterozygote called homozygous",
        low=0,
        high=0.5,
        above=True,
    ),
    Setting("swap", Form.NUMBER, 0.002, "rate of any other wrong call", low=0, high=0.2, above=True),
    Setting(
        "floor",
        Form.NUMBER,
        0.005,
        "share of doubt kept for every single marker",
        low=0,
        high=0.5,
        above=True,
    ),
    Setting("read_error", Form.NUMBER, 0.01, "error rate of a sequencing read", low=0, high=0.5, above=True),
    Setting("overdispersion", Form.NUMBER, 0.02, "extra spread of read counts", low=0, high=0.9),
    Setting(
        "parent_departure",
        Form.NUMBER,
        0.02,
        "share of markers at which a parent plant differs from its line",
        low=0,
        high=0.5,
        above=True,
    ),
    Setting("inbreeding", Form.NUMBER, 0.98, "how fixed the lines are; 1 is fixed", low=0, high=1),
    Setting(
        "class_prior",
        Form.PRIOR,
        (6.0, 3.0, 0.8, 0.2),
        "expected shares of hybrid, self, outcross, off_pedigree",
        low=0,
        above=True,
    ),
    Setting(
        "panel_donor_share",
        Form.NUMBER,
        0.7,
        "share of foreign pollen that comes from panel lines",
        low=0,
        high=1,
    ),
    Setting("max_markers", Form.LIMIT, 20_000, "markers used of a dense file, or all", low=10),
    Setting("max_markers_per_cross", Form.LIMIT, 2_000, "markers used for one cross, or all", low=10),
    Setting("rates_by", Form.TEXTS, (), "further columns of the crosses sheet to give rates by"),
    Setting(
        "min_group_plants", Form.COUNT, 20, "fewer plants than this are not judged", low=1, high=1_000_000
    ),
    Setting("min_group_tags", Form.COUNT, 5, "fewer tags than this are not judged", low=1, high=1_000_000),
    Setting(
        "success_probability",
        Form.NUMBER,
        0.95,
        "how sure to be of reaching the target",
        low=0,
        high=0.999999,
        above=True,
    ),
    Setting(
        "max_false_heterozygote",
        Form.NUMBER,
        0.15,
        "a marker that looks heterozygous more often is set aside",
        low=0,
        high=1,
    ),
    Setting(
        "line_conflict",
        Form.NUMBER,
        0.10,
        "replicates of a line that differ at more markers conflict",
        low=0,
        high=1,
    ),
    Setting(
        "centimorgan_per_megabase",
        Form.NUMBER,
        0.0,
        "genetic map where markers.csv has no cm: centimorgan per megabase; 0: a chromosome has 100",
        low=0,
        high=10_000,
    ),
    Setting("anthers_per_flower", Form.COUNT, 10, "anthers in one flower", low=1, high=1000),
    Setting("test_cost", Form.NUMBER, 0.0, "cost of genotyping one plant", low=0),
    Setting("currency", Form.TEXT, "", "currency of test_cost"),
    Setting("plate_wells", Form.CHOICE, "96", "plan: wells of a plate", choices=("96", "384", "1536")),
    Setting("blanks_per_plate", Form.COUNT, 3, "plan: blank wells on each plate", low=0, high=96),
    Setting("parent_wells", Form.COUNT, 2, "plan: wells of each parent line on a plate", low=1, high=24),
    Setting("randomise", Form.YES_NO, False, "plan: plants in random order, not family by family"),
    Setting(
        "max_panel_markers",
        Form.COUNT,
        0,
        "plan: most markers on the panel; 0 for as few as prove all",
        low=0,
    ),
    Setting("forced_in", Form.TEXTS, (), "plan: markers that must be on the panel"),
    Setting("forced_out", Form.TEXTS, (), "plan: markers that must not be on the panel"),
    Setting("min_spacing", Form.COUNT, 0, "plan: least distance between chosen markers, in bp", low=0),
    Setting("allow_outside", Form.YES_NO, False, "whether files outside this folder may be named"),
    Setting(
        "fail_when_held",
        Form.YES_NO,
        False,
        "whether Snakemake itself fails where a file was set aside or a plate or sample held",
    ),
    Setting("buckets", Form.COUNT, 32, "portions the work is dealt into", low=1, high=4096),
    Setting("max_input_gb", Form.NUMBER, 64.0, "largest genotype file accepted, in GB", low=0, above=True),
)


def config_schema() -> dict[str, Any]:
    """The JSON schema of config.yaml, made from the declaration."""
    genotype = {
        "type": "object",
        "additionalProperties": False,
        "required": [s.name for s in GENOTYPE_KEYS if s.required],
        "properties": {s.name: _schema_of(s) for s in GENOTYPE_KEYS},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "crossproof season configuration",
        "type": "object",
        "additionalProperties": False,
        "required": [s.name for s in SETTINGS if s.required],
        "properties": {s.name: _schema_of(s, genotype) for s in SETTINGS},
    }


def _schema_of(setting: Setting, genotype: Mapping[str, Any] | None = None) -> dict[str, Any]:
    text: dict[str, Any] = {"type": ["string", "number", "boolean"]}
    bounds: dict[str, Any] = {}
    if setting.low is not None:
        bounds["exclusiveMinimum" if setting.above else "minimum"] = setting.low
    if setting.high is not None:
        bounds["maximum"] = setting.high
    texts = {"type": "array", "items": text}
    path = {"type": "string", "minLength": 1}
    bodies: dict[Form, dict[str, Any]] = {
        Form.PATH: path,
        Form.PATHS: {"anyOf": [path, {"type": "array", "items": path, "minItems": 1}]},
        Form.TEXT: text,
        Form.TEXTS: texts,
        Form.NUMBER: {"type": "number", **bounds},
        Form.COUNT: {"type": "integer", **bounds},
        Form.LIMIT: {"anyOf": [{"const": "all"}, {"type": "integer", **bounds}]},
        Form.YES_NO: {"type": "boolean"},
        # YAML reads an unquoted 96 as a number.
        Form.CHOICE: {"enum": [*setting.choices, *(int(c) for c in setting.choices if c.isdigit())]},
        Form.PRIOR: {
            "type": "array",
            "items": {"type": "number", "exclusiveMinimum": 0},
            "minItems": 4,
            "maxItems": 4,
        },
        Form.HEADINGS: {
            "type": "object",
            "additionalProperties": {
                "anyOf": [text, {"type": "object", "additionalProperties": text}],
            },
        },
        Form.GENOTYPES: {"type": "array", "minItems": 1, "items": dict(genotype or {})},
    }
    body = bodies[setting.form]
    if not setting.required:
        # An empty value in YAML is null and means: as if the key were left out.
        body = {"anyOf": [body, {"type": "null"}]}
    entry = {"description": setting.meaning, **body}
    if setting.default not in ("", None, (), {}) or setting.form is Form.YES_NO:
        default = setting.default
        entry["default"] = list(default) if isinstance(default, tuple) else default
    return entry


def schema_text() -> str:
    """The text of workflow/schemas/config.schema.yaml."""
    head = "# From the declaration in src/crossproof/io/config/settings.py, and kept equal to it by a test.\n"
    body: str = yaml.dump(
        config_schema(), Dumper=_NoReferences, sort_keys=False, allow_unicode=True, width=100
    )
    return head + body


class _NoReferences(yaml.SafeDumper):  # type: ignore[misc]  # PyYAML has no types
    """Writes what occurs twice twice, so that the schema reads from top to bottom."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


if __name__ == "__main__":
    print(schema_text(), end="")
