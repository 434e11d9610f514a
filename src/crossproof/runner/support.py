"""What the Snakefile needs to find itself and its season."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from crossproof.runner.ask import SOCKET
from crossproof.season.index import SeasonIndex, changed_inputs
from crossproof.season.kept_files import clear_damaged
from crossproof.season.processes import ONE_THREAD
from crossproof.season.work_folder import clear_remnants, read_kept, season_lock

LOCK_HELD = "CROSSPROOF_LOCK_HELD"
"""Environment variable that tells the Snakefile that its caller holds the season's lock."""

_HELD = ExitStack()


def workflow_folder() -> Path:
    """The folder of the workflow: inside the installed package, or beside `src` in a clone."""
    packaged = Path(__file__).parents[1] / "workflow"
    return packaged if packaged.exists() else Path(__file__).parents[3] / "workflow"


def season_config(configfiles: Sequence[str | Path], basedir: str | Path) -> Path:
    """Absolute path of the season's configuration file.

    The last file given with --configfile; without one the demo season beside the workflow, so that
    `snakemake --lint` and `snakemake -n` have something to look at.
    """
    if configfiles:
        return Path(configfiles[-1]).resolve()
    demo = Path(basedir).resolve()
    for parent in (demo, *demo.parents):
        candidate = parent / "demo_genotypes" / "config.yaml"
        if candidate.exists():
            return candidate
    raise FileNotFoundError("No season: give one with --configfile SEASON/config.yaml")


def hold_season(index: SeasonIndex) -> None:
    """Hold the season for as long as this process lives, unless its caller does; raises BusyError.

    What a killed run was writing, and what is no longer as a run wrote it, is cleared away.
    """
    folder = index.folder
    if os.environ.get(LOCK_HELD) != str(folder.season):
        _HELD.enter_context(season_lock(folder))
        clear_remnants(folder, index.result_files())
    for path in clear_damaged(index):
        print(f"Not as it was written, made again: {path.relative_to(folder.season)}", file=sys.stderr)


def ending(index: SeasonIndex) -> str:
    """What to say at the end of a workflow: what was set aside or held in this season as it is, and why.

    Empty where the workflow did not get as far, or where there is nothing to say.
    """
    changed = [
        f"! {name} was changed while the workflow ran; run it again." for name in changed_inputs(index)
    ]
    outcome = read_kept(index.folder.work("outcome.json")) or {}
    if outcome.get("digest") != index.run_digest or not outcome["reasons"]:
        return "\n".join(changed)
    reasons = [f"! {reason}" for reason in outcome["reasons"]]
    return "\n".join([*reasons, *changed, f"Report: {index.folder.results / 'report.html'}"])


def set_step_command(deployment: object) -> None:
    """Say how a rule's shell calls a step, in the environment variable CROSSPROOF_STEP.

    In the environment, not in a parameter of the rules: another Python is no reason to run a job again. The
    words are quoted for the shell, which has to read them again (`eval`): a path may hold any character.
    """
    with_conda = "conda" in str(deployment).lower()
    python = "python" if with_conda else shlex.quote(sys.executable)
    ask = Path(__file__).parent / "ask.py"
    step = f"{python} -m crossproof.steps"
    if not with_conda and os.environ.get(SOCKET):
        step = f"{python} -S -E {shlex.quote(str(ask))}"
    os.environ["CROSSPROOF_STEP"] = step
    os.environ.update(ONE_THREAD)
