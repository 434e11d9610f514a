"""What people, plants and a laboratory do between the commands of docs/bench.md; everything is invented.

Nobody here types the name of a plant: tags come from `crossproof tags`, plants from `crossproof sample`, and
scanned codes from the pages that are printed.
"""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

from crossproof.field.codes import code_of_plant

SEASON = "2025"
LINES = ("Lark", "Wren", "Finch", "Robin", "Dove")
N_MARKERS = 80
PLANNED = """\
mother,father,target_hybrids,flowers,week,operator,place
Lark,Wren,4,4,2025-W23,Ana,house 1 bench 1
Lark,Finch,4,4,2025-W23,Ana,house 1 bench 1
Robin,Wren,4,4,2025-W23,Bo,house 1 bench 2
Finch,Dove,4,4,2025-W24,Bo,house 1 bench 3
Dove,Robin,4,4,2025-W24,Ana,house 1 bench 4
Wren,Dove,4,4,2025-W24,Bo,house 1 bench 5
"""
CONFIG = f"""\
crosses: crosses.csv
samples: [samples/*.csv]
genotypes: []
crop: bean
season: "{SEASON}"
"""


def begin(folder: Path) -> None:
    """The examples of `crossproof new` are taken away, and the plan of the season is written."""
    for name in ("samples/plate1.csv", "genotypes/plate1.csv", "corrections.csv", "markers.csv"):
        (folder / name).unlink()
    (folder / "config.yaml").write_text(CONFIG, encoding="utf-8")
    (folder / "crosses.csv").write_text("cross_id,mother,father\n", encoding="utf-8")
    (folder / "planned.csv").write_text(PLANNED, encoding="utf-8")


Slip = Callable[[dict[str, object], int], None]
"""Changes the cells of row `number` of the book, counted from 0."""


def cross_and_harvest(folder: Path, slip: Slip | None = None, book: str = "field/book.xlsx") -> None:
    """The workbook of the crossing book is filled in, row by row, and named in config.yaml.

    The columns with the tag and its parents are left as they were printed.
    """
    work = openpyxl.load_workbook(folder / book)
    page = work.worksheets[0]
    head = {str(page.cell(1, k).value): k for k in range(1, page.max_column + 1)}
    tags = [r for r in range(2, page.max_row + 1) if page.cell(r, head["cross_id"]).value]
    for number, r in enumerate(tags):
        cells: dict[str, object] = {
            "date": dt.date(2025, 6, 4 + number),
            "time": dt.time(7, 10 + number),
            "operator": ("Ana", "Bo")[number % 2],
            "flowers": 4,
            "pods": 3,
            "seeds": 14 + number % 3,
            "temperature_c": 21.5,
            "anthers_removed": 10,
        }
        if slip is not None:
            cells |= {"cross_id": page.cell(r, head["cross_id"]).value}
            slip(cells, number)
        for name, value in cells.items():
            page.cell(r, head[name]).value = value  # type: ignore[assignment]
    work.save(folder / book)
    config = (folder / "config.yaml").read_text(encoding="utf-8")
    (folder / "config.yaml").write_text(config.replace("crosses.csv", book), encoding="utf-8")


class Nature:
    """The DNA of the season: lines are fixed, a pod holds hybrids or selfs, one pod both."""

    def __init__(self, folder: Path, seed: int = 5) -> None:
        self.rng = np.random.default_rng(seed)
        self.lines = {line: self.rng.integers(0, 2, N_MARKERS) for line in LINES}
        rows = sorted((folder / "samples").glob("*.csv"))
        self.wells = pd.concat([pd.read_csv(p, dtype=str, keep_default_na=False) for p in rows])
        book = openpyxl.load_workbook(folder / "field" / "book.xlsx").worksheets[0]
        head = [c.value for c in book[1]]
        self.parents = {
            row[head.index("cross_id")]: (row[head.index("mother")], row[head.index("father")])
            for row in book.iter_rows(min_row=2, values_only=True)
            if row[head.index("cross_id")]
        }
        # Invented: the second pod of every third tag is selfed, all other pods are crossed.
        self.selfed = {(tag, "2") for i, tag in enumerate(self.parents) if i % 3 == 0}
        self.dna: dict[str, tuple[np.ndarray, np.ndarray] | None] = {}
        plants: dict[str, tuple[np.ndarray, np.ndarray]] = {}
        for w in self.wells.to_dict("records"):
            if w["role"] == "blank":
                self.dna[w["sample_id"]] = None
            elif w["role"] == "parent":
                self.dna[w["sample_id"]] = (self.lines[w["line"]], self.lines[w["line"]])
            else:
                self.dna[w["sample_id"]] = plants.setdefault(w["plant"], self.child(w["cross_id"], w["pod"]))

    def child(self, tag: str, pod: str) -> tuple[np.ndarray, np.ndarray]:
        """A seed of this pod."""
        mother, father = (self.lines[p] for p in self.parents[tag])
        return (mother, mother) if (tag, pod) in self.selfed else (mother, father)

    def of_cross(self, tag: str) -> list[str]:
        """All samples of a tag."""
        return self.wells.loc[self.wells["cross_id"] == tag, "sample_id"].tolist()

    def turn(self) -> None:
        """The plate is put in the other way round: A1 where H12 should be."""
        at = {(ord(w[0]) - 65, int(w[1:]) - 1): s for w, s in self.by_well()}
        turned = {s: at.get((7 - r, 11 - c)) for (r, c), s in at.items()}
        self.dna = {s: self.dna[t] if t is not None else None for s, t in turned.items()}

    def by_well(self) -> list[tuple[str, str]]:
        """Wells and their samples."""
        return list(zip(self.wells["well"], self.wells["sample_id"], strict=True))

    def hang_on(self, tag: str, other: str) -> None:
        """The pods of this tag are really those of the other one."""
        for w in self.wells[self.wells["cross_id"] == tag].to_dict("records"):
            self.dna[w["sample_id"]] = self.child(other, w["pod"])

    def send(self, path: Path) -> Path:
        """The laboratory's table: one row per sample, 1 in 200 calls missing."""
        with path.open("w", newline="", encoding="utf-8") as out:
            writer = csv.writer(out)
            writer.writerow(["sample_id", *(f"M{j + 1:02d}" for j in range(N_MARKERS))])
            for sample, dna in self.dna.items():
                missing = self.rng.random(N_MARKERS) < (0.005 if dna is not None else 0.99)
                calls = (
                    ["-"] * N_MARKERS
                    if dna is None
                    else ["/".join(sorted("AG"[x[j]] for x in dna)) for j in range(N_MARKERS)]
                )
                writer.writerow([sample, *("-" if m else c for m, c in zip(missing, calls, strict=True))])
        return path


Scan = tuple[str, str, str]
"""Code, action and place."""


def scans(folder: Path) -> dict[str, Scan]:
    """By plant, what the scanner types at each pot when everything is done as decided."""
    verdicts = pd.read_csv(folder / "results" / "verdicts.csv", dtype=str, keep_default_na=False)
    action = {"keep": "keep", "cull": "cull", "retest": "sample", "hold": "keep"}
    return {
        r["plant"]: (code_of_plant(SEASON, r["cross_id"], r["plant"]).text, action[r["decision"]], r["place"])
        for r in verdicts.to_dict("records")
    }


def write_scans(path: Path, rows: dict[str, Scan] | list[Scan]) -> Path:
    """A scanned list."""
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out)
        writer.writerow(["plant", "action", "place"])
        writer.writerows(rows.values() if isinstance(rows, dict) else rows)
    return path
