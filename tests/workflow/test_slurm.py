"""The demo season on a real SLURM of two nodes gives the tables that one machine gives, byte for byte."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml
from seasons import ROOT, copy_of_demo, crossproof, jobs_run, tables_of
from slurm_host import slurm_host, why_not


@pytest.mark.slurm
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_the_demo_on_slurm_gives_the_same_tables(tmp_path: Path) -> None:
    if reason := why_not():
        pytest.skip(reason)
    here = copy_of_demo(tmp_path / "here")
    assert crossproof("run", here, "--allow-findings").returncode == 0

    profile = tmp_path / "profile"
    shutil.copytree(ROOT / "workflow" / "profiles" / "slurm", profile)
    settings = yaml.safe_load((profile / "config.yaml").read_text(encoding="utf-8"))
    # No accounting database here; and the two nodes are small.
    settings |= {"slurm-status-command": "squeue", "slurm-no-account": True, "jobs": 4}
    settings |= {"slurm-init-seconds-before-status-checks": 5}
    (profile / "config.yaml").write_text(yaml.safe_dump(settings), encoding="utf-8")
    there = copy_of_demo(tmp_path / "there")
    with slurm_host(tmp_path / "slurm"):
        done = crossproof("run", there, "--allow-findings", "--profile", profile, timeout=1500)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert {rule for rule, _ in jobs_run(there)} >= {"ingest", "panel", "verify", "report", "gate"}
    log = (there / ".crossproof" / "logs" / "workflow.log").read_text(encoding="utf-8")
    assert "has been submitted with SLURM jobid" in log
    assert tables_of(there) == tables_of(here)
