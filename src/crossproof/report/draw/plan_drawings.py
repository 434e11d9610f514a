"""Drawings of the plan page: crosses by evidence, markers along chromosomes, weeks, plates.

Own SVG with classes for colour, so that the page's colours, dark mode and print apply; every name is escaped.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from crossproof.model.plates import row_letters
from crossproof.model.results import Provable
from crossproof.planning.plate_plan import PlannedPlate
from crossproof.report.draw.svg import svg, text
from crossproof.text import shown


def _probability_place(p: np.ndarray) -> np.ndarray:
    """Probabilities spread so that 0.5, 0.9, 0.99 and 0.999 stand evenly apart; 0 below, 1 above."""
    return np.asarray(np.clip(-np.log10(np.maximum(1 - p, 10**-4.2)), 0.0, 4.0) / 4.0)


def crosses_by_evidence(crosses: pd.DataFrame, wanted: float) -> str:
    """Every cross by its contrast markers and by the lesser chance of a right verdict of hybrid and self."""
    width, height, left, right, top, bottom = 860.0, 360.0, 64.0, 16.0, 16.0, 46.0
    markers = crosses["contrast_markers"].to_numpy(dtype=float)
    chance = crosses[["p_hybrid", "p_self"]].min(axis=1).fillna(0.0).to_numpy(dtype=float)
    most = max(float(markers.max(initial=0.0)), 8.0)
    x = left + (width - left - right) * np.sqrt(markers / most)
    y = top + (height - top - bottom) * (1 - _probability_place(chance))
    out = []
    for p in (0.0, 0.9, 0.99, 0.999, 0.9999):
        at = top + (height - top - bottom) * (1 - float(_probability_place(np.array([p]))[0]))
        out.append(f'<line class="grid" x1="{left}" x2="{width - right}" y1="{at:.1f}" y2="{at:.1f}"/>')
        out.append(text(left - 8, at + 4, f"{p:g}", "small", "end"))
    steps = [s for s in (0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512) if s <= most]
    for s in steps:
        at = left + (width - left - right) * np.sqrt(s / most)
        out.append(text(at, height - bottom + 18, s, "small", "middle"))
    at = top + (height - top - bottom) * (1 - float(_probability_place(np.array([wanted]))[0]))
    out.append(f'<line class="wish" x1="{left}" x2="{width - right}" y1="{at:.1f}" y2="{at:.1f}"/>')
    out.append(text(width - right, at - 6, f"wanted {wanted:g}", "small", "end"))
    places, counts = np.unique(np.column_stack([x.round(1), y.round(1)]), axis=0, return_counts=True)
    proven = crosses["verifiable"] == Provable.YES
    good = {(a, b) for a, b, ok in zip(x.round(1), y.round(1), proven, strict=True) if ok}
    for (cx, cy), n in zip(places, counts, strict=True):
        radius = 4.5 + 1.6 * np.sqrt(n - 1)
        css = "dot" if (cx, cy) in good else "dot-no"
        out.append(f'<circle class="{css}" cx="{cx}" cy="{cy}" r="{min(radius, 14):.1f}"/>')
    out.append(text((left + width - right) / 2, height - 8, "contrast markers", "", "middle"))
    reached = int(proven.sum())
    label = f"{len(crosses)} crosses by contrast markers; {reached} reach the wanted {wanted:g}."
    return svg(width, height, label, out)


def markers_on_chromosomes(markers: pd.DataFrame, limit: int = 40) -> str:
    """Every marker as a tick on its chromosome, those chosen as triangles."""
    frame = markers.copy()
    frame["chrom"] = frame["chrom"].where(frame["chrom"] != "", "no position")
    names = list(dict.fromkeys(frame["chrom"]))[:limit]
    longest = max(float(frame["pos"].max()), 1.0)
    width, left, row = 860.0, 120.0, 34.0
    scale = (width - left - 16) / longest
    out = []
    for i, name in enumerate(names):
        y = 22 + i * row
        part = frame[frame["chrom"] == name]
        end = left + scale * max(float(part["pos"].max()), 0.0)
        out.append(text(left - 12, y + 4, name, "", "end"))
        out.append(f'<line class="rail" x1="{left}" x2="{end:.1f}" y1="{y}" y2="{y}"/>')
        ticks = np.unique((left + scale * part["pos"].to_numpy(dtype=float)).round(1))
        out.append(
            '<path class="tick" d="' + "".join(f"M{t:.1f} {y - 4:.1f}v8" for t in ticks[:1500]) + '"/>'
        )
        for column, css, up in (("smallest_set", "pick", True), ("add", "pick-add", False)):
            for pos in part.loc[part[column].astype(bool), "pos"].to_numpy(dtype=float):
                x = left + scale * pos
                out.append(
                    f'<path class="{css}" d="M{x:.1f} {y - 5:.1f}l-5 -9h10z"/>'
                    if up
                    else f'<path class="{css}" d="M{x:.1f} {y + 5:.1f}l-5 9h10z"/>'
                )
    chosen, added = int(markers["smallest_set"].sum()), int(markers["add"].sum())
    where = f"{len(markers)} markers along {len(names)} chromosomes"
    label = f"{where}; {chosen} in the smallest set, {added} to add."
    return svg(width, 22 + row * len(names), label, out)


def weeks_of_work(weeks: pd.DataFrame, limit: int = 60) -> str:
    """Expected hybrids of each week with 95 % limits, and a ring at the number wanted."""
    rows = weeks[weeks["operator"] == ""].head(limit)
    width, left, row = 860.0, 120.0, 36.0
    most = max(float(rows["high"].max()), float(rows["wanted"].max()), 1.0)
    scale = (width - left - 40) / most
    out = []
    for i, w in enumerate(rows.itertuples()):
        y = 20 + i * row
        low, high, mean, wanted = (left + scale * float(v) for v in (w.low, w.high, w.expected, w.wanted))
        out.append(text(left - 12, y + 4, w.week or "no week", "", "end"))
        out.append(
            f'<rect class="bar" x="{low:.1f}" y="{y - 8}" width="{max(high - low, 1):.1f}" height="16" '
            f'rx="2"/>'
        )
        out.append(f'<line class="mean" x1="{mean:.1f}" x2="{mean:.1f}" y1="{y - 10}" y2="{y + 10}"/>')
        out.append(f'<circle class="wanted" cx="{wanted:.1f}" cy="{y}" r="6"/>')
    base = 20 + row * len(rows)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10**9) if most / s <= 8)
    ticks = np.arange(0, most + 1e-9, step)
    for tick in ticks:
        out.append(text(left + scale * tick, base + 4, f"{tick:g}", "small", "middle"))
    out.append(text(left, base + 22, "verified hybrids", "small"))
    return svg(width, base + 30, f"Expected hybrids of {len(rows)} weeks with limits.", out)


def plate_picture(plate: PlannedPlate) -> tuple[str, list[tuple[str, str]]]:
    """A plate as it is to be filled, and the key of its numbers: families 1, 2 ...; parents a, b ..."""
    shape = plate.plate
    size = {96: 34.0, 384: 25.0}.get(shape.wells, 14.0)
    left, top = 30.0, 24.0
    families: dict[str, int] = {}
    lines: dict[str, str] = {}
    seen: dict[str, int] = {}
    for w in plate.wells:
        if w.role == "progeny":
            families.setdefault(w.cross_id, len(families) + 1)
            seen[w.plant] = seen.get(w.plant, 0) + 1
        elif w.role == "parent":
            lines.setdefault(w.line, _letters(len(lines)))
    out = []
    every = 1 if shape.wells <= 384 else 4
    for c in range(0, shape.columns, every):
        out.append(text(left + (c + 0.5) * size, top - 8, c + 1, "small", "middle"))
    for r in range(0, shape.rows, every):
        out.append(text(left - 8, top + (r + 0.5) * size + 4, row_letters(r), "small", "end"))
    filled = {(w.row, w.column): w for w in plate.wells}
    radius = size * 0.42
    labelled = shape.wells <= 384
    for r in range(shape.rows):
        for c in range(shape.columns):
            x, y = left + (c + 0.5) * size, top + (r + 0.5) * size
            well = filled.get((r, c))
            if well is None:
                out.append(f'<circle class="empty-well" cx="{x:.1f}" cy="{y:.1f}" r="1.6"/>')
            elif well.role == "blank":
                out.append(f'<circle class="blank-well" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')
            elif well.role == "parent":
                side = 2 * radius
                out.append(
                    f'<rect class="parent-well" x="{x - radius:.1f}" y="{y - radius:.1f}" width="{side:.1f}" '
                    f'height="{side:.1f}" rx="2"/>'
                )
                if labelled:
                    out.append(text(x, y + 3.6, lines[well.line], "in-parent"))
            else:
                number = families[well.cross_id]
                css = "odd" if number % 2 else "even"
                out.append(f'<circle class="plate-well {css}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')
                if seen[well.plant] > 1:
                    out.append(f'<circle class="twice" cx="{x:.1f}" cy="{y:.1f}" r="{radius + 1.6:.1f}"/>')
                if labelled:
                    out.append(text(x, y + 3.6, number, "in-well"))
    key = [(str(n), f"family {cross}") for cross, n in families.items()]
    key += [(letters, f"line {line}") for line, letters in lines.items()]
    label = (
        f"Plate {plate.name}: {len(plate.wells)} wells, {len(families)} families, {len(lines)} parent lines."
    )
    width, height = left + shape.columns * size + 6, top + shape.rows * size + 6
    return svg(width, height, label, out, "plate-map"), [(k, shown(v)) for k, v in key]


def _letters(i: int) -> str:
    return row_letters(i).lower()
