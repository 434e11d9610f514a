"""config.yaml read into one frozen value; every mistake in it is reported at once."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crossproof.errors import InputError, Problem, error
from crossproof.io.config import yaml_text
from crossproof.io.config.paths import ALL, Places
from crossproof.io.intake.table_shape import Decimal, Encoding, Separator, TableShape
from crossproof.io.sheets.columns import TABLES, heading_key, nearest
from crossproof.model.declaration import GENOTYPE_KEYS, SETTINGS, Setting, ValueKind, default
from crossproof.model.genotypes import Evidence
from crossproof.model.settings import Settings
from crossproof.text import shortened

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
        raise InputError(
            error(
                str(path),
                "The folder holds no config.yaml.",
                "Name the season folder, or make one with: crossproof new DIR",
            )
        )
    if not path.is_file():
        raise InputError(
            error(
                str(path),
                "There is no such file or folder.",
                "Check the spelling, or make a season folder with: crossproof new DIR",
            )
        )
    if path.suffix.lower() not in (".yaml", ".yml"):
        raise InputError(
            error(
                str(path),
                "This is neither a season folder nor its config.yaml.",
                "Name the season folder, or make one with: crossproof new DIR",
            )
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
    reader = _Reader(source.parent, file, genotypes_come)
    values = reader.mapping(document, SETTINGS, "")
    Places(source.parent, reader.fault, given, wells_come=wells_come).resolve(values)
    if reader.problems:
        raise InputError(sorted(reader.problems, key=lambda p: (p.row or 0, p.column, p.problem)))
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
            absent=_absent(file, g),
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
        raise InputError(
            error(
                source.name, f"The file cannot be opened ({fault.strerror}).", "Check that you may read it."
            )
        ) from None


_AS_WRITTEN = tuple(
    s.name
    for s in GENOTYPE_KEYS
    if s.name not in ("batch", "path", "layout", "evidence", "counted_allele", "missing")
)


def _absent(file: str, entry: Mapping[str, Any]) -> Problem | None:
    if "absent" not in entry:
        return None
    line, problem, remedy = entry["absent"]
    return error(file, problem, remedy, row=line, column="path", value=shortened(entry["path"]))


def _holds_nothing(node: yaml_text.Node) -> bool:
    empty = isinstance(node, yaml_text.Scalar) and node.empty
    return empty or (isinstance(node, yaml_text.Sequence) and not node.items)


class _Reader:
    """Turns YAML nodes into declared values and collects what is wrong with them."""

    def __init__(self, root: Path, file: str, genotypes_come: bool = False) -> None:
        self.root, self.file, self.genotypes_come = root, file, genotypes_come
        self.problems: list[Problem] = []
        self.lines: dict[str, int] = {}

    def fault(self, line: int | None, column: str, value: object, problem: str, remedy: str) -> None:
        shown = shortened(str(value))
        self.problems.append(error(self.file, problem, remedy, row=line, column=column, value=shown))

    def mapping(self, node: yaml_text.Mapping, declared: tuple[Setting, ...], inside: str) -> dict[str, Any]:
        known = {s.name: s for s in declared}
        values: dict[str, Any] = {s.name: s.default for s in declared}
        values["_lines"] = {}
        seen: set[str] = set()
        for key, value in node.items:
            setting = known.get(key.text)
            if setting is None:
                close = nearest(key.text, known)
                self.fault(
                    key.line,
                    inside,
                    key.text,
                    f"There is no setting called {key.text!r}.",
                    f"Did you mean {close!r}?" if close else f"Use one of: {', '.join(known)}.",
                )
                continue
            seen.add(setting.name)
            values["_lines"][setting.name] = value.line
            if setting.name == "genotypes" and self.genotypes_come and _holds_nothing(value):
                values[setting.name] = ()
                continue
            if isinstance(value, yaml_text.Scalar) and value.empty:
                if setting.required:
                    self.fault(key.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
                continue
            found = self.value(setting, value)
            if found == "" and setting.required:
                self.fault(key.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
            elif found is not None:
                values[setting.name] = found
        for setting in declared:
            if setting.required and setting.name not in seen:
                where = node.line if inside else None
                self.fault(where, setting.name, "", f"{setting.name!r} is not given.", _needed(setting))
        return values

    def value(self, setting: Setting, node: yaml_text.Node) -> Any:
        """The value of one setting, or None after a fault."""
        kind = setting.kind
        if kind is ValueKind.GENOTYPES:
            return self.genotypes(node)
        if kind is ValueKind.HEADINGS:
            return self.headings(node)
        if kind in (ValueKind.PATHS, ValueKind.TEXTS, ValueKind.PRIOR):
            return self.several(setting, node)
        if not isinstance(node, yaml_text.Scalar):
            self.fault(
                node.line,
                setting.name,
                "",
                f"{setting.name!r} takes one value, not a list or a group of settings.",
                f"Write {setting.name}: followed by {setting.allowed}.",
            )
            return None
        if kind in (ValueKind.PATH, ValueKind.TEXT):
            return node.text.strip()
        if kind is ValueKind.CHOICE:
            return self.choice(setting, node)
        if kind is ValueKind.YES_NO:
            word = node.text.casefold()
            if word in ("true", "yes"):
                return True
            if word in ("false", "no"):
                return False
            self.fault(
                node.line, setting.name, node.text, "This is neither true nor false.", "Write true or false."
            )
            return None
        if kind is ValueKind.LIMIT and node.text.casefold() == "all":
            return ALL
        number = self.number(setting, node)
        if number is None or kind is ValueKind.NUMBER:
            return number
        if number != int(number):
            self.fault(
                node.line, setting.name, node.text, "This is not a whole number.", f"Give {setting.allowed}."
            )
            return None
        return int(number)

    def number(self, setting: Setting, node: yaml_text.Scalar) -> float | None:
        text = node.text.strip().replace("_", "") if not node.quoted else node.text.strip()
        if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
            remedy = f"Give {setting.allowed}."
            if re.fullmatch(r"[+-]?\d+,\d+", text):
                remedy = f"Write the decimal point as a point: {text.replace(',', '.')}."
            elif match := re.fullmatch(r"(\d+(?:\.\d+)?)\s*%", text):
                remedy = f"Write the share as a number: {float(match.group(1)) / 100:g}."
            self.fault(node.line, setting.name, node.text, "This is not a number.", remedy)
            return None
        number = float(text)
        low, high = setting.low, setting.high
        too_low = low is not None and (number < low or (setting.above and number == low))
        if too_low or (high is not None and number > high) or not math.isfinite(number):
            remedy = f"Give {setting.allowed}."
            if high == 1 or (high is not None and 0.9 <= high < 1):
                if 1 < number <= 100:
                    remedy += f" For {number:g} per cent write {number / 100:g}."
            self.fault(node.line, setting.name, node.text, "This value is out of range.", remedy)
            return None
        return number

    def choice(self, setting: Setting, node: yaml_text.Scalar) -> str | None:
        word = node.text.strip().casefold().replace("_", "-")
        if word in setting.choices:
            return word
        close = nearest(word, setting.choices)
        self.fault(
            node.line,
            setting.name,
            node.text,
            f"{node.text!r} is not one of the allowed words.",
            (f"Did you mean {close!r}? " if close else "") + f"Allowed: {', '.join(setting.choices)}.",
        )
        return None

    def several(self, setting: Setting, node: yaml_text.Node) -> tuple[Any, ...] | None:
        if isinstance(node, yaml_text.Scalar) and setting.kind is not ValueKind.PRIOR:
            nodes: tuple[yaml_text.Node, ...] = (node,)
        elif isinstance(node, yaml_text.Sequence):
            nodes = node.items
        else:
            self.fault(
                node.line,
                setting.name,
                "",
                f"{setting.name!r} takes a list.",
                f"Write {setting.name}: [..., ...] with {setting.kind}.",
            )
            return None
        scalars = [n for n in nodes if isinstance(n, yaml_text.Scalar)]
        if len(scalars) != len(nodes):
            self.fault(
                node.line,
                setting.name,
                "",
                "The list holds something other than plain values.",
                f"Give {setting.kind}.",
            )
            return None
        if setting.kind is not ValueKind.PRIOR:
            if setting.required and not any(n.text.strip() for n in scalars):
                self.fault(node.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
                return None
            return tuple(n.text.strip() for n in scalars)
        numbers = [self.number(setting, n) for n in scalars]
        if len(numbers) != 4:
            self.fault(
                node.line,
                setting.name,
                len(numbers),
                f"{len(numbers)} numbers are given where 4 are needed.",
                "Give four numbers above 0: hybrid, self, outcross, off_pedigree, such as [6, 3, 0.8, 0.2].",
            )
            return None
        return None if any(n is None for n in numbers) else tuple(numbers)

    def genotypes(self, node: yaml_text.Node) -> tuple[dict[str, Any], ...] | None:
        how = "Write one line per file, such as: - {batch: B01, path: genotypes/plate1.vcf.gz}"
        if not isinstance(node, yaml_text.Sequence) or not node.items:
            self.fault(node.line, "genotypes", "", "'genotypes' takes a list of files.", how)
            return None
        entries: list[dict[str, Any]] = []
        lines: dict[str, int] = {}
        for item in node.items:
            if not isinstance(item, yaml_text.Mapping):
                text = item.text if isinstance(item, yaml_text.Scalar) else ""
                self.fault(item.line, "genotypes", text, "This entry lacks a batch name and a path.", how)
                continue
            entry = self.mapping(item, GENOTYPE_KEYS, "genotypes")
            batch, key = entry["batch"], entry["batch"].casefold()
            entry["_lines"]["entry"] = item.line
            if batch and key in lines:
                self.fault(
                    item.line,
                    "batch",
                    batch,
                    f"The batch name {batch!r} appears twice; the first is on line {lines[key]}.",
                    "Give each genotype file a batch name of its own.",
                )
            elif not batch.isprintable():
                self.fault(
                    item.line,
                    "batch",
                    batch,
                    "This batch name holds a line break or another character that cannot be shown.",
                    "Use letters, digits, - and _.",
                )
            lines.setdefault(key, item.line)
            entries.append(entry)
        return tuple(entries)

    def headings(self, node: yaml_text.Node) -> dict[str, dict[str, str]] | None:
        how = "Write columns: {your heading: our name}, such as columns: {Tag no: cross_id}."
        if not isinstance(node, yaml_text.Mapping):
            self.fault(node.line, "columns", "", "'columns' takes headings and our names for them.", how)
            return None
        found: dict[str, dict[str, str]] = {}
        for key, value in node.items:
            if isinstance(value, yaml_text.Mapping):
                if key.text not in TABLES:
                    close = nearest(key.text, TABLES)
                    self.fault(
                        key.line,
                        "columns",
                        key.text,
                        f"There is no sheet called {key.text!r}.",
                        f"Use one of: {', '.join(TABLES)}." + (f" Did you mean {close!r}?" if close else ""),
                    )
                    continue
                for heading, name in value.items:
                    self.heading(found.setdefault(key.text, {}), heading, name, TABLES[key.text].names)
            else:
                every = tuple(dict.fromkeys(n for t in TABLES.values() for n in t.names))
                self.heading(found.setdefault("", {}), key, value, every)
        return found

    def heading(
        self, into: dict[str, str], heading: yaml_text.Scalar, node: yaml_text.Node, known: tuple[str, ...]
    ) -> None:
        name = heading_key(node.text) if isinstance(node, yaml_text.Scalar) else ""
        if name not in known:
            shown = node.text if isinstance(node, yaml_text.Scalar) else ""
            close = nearest(shown, known) if shown else ""
            turned = heading_key(heading.text) in known
            self.fault(
                heading.line,
                "columns",
                shown,
                f"{shown!r} is not a column that crossproof knows.",
                (
                    f"Turn the pair round: {shown}: {heading.text}."
                    if turned and shown
                    else f"Did you mean {close!r}?"
                    if close
                    else f"Use one of: {', '.join(known)}."
                ),
            )
            return
        into[heading_key(heading.text)] = name


def _needed(setting: Setting) -> str:
    return f"Add {setting.name}: {setting.meaning}."
