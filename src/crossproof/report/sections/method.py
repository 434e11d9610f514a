"""Method and limits in plain words with the settings in force, then inputs and versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from crossproof.model.declaration import default, method_settings
from crossproof.report.content import numbers as fmt
from crossproof.report.content.blocks import (
    Block,
    Heading,
    Live,
    Notice,
    Prose,
    Section,
    Terms,
    Tone,
    table_of,
)
from crossproof.report.content.inputs import ReportInputs, texts
from crossproof.text import shown


def plant_section(inputs: ReportInputs) -> Section:
    """The view of one plant, filled by the page."""
    lead = (
        "Search any plant by its name, its sample, its cross or a parent. Where the parents differ, the "
        "upper half of a mark is filled when the plant carries the mother's allele and the lower half "
        "when it carries the father's: a hybrid is full above and below."
    )
    return Section("plant", "One plant", "One plant", lead, (Live("plant"),))


def section(inputs: ReportInputs) -> Section:
    """How verdicts come about and what they cannot say."""
    needed = shown(inputs.config.get("min_posterior", default("min_posterior")))
    blocks: list[Block] = [
        Prose(
            "Every call gives the likelihood of each genotype that the plant may have, with the error "
            "rates of that marker. The plants of one cross are then judged together: all of them come "
            "from the same two parent plants, so what the others show about those parents helps to judge "
            "each one. Four explanations compete: child of mother and father (hybrid), two gametes of the "
            "mother (self), mother with other pollen (outcross), and anything else, such as seed of the "
            "father, a later generation, another line or another cross (off pedigree)."
        ),
        Prose(
            f"The explanation whose probability reaches {needed} becomes the verdict; where none does, "
            "the plant is undetermined and the report says what would settle it."
        ),
        Heading("What the markers cannot say"),
        Terms(
            (
                (
                    "Direction of a cross",
                    "Nuclear markers of mother x father and father x mother are identical. Only markers "
                    "inherited from the mother alone can test which was which.",
                ),
                (
                    "Sister lines",
                    "Lines that no marker of the panel separates cannot be told apart as pollen donors or "
                    "parents.",
                ),
                (
                    "The donor's name",
                    "The likeliest donor is the best fit among the lines of this panel; the true one may "
                    "not be in it. "
                    "Close markers are not independent, so donor probabilities are somewhat overconfident.",
                ),
                (
                    "Untested seed",
                    "Rates describe the seeds that were tested. Seeds that never germinated are not among "
                    "them.",
                ),
            )
        ),
        Heading("Before acting on a verdict"),
        Notice(
            Tone.CARE,
            "Seed that cannot be replaced",
            "Keep remnant seed. At the threshold in force a small share of verdicts is "
            "wrong even when everything works; confirm before the last plant of a cross is culled.",
        ),
        Notice(
            Tone.CARE,
            "Certification, quarantine, biosafety",
            "A marker verdict is neither a seed certificate nor a plant-health clearance. Seed "
            "certification, quarantine and biosafety follow the rules of your country and are carried out "
            "by those licensed to do so.",
        ),
        Notice(
            Tone.CARE,
            "People",
            "Rates by person come from small samples and unequal crosses. They serve to find good hours and "
            "tools, not to judge anyone.",
        ),
        Heading("Settings in force"),
        table_of(
            "settings",
            "Settings of this run (config.yaml)",
            [("setting", "name"), ("value", "number"), ("meaning", "text")],
            [
                (s.name, _value(inputs.config[s.name]), s.meaning)
                for s in method_settings()
                if s.name in inputs.config
            ],
        ),
    ]
    lead = "How verdicts are reached, what they cannot say, and the settings of this run."
    return Section("method", "Method and limits", "Method", lead, tuple(blocks))


def _value(value: object) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(shown(v) for v in value)
    return shown(value)


def inputs_section(inputs: ReportInputs) -> Section:
    """Which files and versions this report was made from."""
    blocks: list[Block] = []
    if len(inputs.changes):
        frame = inputs.changes
        rows = list(
            zip(*(texts(frame, c) for c in ("plant", "verdict_before", "verdict_now", "cause")), strict=True)
        )
        blocks += [
            Heading("Verdicts that changed since the last run"),
            table_of(
                "changes",
                "Changed verdicts",
                [("plant", "name"), ("before", "text"), ("now", "text"), ("cause", "text")],
                rows,
                most=100,
                rest="All are in changes.csv.",
            ),
        ]
    drift = drift_sentence(inputs.run.get("calibration_drift"))
    if drift:
        blocks += [Heading("Run-wide estimates"), Prose(drift)]
    if len(inputs.problems):
        frame = inputs.problems
        rows = list(
            zip(
                *(
                    texts(frame, c)
                    for c in ("severity", "file", "row", "column", "value", "problem", "remedy")
                ),
                strict=True,
            )
        )
        blocks += [
            Heading("Remarks on the input"),
            table_of(
                "problems",
                "Problems found in the input",
                [
                    ("kind", "text"),
                    ("file", "name"),
                    ("row", "number"),
                    ("column", "name"),
                    ("value", "text"),
                    ("problem", "text"),
                    ("remedy", "text"),
                ],
                [(s, f, r.removesuffix(".0"), c, v, p, m) for s, f, r, c, v, p, m in rows],
                most=100,
                rest="All are in problems.csv.",
            ),
        ]
    files = inputs.run.get("inputs_sha256") or inputs.run.get("inputs", ())
    rows = (
        [
            (
                shown(f.get("file", f.get("path"))),
                fmt.count(float(f.get("bytes", f.get("size", float("nan"))))),
                shown(f.get("sha256")),
            )
            for f in files
            if isinstance(f, Mapping)
        ]
        if isinstance(files, Sequence)
        else []
    )
    if isinstance(files, Mapping):
        rows = [
            (shown(k), "", _value(v if not isinstance(v, Mapping) else v.get("sha256")))
            for k, v in files.items()
        ]
    if rows:
        blocks += [
            Heading("Files read"),
            table_of(
                "files",
                "Input files with their SHA-256",
                [("file", "name"), ("bytes", "number"), ("SHA-256", "digest")],
                rows,
                most=250,
                rest="All are in run.json.",
            ),
        ]
    pairs = tuple((shown(k).replace("_", " "), _value(v)) for k, v in _flat(inputs.run))
    if pairs:
        blocks += [Heading("Versions and run"), Terms(pairs)]
    digest = run_digest(inputs)
    lead = "Two reports with the same input digest come from the same files and settings."
    if digest:
        lead += f" This one: {digest[:16]}."
    return Section(
        "inputs",
        "Inputs and versions",
        "Inputs",
        lead,
        tuple(blocks),
        str(len(inputs.problems)) if len(inputs.problems) else "",
    )


def drift_sentence(drift: object) -> str:
    """What a fresh estimate of the run-wide rates would change, in words; "" where that is unknown."""
    if not isinstance(drift, Mapping) or not drift:
        return ""
    if drift.get("first"):
        return (
            "Error rates, pool frequencies and class weights were estimated from this run and written to "
            "calibration.json; later runs use the same, so that a new plate does not shift old verdicts."
        )
    changed = drift.get("verdicts_that_would_change") or ()
    text = (
        "Error rates, pool frequencies and class weights come from calibration.json. A fresh estimate of "
        f"this run would change {fmt.noun(len(changed), 'verdict')}"
    )
    some = [
        f"{shown(c[0])} from {_words(c[1])} to {_words(c[2])}"
        for c in changed
        if isinstance(c, (list, tuple)) and len(c) == 3
    ][:5]
    text += f" ({'; '.join(some)})" if some else ""
    return text + ". The option --recalibrate of crossproof run adopts it."


def _words(verdict: object) -> str:
    return shown(verdict).replace("_", " ")


def run_digest(inputs: ReportInputs) -> str:
    """Digest of everything the results follow from."""
    return shown(inputs.run.get("run_digest") or inputs.run.get("input_digest"))


def _flat(run: Mapping[str, Any]) -> list[tuple[str, object]]:
    """Plain values of run.json, one level of nesting joined; the configuration is shown elsewhere."""
    out: list[tuple[str, object]] = []
    for key, value in run.items():
        if key in (
            "inputs",
            "inputs_sha256",
            "config",
            "configuration",
            "calibration_drift",
            "genotype_files",
            "corrections_applied",
        ):
            continue
        if isinstance(value, Mapping):
            out += [(f"{key}: {k}", v) for k, v in value.items() if not isinstance(v, (Mapping, list))]
        elif not (isinstance(value, list) and value and isinstance(value[0], Mapping)):
            out.append((key, value))
    return out[:60]
