"""config.yaml read into one frozen value; every mistake in it is reported at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crossproof.errors import InputError, Problem
from crossproof.io.config import yaml_text
from crossproof.io.config.paths import Places
from crossproof.io.config.setting_reader import SettingReader
from crossproof.io.intake.table_shape import Decimal, Encoding, Separator, TableShape
from crossproof.io.problems import Problems
from crossproof.model.declaration import GENOTYPE_KEYS, SETTINGS, ValueKind, default
from crossproof.model.genotypes import Evidence
from crossproof.model.settings import Settings

CONFIG_NAMES = ("config.yaml", "config.yml")


@dataclass(frozen=True)
class GenotypeFile:
    """One genotype file as config.yaml declares it; `path` is as the user wrote it.

    `absent` is the problem to report where there is no such file, or none that may be read: it is set
    aside and the others go on.
    """

    batch: str
    path: str
    file: Path
    layout: str | None = None
    evidence: Evidence = Evidence.AUTO
    counted_allele: str | None = None
    missing: tuple[str, ...] = ()
    sheet: str | None = None
    header_row: int | None = None
    last_row: int | None = None
    ignore_columns: tuple[str, ...] = ()
    sample_column: str | None = None
    marker_column: str | None = None
    call_columns: tuple[str, ...] = ()
    columns_per_marker: int = 1
    names: str | None = None
    marker_names: str | None = None
    alleles: str | None = None
    strand: str | None = None
    separator: str | None = None
    encoding: str | None = None
    decimal: str | None = None
    names_file: Path | None = field(default=None, compare=False)
    marker_names_file: Path | None = field(default=None, compare=False)
    absent: Problem | None = field(default=None, compare=False)

    @property
    def shape(self) -> TableShape:
        """What the entry says of how the table is written."""
        return TableShape(
            encoding=Encoding(self.encoding) if self.encoding else None,
            separator=Separator(self.separator) if self.separator else None,
            decimal=Decimal(self.decimal) if self.decimal else None,
            header_row=self.header_row,
            last_row=self.last_row,
            sample_column=self.sample_column,
            marker_column=self.marker_column,
            call_columns=self.call_columns,
            columns_per_marker=self.columns_per_marker,
            ignore_columns=self.ignore_columns,
        )

    @property
    def lists(self) -> tuple[Path, ...]:
        """The lists of names that belong to the file."""
        return tuple(p for p in (self.names_file, self.marker_names_file) if p is not None)


@dataclass(frozen=True, kw_only=True)
class Config(Settings):
    """All settings of a season; the fields are the keys of config.yaml, those of the model among them.

    `root` is the season folder and `source` the configuration file. `crosses`, `samples`, `markers` and
    `corrections` are as the user wrote them; `crosses_file`, `sample_files`, `markers_file` and
    `corrections_file` are the files they stand for. `columns` maps a table name ("" for all tables) to
    {heading key: our column}. `max_markers` and `max_markers_per_cross` are None for "all". `missing` of a
    genotype file already includes the season's.
    """

    root: Path
    source: Path
    crosses: str
    samples: tuple[str, ...]
    genotypes: tuple[GenotypeFile, ...]
    markers: str | None = default("markers")
    corrections: str | None = default("corrections")
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    date_order: str | None = default("date_order")
    acknowledged: tuple[str, ...] = default("acknowledged")
    missing: tuple[str, ...] = default("missing")
    evidence: Evidence = default("evidence")
    crop: str = default("crop")
    season: str = default("season")
    target_hybrids: int = default("target_hybrids")
    max_markers: int | None = default("max_markers")
    rates_by: tuple[str, ...] = default("rates_by")
    min_group_plants: int = default("min_group_plants")
    min_group_tags: int = default("min_group_tags")
    success_probability: float = default("success_probability")
    anthers_per_flower: int = default("anthers_per_flower")
    test_cost: float = default("test_cost")
    currency: str = default("currency")
    plate_wells: str = default("plate_wells")
    blanks_per_plate: int = default("blanks_per_plate")
    parent_wells: int = default("parent_wells")
    randomise: bool = default("randomise")
    split_families: bool = default("split_families")
    max_panel_markers: int = default("max_panel_markers")
    forced_in: tuple[str, ...] = default("forced_in")
    forced_out: tuple[str, ...] = default("forced_out")
    min_spacing: int = default("min_spacing")
    previous_seasons: tuple[str, ...] = default("previous_seasons")
    allow_outside: bool = default("allow_outside")
    fail_when_held: bool = default("fail_when_held")
    buckets: int = default("buckets")
    max_input_gb: float = default("max_input_gb")
    crosses_file: Path = Path()
    sample_files: tuple[Path, ...] = ()
    markers_file: Path | None = None
    corrections_file: Path | None = None

    def shown(self, path: Path) -> str:
        """A file as it is named to the user: relative to the season folder, with forward slashes."""
        try:
            return path.relative_to(self.root).as_posix()
        except ValueError:
            return path.as_posix()

    def renames(self, table: str) -> Mapping[str, str]:
        """A lab's headings and our names for them, as far as they concern this table."""
        return {**self.columns.get("", {}), **self.columns.get(table, {})}

    def to_dict(self) -> dict[str, Any]:
        """The settings as plain data, in the order declared, for run.json and digests."""
        plain: dict[str, Any] = {}
        for setting in SETTINGS:
            value = getattr(self, setting.name)
            if setting.kind is ValueKind.GENOTYPES:
                value = [
                    {k.name: getattr(g, k.name) for k in GENOTYPE_KEYS}
                    | {"evidence": str(g.evidence), "missing": list(g.missing)}
                    for g in value
                ]
            elif setting.kind is ValueKind.HEADINGS:
                value = {t: dict(sorted(m.items())) for t, m in sorted(value.items())}
            elif setting.kind is ValueKind.LIMIT:
                value = "all" if value is None else value
            elif isinstance(value, tuple):
                value = list(value)
            elif isinstance(value, Evidence):
                value = str(value)
            plain[setting.name] = value
        return plain


def find_config(path: Path) -> Path:
    """The configuration file of a season folder, or the file itself.

    Raises InputError where there is none.
    """
    path = Path(path)
    if path.is_dir():
        for name in CONFIG_NAMES:
            if (path / name).is_file():
                return path / name
        raise InputError.at(
            str(path),
            "The folder holds no config.yaml.",
            "Name the season folder, or make one with: crossproof new DIR",
        )
    if not path.is_file():
        raise InputError.at(
            str(path),
            "There is no such file or folder.",
            "Check the spelling, or make a season folder with: crossproof new DIR",
        )
    if path.suffix.lower() not in (".yaml", ".yml"):
        raise InputError.at(
            str(path),
            "This is neither a season folder nor its config.yaml.",
            "Name the season folder, or make one with: crossproof new DIR",
        )
    return path


def read_config(
    path: Path,
    data: bytes | None = None,
    *,
    genotypes_come: bool = False,
    wells_come: bool = False,
    given: frozenset[str] = frozenset(),
) -> Config:
    """Read a season's config.yaml (the file, or the folder that holds it).

    `data`: the content of the file where it was read before; the file itself is not looked at then.
    `genotypes_come`: no genotype file need be named yet, for one is about to be; `wells_come`: no sheet of
    wells need be there yet. `given`: tables that come from elsewhere, so that their sheets need not be there.
    Raises
    InputError with every problem found: unknown keys, values out of range, files that are missing or lie
    outside the season folder.
    """
    source = find_config(Path(path)) if data is None else Path(path)
    file = source.name
    if data is None:
        data = _bytes_of(source)
    document = yaml_text.read_yaml(data, file=file)
    problems = Problems(file)
    values = SettingReader(problems, genotypes_come).mapping(document, SETTINGS, "")
    Places(source.parent, problems, given, wells_come=wells_come).resolve(values)
    if problems:
        raise InputError(sorted(problems.listed(), key=lambda p: (p.row or 0, p.column, p.problem)))
    shared = values["missing"]
    evidence = Evidence(values.pop("evidence"))
    genotypes = tuple(
        GenotypeFile(
            batch=g["batch"],
            path=g["path"],
            file=g["file"],
            layout=g["layout"],
            evidence=Evidence(g["evidence"]) if g["evidence"] else evidence,
            counted_allele=g["counted_allele"],
            missing=tuple(dict.fromkeys((*shared, *g["missing"]))),
            absent=g.get("absent"),
            names_file=g.get("names_file"),
            marker_names_file=g.get("marker_names_file"),
            **{key: g[key] for key in _AS_WRITTEN},
        )
        for g in values.pop("genotypes")
    )
    return Config(root=source.parent, source=source, genotypes=genotypes, evidence=evidence, **values)


def _bytes_of(source: Path) -> bytes:
    try:
        return source.read_bytes()
    except OSError as fault:
        raise InputError.at(
            source.name, f"The file cannot be opened ({fault.strerror}).", "Check that you may read it."
        ) from None


_AS_WRITTEN = tuple(
    s.name
    for s in GENOTYPE_KEYS
    if s.name not in ("batch", "path", "layout", "evidence", "counted_allele", "missing")
)
