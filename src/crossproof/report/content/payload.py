"""The data embedded in the page: columns coded by dictionaries, genotypes at two bits each.

A column is {"s": texts}, {"d": distinct texts, "i": places} or {"v": numbers or null, "q": divisor}; a value
is v / q. Genotypes of biallelic markers are packed four to a byte, plant after plant, lines last: 0, 1, 2
copies of the second allele, 3 where nothing is known; other markers take one byte (VCF order, 255 unknown).
Both are deflated and written in base64.
"""

from __future__ import annotations

import base64
import itertools
import json
import zlib
from typing import Any

import numpy as np
import pandas as pd

from crossproof.model.arrays import Floats, Int8s, Ints, UInt8s
from crossproof.model.plant_calls import PlantCalls
from crossproof.model.plates import parse_well
from crossproof.model.results import CLASSES, NextStep
from crossproof.model.sentinels import MISSING
from crossproof.report.content.explain import ROUNDED, TEMPLATES, UNEXPECTED, template_keys_of
from crossproof.report.content.inputs import ReportInputs, numbers, texts
from crossproof.report.content.marks import PILE_WORDS, all_marks, verdict_of
from crossproof.report.content.wells import well_table
from crossproof.report.facts.plants import Pile, plant_facts
from crossproof.text import shown

MOST_MARKERS = 1_500
MOST_CALLS = 12_000_000
"""Bounds on the calls embedded in the page; tables and `explain` always have them all."""

PLANT_TEXTS = (
    "plant",
    "sample_id",
    "cross_id",
    "mother",
    "father",
    "operator",
    "date",
    "plate",
    "well",
    "place",
    "pod",
    "decision",
    "reason",
    "likely_source",
    "settle",
    "flags",
    "leading_class",
)
PLANT_COUNTS = ("contrast_markers", "contrast_scored", "contrast_het", "foreign_calls")
CROSS_TEXTS = (
    "cross_id",
    "mother",
    "father",
    "date",
    "operator",
    "verifiable",
    "next_step",
    "next_step_detail",
    "findings",
)
CROSS_NUMBERS = (
    "flowers",
    "pods",
    "seeds",
    "tested",
    "hybrid",
    "self",
    "outcross",
    "off_pedigree",
    "undetermined",
    "held",
    "contrast_markers",
    "target",
    "seeds_to_test",
    "flowers_to_repeat",
)
CROSS_SHARES = (
    "hybrid_rate",
    "hybrid_rate_low",
    "hybrid_rate_high",
    "true_success",
    "true_success_low",
    "true_success_high",
)


def build_payload(inputs: ReportInputs) -> dict[str, Any]:
    """Everything the page's script needs, ready for JSON."""
    return {
        "plants": _plants(inputs.verdicts),
        "crosses": _crosses(inputs.crosses),
        "wells": _wells(inputs),
        "plates": _plates(inputs),
        "calls": _calls(inputs),
        "marks": [
            {"key": m.key, "letter": m.letter, "label": m.label, "path": m.path, "means": m.means}
            for m in all_marks()
        ],
        "piles": {p.value: list(PILE_WORDS[p]) for p in Pile},
        "steps": [s.value for s in NextStep],
        "words": TEMPLATES,
        "unexpected": [v.value for v in UNEXPECTED],
        "classes": [v.value for v in CLASSES],
        "season": inputs.code_season,
    }


def to_json(payload: dict[str, Any]) -> str:
    """JSON that may stand inside a script element: no character can end the element or start a comment."""
    text = json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for character in "&<>\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return text


def coded(values: list[str]) -> dict[str, Any]:
    """Texts as a dictionary of distinct ones and places in it, or plainly where most differ."""
    distinct = dict.fromkeys(values)
    if len(distinct) > 0.6 * len(values):
        return {"s": values}
    place = {text: i for i, text in enumerate(distinct)}
    return {"d": list(distinct), "i": [place[v] for v in values]}


def scaled(values: Floats, decimals: int = 0) -> dict[str, Any]:
    """Numbers as integers over a power of ten; null where unknown."""
    q = 10**decimals
    known = np.isfinite(values)
    whole = np.rint(np.where(known, values, 0.0) * q).astype(np.int64).astype(object)
    whole[~known] = None
    return {"q": q, "v": whole.tolist()}


def _plants(frame: pd.DataFrame) -> dict[str, Any]:
    out: dict[str, Any] = {"n": len(frame)}
    for name in PLANT_TEXTS:
        out[name] = coded(texts(frame, name))
    out["pile"] = coded(["" if p.pile is None else p.pile.value for p in plant_facts(frame).rows])
    out["verdict"] = coded([verdict_of(v).value for v in texts(frame, "verdict")])
    for name in PLANT_COUNTS:
        out[name] = scaled(numbers(frame, name))
    for name, decimals in ROUNDED.items():
        out[name] = scaled(numbers(frame, name), decimals)
    out["says"] = coded([" ".join(keys) for keys in template_keys_of(frame)])
    return out


def _crosses(frame: pd.DataFrame) -> dict[str, Any]:
    out: dict[str, Any] = {"n": len(frame)}
    for name in CROSS_TEXTS:
        out[name] = coded(texts(frame, name))
    for name in CROSS_NUMBERS:
        out[name] = scaled(numbers(frame, name))
    for name in CROSS_SHARES:
        out[name] = scaled(numbers(frame, name), 4)
    return out


def _wells(inputs: ReportInputs) -> dict[str, Any]:
    table = well_table(inputs)
    place = {p: i for i, p in enumerate(texts(inputs.verdicts, "plant"))}
    spots = [parse_well(w) for w in table["well"].tolist()]
    return {
        "n": len(table),
        "plate": coded(table["plate"].tolist()),
        "row": [s.row for s in spots],
        "col": [s.column for s in spots],
        "role": coded(table["role"].tolist()),
        "line": coded(table["line"].tolist()),
        "sample": coded(table["sample_id"].tolist()),
        "findings": coded(table["findings"].tolist()),
        "plant": [place.get(p, -1) if p else -1 for p in table["plant"].tolist()],
        "call_rate": scaled(table["call_rate"].to_numpy(), 3),
    }


def _plates(inputs: ReportInputs) -> dict[str, Any]:
    frame = inputs.plates
    if not len(frame):
        names = list(dict.fromkeys(well_table(inputs)["plate"]))
        frame = pd.DataFrame({"plate": names})
    return {
        "n": len(frame),
        "plate": coded(texts(frame, "plate")),
        "batch": coded(texts(frame, "batch")),
        "findings": coded(texts(frame, "findings")),
        "state": coded(texts(frame, "state")),
        "call_rate": scaled(numbers(frame, "call_rate"), 3),
    }


def choose_markers(calls: PlantCalls, most: int) -> Ints:
    """At most `most` markers spread evenly in genome order, in each stretch the most varied in the panel."""
    m = len(calls.marker_ids)
    if m <= most:
        return np.arange(m)
    variety = panel_variety(calls.line_codes)
    edges = np.linspace(0, m, most + 1).astype(np.int64)
    return np.array([a + int(np.argmax(variety[a:b])) for a, b in itertools.pairwise(edges)])


def panel_variety(line_codes: Int8s) -> Floats:
    """Chance that two lines drawn from the panel differ in genotype (marker,); unknown ones left out."""
    counts = np.stack(
        [(line_codes == g).sum(axis=1) for g in range(int(line_codes.max(initial=0)) + 1)], axis=1
    )
    known = np.maximum(counts.sum(axis=1, keepdims=True), 1)
    variety: Floats = 1.0 - ((counts / known) ** 2).sum(axis=1)
    return variety


def pack_two_bits(codes: Int8s) -> UInt8s:
    """Genotype numbers 0, 1, 2 or MISSING (row, marker), four to a byte, first lowest."""
    rows, m = codes.shape
    padded = np.full((rows, -(-m // 4) * 4), 3, dtype=np.uint8)
    padded[:, :m] = np.where(codes == MISSING, 3, codes).astype(np.uint8)
    quads = padded.reshape(rows, -1, 4)
    packed: UInt8s = quads[..., 0] | quads[..., 1] << 2 | quads[..., 2] << 4 | quads[..., 3] << 6
    return packed


def _deflated(array: UInt8s) -> str:
    return base64.b64encode(zlib.compress(np.ascontiguousarray(array).tobytes(), 6)).decode("ascii")


def _calls(inputs: ReportInputs) -> dict[str, Any] | None:
    store = inputs.calls
    if store is None or not len(store.marker_ids):
        return None
    total = len(store.marker_ids)
    most = min(MOST_MARKERS, max(60, MOST_CALLS // max(1, len(inputs.verdicts))))
    store = store.take_markers(choose_markers(store, most))
    plants = inputs.verdicts.get("plant", pd.Series(dtype=str)).astype(str).tolist()
    order = [store.plant_place.get(p, -1) for p in plants]
    # A column of MISSING at the end stands for plants without calls: place -1 reads it.
    padded = np.concatenate(
        [store.codes, np.full((len(store.marker_ids), 1), MISSING, dtype=np.int8)], axis=1
    )
    rows = np.concatenate([padded[:, order], store.line_codes], axis=1).T  # plant then line, marker
    two = store.n_alleles == 2
    wide = np.where(rows[:, ~two] == MISSING, 255, rows[:, ~two]).astype(np.uint8)
    return {
        "markers": coded([shown(x) for x in store.marker_ids]),
        "chrom": coded([shown(x) for x in store.chrom]),
        "pos": store.pos.tolist(),
        "alleles": coded_alleles(store.alleles),
        "two": two.astype(int).tolist(),
        "lines": [shown(x) for x in store.lines],
        "total": total,
        "packed": _deflated(pack_two_bits(rows[:, two])),
        "wide": _deflated(wide),
    }


def coded_alleles(alleles: tuple[tuple[str, ...], ...]) -> dict[str, Any]:
    """Allele names per marker, each distinct set once."""
    distinct = dict.fromkeys(alleles)
    place = {a: i for i, a in enumerate(distinct)}
    return {"d": [[shown(x) for x in a] for a in distinct], "i": [place[a] for a in alleles]}
