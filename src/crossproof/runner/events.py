"""What Snakemake's jobs do, as events: sent by its log handler, read by the run that shows progress.

`LogHandler` is what Snakemake's logger plugin interface asks for. It writes one JSON object per line to the
file handle named in the environment; `crossproof run` reads them, shows progress, and keeps them in
`.crossproof/logs/jobs.jsonl`.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from logging import LogRecord
from typing import Any

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

PLUGIN = "crossproof"
"""The name by which Snakemake knows the handler."""
EVENTS_TO = "CROSSPROOF_EVENTS"
"""Environment variable that holds the number of the file handle that events are written to."""


class Happened(StrEnum):
    """What an event tells of."""

    STARTED = "started"
    FINISHED = "finished"
    FAILED = "failed"
    PROGRESS = "progress"


@dataclass(frozen=True)
class Event:
    """One event: of the job `number` of a rule, or how many of all jobs known are done."""

    happened: Happened
    rule: str = ""
    number: int = -1
    wildcards: Mapping[str, str] = field(default_factory=dict)
    done: int = 0
    total: int = 0

    def line(self) -> str:
        """The event as one line of JSON."""
        return json.dumps(vars(self), ensure_ascii=True) + "\n"


def read_events(lines: Iterable[str]) -> Iterator[Event]:
    """The events of lines that `Event.line` wrote; a line cut short by a crash ends them."""
    for line in lines:
        try:
            content = json.loads(line)
            yield Event(**{**content, "happened": Happened(content["happened"])})
        except (ValueError, KeyError, TypeError):
            return


def event_of(record: LogRecord) -> Event | None:
    """The event that a record of Snakemake's log tells of, None where it tells of none."""
    told: Mapping[str, Any] = vars(record)
    match told.get("event"):
        case LogEvent.JOB_INFO:
            wildcards = {str(k): str(v) for k, v in (told["wildcards"] or {}).items()}
            return Event(Happened.STARTED, told["rule_name"], int(told["jobid"]), wildcards)
        case LogEvent.JOB_FINISHED:
            return Event(Happened.FINISHED, number=int(told["job_id"]))
        case LogEvent.JOB_ERROR:
            return Event(Happened.FAILED, told["rule_name"], int(told["jobid"]))
        case LogEvent.PROGRESS:
            return Event(Happened.PROGRESS, done=int(told["done"]), total=int(told["total"]))
    return None


class LogHandler(LogHandlerBase):
    """Writes events to the handle named in the environment; to none where none is named."""

    def __post_init__(self) -> None:
        named = os.environ.get(EVENTS_TO, "")
        self.descriptor: int | None = int(named) if named else None

    def emit(self, record: LogRecord) -> None:
        """Write the record's event, if it tells of one. An exception here would end Snakemake's log."""
        if self.descriptor is None:
            return
        try:
            event = event_of(record)
            if event is not None:
                os.write(self.descriptor, event.line().encode("ascii"))
        except OSError:
            self.descriptor = None  # nobody reads any more
        except Exception:
            self.handleError(record)

    @property
    def writes_to_stream(self) -> bool:
        """Not to Snakemake's own stream, which goes on as it is."""
        return False

    @property
    def writes_to_file(self) -> bool:
        """Not to a file that Snakemake should name to the user."""
        return False

    @property
    def has_filter(self) -> bool:
        """Events are chosen here, whatever the terminal is to show."""
        return True

    @property
    def has_formatter(self) -> bool:
        """Records are not formatted."""
        return True

    @property
    def needs_rulegraph(self) -> bool:
        """The graph of rules is not needed."""
        return False
