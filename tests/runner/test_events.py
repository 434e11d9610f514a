"""Events of Snakemake's jobs: what the log handler tells of, and what is read of it."""

from __future__ import annotations

import logging
import os

import pytest
from snakemake_interface_logger_plugins.common import LogEvent
from snakemake_interface_logger_plugins.registry import LoggerPluginRegistry

from crossproof.runner import events
from crossproof.runner.events import EVENTS_TO, Event, Happened, event_of, read_events


def record(**told: object) -> logging.LogRecord:
    made = logging.LogRecord("snakemake", logging.INFO, __file__, 1, "", None, None)
    vars(made).update(told)
    return made


STARTED = record(event=LogEvent.JOB_INFO, rule_name="verify", jobid=7, wildcards={"bucket": "3"})
PROGRESS = record(event=LogEvent.PROGRESS, done=2, total=11)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        (STARTED, Event(Happened.STARTED, "verify", 7, {"bucket": "3"})),
        (PROGRESS, Event(Happened.PROGRESS, done=2, total=11)),
        (record(event=LogEvent.JOB_FINISHED, job_id=7), Event(Happened.FINISHED, number=7)),
        (record(event=LogEvent.JOB_ERROR, rule_name="rates", jobid=2), Event(Happened.FAILED, "rates", 2)),
        (record(event=LogEvent.SHELLCMD, cmd="x"), None),
        (record(), None),
    ],
)
def test_a_record_tells_of_an_event_or_of_none(told: logging.LogRecord, expected: Event | None) -> None:
    assert event_of(told) == expected


def test_the_handler_is_what_the_interface_asks_for() -> None:
    """The registry checks the classes of a plugin when it is registered."""
    registry = LoggerPluginRegistry()
    registry.register_plugin(f"snakemake_logger_plugin_{events.PLUGIN}", events)
    assert registry.is_installed(events.PLUGIN)


def test_events_are_written_and_read_again(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    monkeypatch.setenv(EVENTS_TO, str(writing))
    handler = events.LogHandler(None, None)
    for told in (STARTED, record(), PROGRESS):
        handler.handle(told)
    os.close(writing)
    with open(reading, encoding="ascii") as lines:
        assert list(read_events(lines)) == [event_of(STARTED), event_of(PROGRESS)]


def test_a_reader_that_has_gone_away_does_no_harm(monkeypatch: pytest.MonkeyPatch) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    monkeypatch.setenv(EVENTS_TO, str(writing))
    handler = events.LogHandler(None, None)
    handler.handle(STARTED)
    handler.handle(PROGRESS)
    os.close(writing)
    assert handler.descriptor is None


def test_without_a_place_to_write_nothing_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(EVENTS_TO, raising=False)
    events.LogHandler(None, None).handle(STARTED)


def test_a_line_cut_short_ends_the_events() -> None:
    lines = [Event(Happened.FINISHED, number=1).line(), Event(Happened.FINISHED, number=2).line()[:20]]
    assert list(read_events(lines)) == [Event(Happened.FINISHED, number=1)]
