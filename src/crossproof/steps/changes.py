"""Plants whose verdict differs from the run before, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import pandas as pd

from crossproof import METHOD_VERSION
from crossproof.inference.season_model import FamilyResult
from crossproof.season.index import SeasonIndex, calibration_param
from crossproof.season.work_folder import digest_of, file_sha256, read_kept, write_kept

COLUMNS = ["plant", "cross_id", "verdict_before", "verdict_now", "cause"]


def changes_table(
    index: SeasonIndex, verdicts: pd.DataFrame, evidence: Mapping[str, tuple[str, FamilyResult]]
) -> pd.DataFrame:
    """Plants judged both in this run and in the one before with another verdict.

    The run before is the last with other inputs or settings: running again with the same, or after a kill,
    gives the same table.
    """
    now = _snapshot(index, verdicts, evidence)
    path = index.folder.hidden / "history.json"
    history = read_kept(path) or {}
    latest = history.get("now")
    before = history.get("before") if latest and latest["digest"] == now["digest"] else latest
    write_kept(path, {"now": now, "before": before})
    if before is None:
        return pd.DataFrame(columns=COLUMNS)
    moved = _only_once(before["verdicts"])
    staying = _only_once(now["verdicts"])
    rows = []
    for cross, plants in sorted(now["verdicts"].items()):
        old = before["verdicts"].get(cross, {})
        for plant, verdict in plants.items():
            # A plant whose tag was corrected stands under another cross than before.
            was = old.get(plant, moved.get(plant) if plant in staying else None)
            if was is not None and was != verdict:
                rows.append([plant, cross, was, verdict, _cause(cross, before, now)])
    return pd.DataFrame(rows, columns=COLUMNS)


def _only_once(verdicts: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """Verdict by plant, of the plants whose name stands under one cross only."""
    crosses = Counter(plant for plants in verdicts.values() for plant in plants)
    return {p: v for plants in verdicts.values() for p, v in plants.items() if crosses[p] == 1}


def _snapshot(
    index: SeasonIndex, verdicts: pd.DataFrame, evidence: Mapping[str, tuple[str, FamilyResult]]
) -> dict[str, Any]:
    calibration = index.folder.calibration
    table: dict[str, dict[str, str]] = {}
    columns = (verdicts[c].to_numpy(dtype=object) for c in ("cross_id", "plant", "verdict"))
    for cross, plant, verdict in zip(*columns, strict=True):
        table.setdefault(cross, {})[plant] = verdict
    return {
        "digest": digest_of(
            sorted(index.batches.items()), index.steps["panel"], index.steps["verdicts"],
            calibration_param(index.folder),
        ),
        "method": METHOD_VERSION,
        "batches": dict(index.batches),
        "model": index.steps["model"],
        "thresholds": index.steps["thresholds"],
        "corrections": list(index.corrections),
        "calibration": file_sha256(calibration) if calibration.exists() else "",
        "evidence": {c: digest for c, (digest, _) in sorted(evidence.items())},
        "parents": {c: [r.mother, r.father] for c, (_, r) in sorted(evidence.items())},
        "plants": {c: r.plants.tolist() for c, (_, r) in sorted(evidence.items())},
        "verdicts": table,
    }  # fmt: skip


def _cause(cross: str, before: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """What set the change off, in words; the first that applies."""

    def differs(what: str) -> bool:
        return bool(before.get(what, {}).get(cross) != now[what].get(cross))

    if before["method"] != now["method"]:
        return "a new version of the method"
    if before["corrections"] != now["corrections"]:
        return "corrections.csv was changed"
    if not differs("evidence"):
        if before["thresholds"] != now["thresholds"]:
            return "thresholds in config.yaml were changed"
        return "plate checks, or a genotype file set aside or replaced"
    if differs("parents"):
        return "mother or father of this cross was changed in the records"
    if before["model"] != now["model"]:
        return "settings of the model in config.yaml were changed"
    changed = [b for b, d in now["batches"].items() if before["batches"].get(b) != d]
    if changed:
        return "genotype files new or changed: " + ", ".join(sorted(changed))
    if differs("plants"):
        return "plants were added to this cross or taken from it"
    if before["calibration"] != now["calibration"]:
        return "run-wide rates were estimated again"
    return "parent lines or other crosses were changed"
