"""A run from the desk: started, followed, stopped, gone on with; its results opened."""

from __future__ import annotations

import json
import os
import signal
import time

import pytest
from desks import Visitor, words

from crossproof.desk.folder import Standing, find_season
from crossproof.desk.jobs import last_ended
from crossproof.runner.events import Happened, read_events
from crossproof.runner.workflow import jobs_log
from crossproof.season.templates import new_season


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    return tmp_path_factory.mktemp("desk")


@pytest.fixture(scope="module")
def visitor(root):
    new_season(root / "demo")
    visitor = Visitor(root)
    with visitor.client:  # one thread for all requests: a run ends with the thread that started it
        yield visitor


def wait(condition, seconds=120):
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


def happened(log):
    return {e.happened for e in read_events(log.read_text(encoding="ascii").splitlines())}


def test_a_run_is_stopped_and_gone_on_with(visitor, root):
    place = find_season(root, "demo")
    assert visitor.post("/season/demo/run").headers["location"] == "/season/demo/run"
    assert "Stop the run" in words(visitor.get("/season/demo/run"))
    assert visitor.post("/season/demo/run").status_code == 409
    log = jobs_log(place.folder)  # a small run is over soon after: its state would be too long in the asking
    wait(lambda: log.exists() and Happened.FINISHED in happened(log))
    group = visitor.desk.jobs._jobs[place.path].process.pid
    os.killpg(group, signal.SIGSTOP)  # it would be done before it is asked to stop, on a busy machine
    assert visitor.post("/season/demo/run/stop").headers["location"] == "/season/demo/run?said=STOPPING"
    os.killpg(group, signal.SIGCONT)
    wait(lambda: not visitor.desk.jobs.runs(place))
    assert last_ended(place).stopped
    assert visitor.desk.state(place).standing is Standing.STOPPED
    assert "Nothing is lost: the next run goes on" in words(visitor.get("/season/demo"))

    visitor.post("/season/demo/run")
    told = []
    with visitor.client.stream("GET", "/season/demo/run/events") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        for line in answer.iter_lines():
            if line.startswith("data: "):
                told.append(json.loads(line.removeprefix("data: ")))
    assert told[0]["running"]
    assert not told[-1]["running"]
    assert len({t["stage"] for t in told}) > 2
    done = [t["done"] for t in told if t["total"]]
    assert done == sorted(done)
    assert told[-1]["done"] == told[-1]["total"] > 0
    wait(lambda: not visitor.desk.jobs.runs(place))
    assert last_ended(place).status == 0
    assert visitor.desk.state(place).standing is Standing.DONE
    text = words(visitor.get("/season/demo/run"))
    assert "The run is done." in text


def test_the_report_is_opened_in_a_room_of_its_own(visitor):
    answer = visitor.get("/season/demo/results/report.html")
    assert answer.status_code == 200
    assert "<h1>" in answer.text
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts")
    assert "allow-same-origin" not in policy
    assert "default-src 'none'" in policy
    assert "connect-src" not in policy


def test_results_are_listed_and_tables_are_files_to_save(visitor):
    text = words(visitor.get("/season/demo/results"))
    assert "Report" in text
    assert "Worklist" in text
    assert "verdicts.csv" in text
    answer = visitor.get("/season/demo/results/worklist.xlsx")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert answer.content.startswith(b"PK")


@pytest.mark.parametrize(
    "name", ["../config.yaml", "..%2fconfig.yaml", "%2e%2e/crosses.csv", "nothing.csv", ".hidden"]
)
def test_no_other_file_is_given_out(visitor, name):
    assert visitor.get(f"/season/demo/results/{name}").status_code == 404


def test_a_link_among_the_results_is_not_followed(visitor, root):
    link = root / "demo" / "results" / "link.csv"
    link.symlink_to("/etc/passwd")
    try:
        assert visitor.get("/season/demo/results/link.csv").status_code == 404
    finally:
        link.unlink()


def test_stopping_where_nothing_runs_says_so(visitor):
    answer = visitor.post("/season/demo/run/stop")
    assert answer.headers["location"].endswith("said=NOT_RUNNING")
