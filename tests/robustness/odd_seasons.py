"""Small invented seasons with one odd thing each: what a careless, unlucky or hostile user hands in.

Every season has two inbred lines and one cross unless said otherwise; all names and calls are invented.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

MARKERS = tuple(f"M{i:02d}" for i in range(1, 13))
CONTRAST = 9  # of the 12 markers: at these the two parents differ
_BASES = (("A", "G"), ("C", "T"), ("G", "A"), ("T", "C"))


@dataclass(frozen=True)
class Well:
    """One row of the samples sheet, and what its calls are made like."""

    sample: str
    kind: str  # mother, father, hybrid, self, blank, missing
    role: str = ""
    line: str = ""
    cross: str = ""
    plant: str = ""
    plate: str = "plate1"
    well: str = ""
    batch: str = "B01"


@dataclass(frozen=True)
class Odd:
    """A season to write; `after` spoils the written folder further."""

    wells: tuple[Well, ...]
    crosses: tuple[Mapping[str, str], ...]
    markers: tuple[str, ...] = MARKERS
    batch: str = "B01"
    genotypes: str = "genotypes/plate1.csv"
    marker_rows: tuple[Mapping[str, str], ...] = ()
    settings: str = ""
    after: Callable[[Path], None] | None = field(default=None, compare=False)


def wells(
    *,
    mother: str = "Lark",
    father: str = "Wren",
    cross: str = "X001",
    plants: Sequence[str] = ("P1", "P2", "P3"),
    kinds: Sequence[str] = ("hybrid", "hybrid", "self"),
    batch: str = "B01",
    plate: str = "plate1",
) -> tuple[Well, ...]:
    """Two wells of each parent, the plants of one cross and a blank."""
    rows = [
        Well("S-m1", "mother", "parent", mother),
        Well("S-m2", "mother", "parent", mother),
        Well("S-f1", "father", "parent", father),
        Well("S-f2", "father", "parent", father),
    ]
    rows += [
        Well(p, kind, "progeny", cross=cross, plant=f"{p}") for p, kind in zip(plants, kinds, strict=True)
    ]
    rows.append(Well("S-blank", "blank", "blank"))
    return tuple(
        replace(w, well=f"{'ABCDEFGH'[i % 8]}{i // 8 + 1}", batch=batch, plate=plate)
        for i, w in enumerate(rows)
    )


def cross(cross_id: str = "X001", mother: str = "Lark", father: str = "Wren", **more: str) -> dict[str, str]:
    """A row of crosses.csv."""
    row = {"cross_id": cross_id, "mother": mother, "father": father, "date": "2026-06-04", "time": "09:30"}
    return {**row, "operator": "Ana", "flowers": "2", "pods": "1", "seeds": "4", **more}


def call(kind: str, marker: int) -> str:
    """The call of a well at a marker, as a pair of bases."""
    ours, other = _BASES[marker % 4]
    theirs = other if marker < CONTRAST else ours
    a, b = {
        "mother": (ours, ours),
        "self": (ours, ours),
        "father": (theirs, theirs),
        "hybrid": (ours, theirs),
    }.get(kind, ("", ""))
    return f"{a}/{b}" if a else "-"


def sheet(rows: Iterable[Mapping[str, str]]) -> str:
    """Rows as CSV, quoted only where needed."""
    rows = list(rows)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def sample_rows(rows: Iterable[Well]) -> list[dict[str, str]]:
    """Rows of the samples sheet."""
    return [
        {
            "sample_id": w.sample, "batch": w.batch, "plate": w.plate, "well": w.well, "role": w.role,
            "line": w.line, "cross_id": w.cross, "plant": w.plant,
        }
        for w in rows
    ]  # fmt: skip


def table_of(
    rows: Iterable[Well],
    markers: Sequence[str] = MARKERS,
    calls: Callable[[str, int], str] = call,
) -> str:
    """A wide marker table with the calls of these wells."""
    return sheet({"sample_id": w.sample} | {m: calls(w.kind, i) for i, m in enumerate(markers)} for w in rows)


def quoted(text: str) -> str:
    """Text as a YAML scalar in single quotes."""
    return "'" + text.replace("'", "''") + "'"


def write(folder: Path, odd: Odd, calls: Callable[[str, int], str] = call) -> Path:
    """Write the season folder."""
    (folder / "samples").mkdir(parents=True)
    path = folder / odd.genotypes
    path.parent.mkdir(parents=True, exist_ok=True)
    config = (
        "crosses: crosses.csv\nsamples: [samples/*.csv]\ngenotypes:\n"
        f"  - {{batch: {quoted(odd.batch)}, path: {quoted(odd.genotypes)}, layout: wide}}\n"
    )
    (folder / "config.yaml").write_text(config + odd.settings, encoding="utf-8")
    rows = odd.crosses or ()
    heads = "cross_id,mother,father,date,operator\n"
    (folder / "crosses.csv").write_text(sheet(rows) if rows else heads, encoding="utf-8")
    listed = sample_rows(odd.wells)
    heads = "sample_id,batch,plate,well,role,line,cross_id,plant\n"
    (folder / "samples" / "plate1.csv").write_text(sheet(listed) if listed else heads, encoding="utf-8")
    path.write_text(table_of(odd.wells or wells(), odd.markers, calls), encoding="utf-8")
    if odd.marker_rows:
        (folder / "markers.csv").write_text(sheet(odd.marker_rows), encoding="utf-8")
    if odd.after is not None:
        odd.after(folder)
    return folder


def second_file(folder: Path, name: str) -> None:
    """Name another genotype file in config.yaml."""
    config = folder / "config.yaml"
    text = config.read_text(encoding="utf-8")
    entry = f"  - {{batch: B02, path: {quoted(name)}, layout: wide}}\n"
    head, _, rest = text.partition("layout: wide}\n")
    config.write_text(head + "layout: wide}\n" + entry + rest, encoding="utf-8")


def base() -> Odd:
    """A season without anything odd."""
    return Odd(wells(), (cross(),))


HOSTILE = (
    "; rm -rf ~",
    "$(touch pwned)",
    "`touch pwned`",
    "{bucket}",
    "{{wildcards.bucket}}",
    "=1+1",
    "@SUM(A1)",
    "<script>window.pwned=1</script>",
    "\"'><img src=x onerror=window.pwned=1>",
    "[red]x[/]",
    "%s%n{0}",
    "../../x",
    "a/b\\c",
    "-rf",
    "NA ",
    "名前",
    "x" * 200,
)
"""Names that a shell, a workflow engine, a spreadsheet, a browser or a terminal could act on."""


def hostile() -> Odd:
    """Hostile names everywhere at once: samples, lines, crosses, plates, batches, people, markers."""
    names = [n for n in HOSTILE if n.strip() == n]
    rows = wells(
        mother="Lark; touch pwned", father="$(touch pwned)", cross="X{bucket}'\"",
        plants=names, kinds=["hybrid"] * len(names), batch="../../x", plate="a/b",
    )  # fmt: skip
    crossed = cross(
        "X{bucket}'\"", "Lark; touch pwned", "$(touch pwned)",
        operator="<b onmouseover=window.pwned=1>Ana</b>", notes="=HYPERLINK(\"http://x\")",
    )  # fmt: skip
    markers = ("<script>m</script>", "{bucket}", "$(touch pwned)", *MARKERS[3:])
    return Odd(rows, (crossed,), markers, "../../x")
