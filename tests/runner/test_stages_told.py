"""What a run says on the terminal while its jobs work."""

from __future__ import annotations

import io

from crossproof.runner.events import Event, Happened
from crossproof.runner.workflow import COMPILING, STAGES, _follow


def told(*, compiles: bool) -> list[str]:
    events = [Event(Happened.STARTED, rule, i) for i, rule in enumerate(("ingest", "panel", "verify"))]
    lines, stages = io.StringIO("".join(e.line() for e in events)), []
    _follow(lines, io.StringIO(), lambda stage, _done, _total: stages.append(stage), compiles)
    return stages


def test_compiling_is_told_once_with_the_first_stage_that_judges_families() -> None:
    plain = [STAGES[rule] for rule in ("ingest", "panel", "verify")]
    assert told(compiles=False) == plain
    assert told(compiles=True) == [plain[0], plain[1], COMPILING, plain[2]]
