"""The season folder that `crossproof new` writes: sheets to fill in, with an invented example that runs."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from crossproof.errors import UsageError
from crossproof.io.files.atomic import write_bytes
from crossproof.io.sheets.columns import CORRECTIONS, CROSSES, MARKERS, SAMPLES, Table
from crossproof.model.corrections import CorrectionKind
from crossproof.model.declaration import SETTINGS, ValueKind
from crossproof.model.plates import Role

_N_MARKERS = 12
_CONTRAST = 9
"""Invented: at the first 9 of the 12 markers the two example parents differ."""

_EXAMPLE_WELLS: tuple[Mapping[str, str], ...] = (
    {"sample_id": "S01", "well": "A1", "role": "parent", "line": "Lark"},
    {"sample_id": "S02", "well": "B1", "role": "parent", "line": "Lark"},
    {"sample_id": "S03", "well": "C1", "role": "parent", "line": "Wren"},
    {"sample_id": "S04", "well": "D1", "role": "parent", "line": "Wren"},
    {"sample_id": "S05", "well": "E1", "role": "progeny", "cross_id": "X001", "pod": "1", "plant": "X001-1"},
    {"sample_id": "S06", "well": "F1", "role": "blank"},
)

_READ_ME = """\
The quick way to add a file from the laboratory is the command: crossproof receive

Or put the genotype files of the season here, and name each one in config.yaml under genotypes:

  genotypes:
    - {batch: B01, path: genotypes/plate1.csv, layout: wide}
    - {batch: B02, path: genotypes/plate2.vcf.gz}

What can be read
  VCF, VCF.gz and BCF, as the genotyping laboratory sends them.
  Tables (.csv, .tsv, .xlsx):
    wide             one row per sample, one column per marker (plate1.csv here is an example)
    wide-by-marker   one row per marker, one column per sample
    long             one row per call, with the columns sample_id, marker, call

How a call is written in a table
  A/G   A:G   A|G   AG        the two alleles
  A  C  G  T  R  Y  ...       one letter (R means A/G, and so on)
  152/158                     fragment sizes
  0  1  2                     copies of the allele that counted_allele names in config.yaml
  -  NA  N  NN  ./.  ?        no call (an empty cell too)

The names of the samples must be the same as in the column sample_id of the sheets in the folder samples.
plate1.csv holds invented calls that belong to the example rows. Delete it together with those rows.
"""


def new_season(folder: Path) -> tuple[Path, ...]:
    """Write a season folder to fill in; returns the files written.

    The example rows are invented and fit together, so that `check` and `run` pass on the new folder.
    Raises UsageError where the folder already holds something, or cannot be one.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        what = "The folder is not empty." if folder.is_dir() else "There is already a file of this name."
        raise UsageError.at(str(folder), f"{what} Nothing was written.", "Choose the name of a new folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileNotFoundError as fault:
        raise UsageError.at(
            str(folder), "No folder can be created here.", "Choose a place on a disk of your own."
        ) from fault
    contents = {
        "config.yaml": config_text(),
        "crosses.csv": sheet_text(CROSSES, [_example(CROSSES)], leave_out=("cross",)),
        "samples/plate1.csv": sheet_text(SAMPLES, [_well(w) for w in _EXAMPLE_WELLS]),
        "markers.csv": example_markers(),
        "corrections.csv": sheet_text(CORRECTIONS, []),
        "genotypes/plate1.csv": example_calls(),
        "genotypes/README.txt": _READ_ME,
    }
    written = []
    for name, text in contents.items():
        path = folder / name
        write_bytes(path, text.encode("utf-8"))
        written.append(path)
    return tuple(written)


def sheet_text(table: Table, rows: list[Mapping[str, str]], leave_out: tuple[str, ...] = ()) -> str:
    """A sheet with a comment on every column, the header, and these rows.

    Comments hold no comma, semicolon or quotation mark, which a spreadsheet would change in saving.
    """
    columns = [c for c in table.columns if c.name not in leave_out]
    example = " The rows below the headings are invented examples: replace them."
    if table is CORRECTIONS:
        example = " Copy here what the report proposes once you have checked that it is so."
    lines = [
        f"# One row is {table.row_is}.{example}",
        "# Lines that begin with # are not read. Leave a cell empty where nothing is known.",
        "# Columns of your own may be added and will appear in the results.",
        "#",
    ]
    for column in columns:
        needed = " (needed)" if column.required else ""
        words = column.allowed.replace(", such", " such").replace(", ", " / ")
        allowed = f" [{words}]" if words else ""
        lines.append(f"# {column.name}{needed}: {column.meaning}{allowed}")
    if table is CORRECTIONS:
        lines.append(f"# Kinds: {' - '.join(k.value for k in CorrectionKind)}")
    comments = [line.replace(";", " -").replace(",", "").replace('"', "'") for line in lines]
    header = ",".join(c.name for c in columns)
    body = [",".join(row.get(c.name, "") for c in columns) for row in rows]
    return "\n".join([*comments, header, *body]) + "\n"


def _example(table: Table) -> Mapping[str, str]:
    return {c.name: c.example for c in table.columns}


def _well(cells: Mapping[str, str]) -> Mapping[str, str]:
    return {"batch": "B01", "plate": "plate1", **cells}


def config_text() -> str:
    """The config.yaml of a new season: what is needed filled in, all else as comments with its default."""
    lines = [
        "# Settings of this season. A line that begins with # is not read.",
        "# File names count from this folder. Check everything with: crossproof check (and this folder)",
        "",
        "# The sheet of crosses: one row per tag.",
        "crosses: crosses.csv",
        "",
        "# The sheets of wells: one row per well. The star matches any name.",
        "samples: [samples/*.csv]",
        "",
        "# The genotype files: one line each. batch is a short name of your choice.",
        "# Tables need to say how they are laid out: wide has one row per sample.",
        "genotypes:",
        "  - {batch: B01, path: genotypes/plate1.csv, layout: wide}",
        "",
        "# Everything below is optional. To change a setting delete the # in front of it.",
    ]
    for setting in SETTINGS:
        if setting.required:
            continue
        lines.append("")
        told = setting.kind in (ValueKind.TEXT, ValueKind.PATH, ValueKind.HEADINGS)
        allowed = "" if told else f" ({setting.allowed})"
        lines.append(f"# {setting.meaning[0].upper()}{setting.meaning[1:]}{allowed}.")
        lines.append(f"#{setting.name}: {_shown(setting.name, setting.kind, setting.default)}".rstrip())
    return "\n".join(lines) + "\n"


def _shown(name: str, kind: ValueKind, default: object) -> str:
    if default is None and kind is ValueKind.CHOICE:
        return ""
    if kind is ValueKind.HEADINGS:
        return "{Tag no: cross_id}"
    if kind is ValueKind.PATH:
        return f"{name}.csv"
    if kind is ValueKind.YES_NO:
        return str(default).lower()
    if isinstance(default, tuple):
        return "[" + ", ".join(f"{v:g}" if isinstance(v, float) else str(v) for v in default) + "]"
    if isinstance(default, float):
        return f"{default:g}"
    return str(default) or '""'


def example_markers() -> str:
    """The marker sheet of a new season."""
    return sheet_text(MARKERS, [_example(MARKERS)])


def example_calls() -> str:
    """Invented calls of the example wells: the progeny plant is the hybrid of its parents."""
    alleles = [("A", "G"), ("C", "T"), ("G", "A"), ("T", "C")]
    calls: dict[str, list[str]] = {}
    for cells in _EXAMPLE_WELLS:
        row = []
        for marker in range(_N_MARKERS):
            of_mother, other = alleles[marker % len(alleles)]
            of_father = other if marker < _CONTRAST else of_mother
            row.append(
                {
                    "Lark": f"{of_mother}/{of_mother}",
                    "Wren": f"{of_father}/{of_father}",
                    "": f"{of_mother}/{of_father}" if cells["role"] == Role.PROGENY else "-",
                }[cells.get("line", "")]
            )
        calls[cells["sample_id"]] = row
    header = ",".join(["sample_id", *(f"M{i + 1:02d}" for i in range(_N_MARKERS))])
    return "\n".join([header, *(",".join([name, *row]) for name, row in calls.items())]) + "\n"
