"""The process that runs the jobs of a local run, asked directly."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from crossproof.runner.ask import SOCKET, ask


@pytest.fixture
def warm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[subprocess.Popen[bytes]]:
    """The process, as soon as it takes jobs: long before it has loaded its libraries."""
    where = tmp_path / "socket"
    process = subprocess.Popen(
        [sys.executable, "-m", "crossproof.runner.warm", str(where)], stdin=subprocess.PIPE
    )
    while not where.exists():
        assert process.poll() is None
        time.sleep(0.001)
    monkeypatch.setenv(SOCKET, str(where))
    monkeypatch.chdir(tmp_path)
    yield process
    process.kill()
    process.communicate()


def asked_until_it_listens(arguments: list[str]) -> int:
    """A socket exists a moment before it listens."""
    for _ in range(1000):
        answer = ask(arguments)
        if answer is not None:
            return answer
        time.sleep(0.001)
    raise AssertionError("nobody took the job")


def test_a_job_that_comes_early_waits_and_is_done(
    warm: subprocess.Popen[bytes], capfd: pytest.CaptureFixture[str]
) -> None:
    """Its exit status comes back, and what it prints goes where its caller prints."""
    assert asked_until_it_listens(["no-such-step"]) == 2
    assert "no-such-step" in capfd.readouterr().err
    assert ask(["--help"]) == 0
    assert "verdicts" in capfd.readouterr().out
    assert warm.poll() is None


def test_it_ends_with_the_run(warm: subprocess.Popen[bytes]) -> None:
    assert asked_until_it_listens(["no-such-step"]) == 2
    assert warm.stdin is not None
    warm.stdin.close()
    assert warm.wait(timeout=10) == 0
    assert ask(["no-such-step"]) is None


def test_nobody_is_asked_where_no_process_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(SOCKET, raising=False)
    assert ask(["no-such-step"]) is None
