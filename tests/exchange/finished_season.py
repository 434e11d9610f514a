"""A season whose results are there without a run: invented tables in the columns of the output contract."""

from __future__ import annotations

import csv
from pathlib import Path

from crossproof.io.files.atomic import write_json
from crossproof.season.index import build_index
from crossproof.season.templates import new_season

VERDICT = {
    "plant": "X001-1", "sample_id": "S05", "samples": "S05", "cross_id": "X001", "mother": "Lark",
    "father": "Wren", "plate": "plate1", "well": "E1", "pod": "1", "verdict": "hybrid", "decision": "keep",
    "reason": "", "p_hybrid": "0.998000", "p_self": "0.001000", "p_outcross": "0.000500",
    "p_off_pedigree": "0.000500", "lod": "2.70", "contrast_markers": "9", "contrast_scored": "9",
    "contrast_het": "9", "het_share": "1.0000", "het_low": "0.7008", "het_high": "1.0000",
    "foreign_calls": "0", "call_rate": "1.0000", "likely_source": "pollen of Wren",
    "source_probability": "0.9980", "flags": "", "leading_class": "hybrid", "settle": "",
}  # fmt: skip
CROSS = {
    "cross_id": "X001", "mother": "Lark", "father": "Wren", "date": "2025-06-04", "time": "09:30",
    "operator": "Ana", "flowers": "2", "pods": "1", "seeds": "4", "tested": "1", "hybrid": "1", "self": "0",
    "outcross": "0", "off_pedigree": "0", "undetermined": "0", "determined": "1", "hybrid_rate": "0.9980",
    "hybrid_rate_low": "0.0250", "hybrid_rate_high": "1.0000", "true_success": "0.5000",
    "next_step": "test stored seeds", "seeds_to_test": "3", "flowers_to_repeat": "", "findings": "",
}  # fmt: skip
PLATE = {"plate": "plate1", "batch": "B01", "wells": "6", "findings": "", "log10_odds": "", "state": "used"}


def sample(name: str, well: str, role: str, **more: str) -> dict[str, str]:
    """A row of results/samples.csv."""
    row = {
        "sample_id": name, "batch": "B01", "plate": "plate1", "well": well, "role": role, "line": "",
        "cross_id": "", "pod": "", "plant": name, "call_rate": "1.0000", "state": "used", "findings": "",
    }  # fmt: skip
    return row | more


SAMPLES = [
    sample("S01", "A1", "parent", line="Lark"),
    sample("S03", "C1", "parent", line="Wren"),
    sample("S05", "E1", "progeny", cross_id="X001", pod="1", plant="X001-1"),
    sample("S06", "F1", "blank"),
]


def finished(
    folder: Path,
    *,
    crosses: list[dict[str, str]] | None = None,
    verdicts: list[dict[str, str]] | None = None,
    samples: list[dict[str, str]] | None = None,
    plates: list[dict[str, str]] | None = None,
) -> Path:
    """Write a season and its results; rows default to one hybrid of one cross."""
    if not folder.exists():
        new_season(folder)
    tables = {
        "crosses": crosses or [CROSS],
        "verdicts": verdicts or [VERDICT],
        "samples": samples or SAMPLES,
        "plates": plates or [PLATE],
    }
    (folder / "results").mkdir(exist_ok=True)
    for name, rows in tables.items():
        heads = list(dict.fromkeys(k for row in rows for k in row))
        with (folder / "results" / f"{name}.csv").open("w", encoding="utf-8", newline="") as handle:
            writer = csv.DictWriter(handle, heads, restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    write_json(folder / "results" / "run.json", {"run_digest": build_index(folder).run_digest})
    return folder
