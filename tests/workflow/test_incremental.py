"""What runs again, and what stays as it was, when a season grows or its records change.

The seasons are simulated; what must run is said by the jobs of the workflow's own log.
"""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest
from seasons import add_plate, crossproof, jobs_run, take_last_plate, write_plates

from crossproof.simulate.plan import SeasonPlan

SMALL = SeasonPlan(n_markers=30, n_lines=8, n_crosses=36, plants_per_cross=9)
"""Five plates."""
WITH_PARENTS = SeasonPlan(
    n_markers=30, n_lines=8, n_crosses=30, plants_per_cross=9, panel_on_every_plate=True
)
"""As above, with both tubes of every line on each plate again."""
HUNDRED = SeasonPlan(n_markers=30, n_lines=16, n_crosses=1040, plants_per_cross=9)
"""A season of 100 plates and one more."""
FOR_EVERYONE = ["examine", "verdicts", "rates", "report", "gate"]
"""Jobs over the whole season, which a new plate always sets off."""


def state_of(season: Path) -> dict[str, tuple[int, bytes]]:
    """Time and bytes of evidence and stored calls."""
    hidden = season / ".crossproof"
    paths = [*(hidden / "work" / "verify").iterdir(), *(hidden / "cache" / "calls").rglob("*.npy")]
    return {str(p.relative_to(hidden)): (p.stat().st_mtime_ns, p.read_bytes()) for p in paths}


def verdicts_of(season: Path) -> pd.DataFrame:
    frame = pd.read_csv(season / "results" / "verdicts.csv", dtype=str, keep_default_na=False)
    return frame.set_index("sample_id")


def judged(season: Path) -> int:
    """Crosses that the last run judged, by the logs of its jobs."""
    total = 0
    for rule, bucket in jobs_run(season):
        if rule == "verify":
            log = (season / ".crossproof" / "logs" / "verify" / f"{bucket}.log").read_text(encoding="utf-8")
            found = re.search(r"(\d+) of them to judge", log)
            assert found, log
            total += int(found.group(1))
    return total


@pytest.mark.parametrize(
    "plan",
    [
        pytest.param(SMALL, id="plants-only"),
        pytest.param(WITH_PARENTS, id="parents-again", marks=pytest.mark.slow),
        pytest.param(HUNDRED, id="hundred-plates", marks=[pytest.mark.slow, pytest.mark.timeout(1800)]),
    ],
)
def test_a_new_plate_runs_its_own_file_and_crosses(plan: SeasonPlan, tmp_path: Path) -> None:
    season = write_plates(tmp_path / "season", plan)
    touched = take_last_plate(season, tmp_path / "away")
    done = crossproof("run", season, "--allow-findings", timeout=1500)
    assert done.returncode == 0, done.stdout + done.stderr
    before, verdicts = state_of(season), verdicts_of(season)

    add_plate(season, tmp_path / "away")
    done = crossproof("run", season, "--allow-findings", timeout=1500)
    assert done.returncode == 0, done.stdout + done.stderr
    jobs, after = jobs_run(season), state_of(season)
    count = Counter(rule for rule, _ in jobs)
    assert count["ingest"] == 1
    assert count["panel"] == count["drift"] == 1
    assert {rule for rule, _ in jobs} == {"ingest", "panel", "drift", "verify", *FOR_EVERYONE}
    ran = {f"work/verify/{bucket}.npz" for rule, bucket in jobs if rule == "verify"}
    assert len(ran) <= 2, "the new plate, and one that shares a cross with it"
    assert judged(season) == len(touched)
    kept = {name: state for name, state in before.items() if name not in ran}
    assert kept == {name: after[name] for name in kept}

    old = verdicts[~verdicts["cross_id"].isin(touched)]
    same = verdicts_of(season).loc[old.index]
    columns = [c for c in old.columns if c not in ("decision", "reason")]  # plate checks see more plates now
    pd.testing.assert_frame_equal(same[columns], old[columns])
    changes = pd.read_csv(season / "results" / "changes.csv", dtype=str, keep_default_na=False)
    assert set(changes["cross_id"]) <= touched
