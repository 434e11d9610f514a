"""A process that has everything imported and forks itself for each job of a local run.

Importing pandas and its kin takes longer than most jobs do. `crossproof run` starts this process beside
Snakemake; a job then passes its folder, arguments and output over a socket (`ask.py`) and waits for the
exit status.
Where the process is not there (a cluster, a plain `snakemake`), a job does its own imports and nothing else
changes. A job whose caller goes away is stopped, and so is everything when the run itself goes away.
"""

from __future__ import annotations

import gc
import os
import selectors
import signal
import socket
import sys
import traceback
from pathlib import Path

from crossproof.season.processes import end_with_parent


def serve(where: Path) -> None:
    """Take jobs at the socket `where` until standard input closes."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        # Before anything is loaded: the first jobs wait here for less long than they would load for
        # themselves.
        listener.bind(str(where))
        listener.listen(64)
        gc.disable()  # what is loaded stays: looking for rubbish meanwhile is a sixth of the work
        _preload()
        _expect_judging()
        _serve(listener)


def _serve(listener: socket.socket) -> None:
    # Jobs need not look through what is loaded for rubbish, nor copy the pages it lies on. Nor is it looked
    # for here: loading leaves little of it, and finding that takes as long as loading a tenth of it.
    gc.freeze()
    gc.enable()
    chooser = selectors.DefaultSelector()
    chooser.register(listener, selectors.EVENT_READ, ("new", 0))
    chooser.register(sys.stdin.fileno(), selectors.EVENT_READ, ("end", 0))
    jobs: dict[int, socket.socket] = {}
    while True:
        for key, _ in chooser.select():
            kind, pid = key.data
            if kind == "end":
                for child in jobs:
                    os.kill(child, signal.SIGTERM)
                return
            if kind == "new":
                line, _ = listener.accept()
                child, ended = _start(line, listener)
                jobs[child] = line
                chooser.register(ended, selectors.EVENT_READ, ("done", child))
                chooser.register(line, selectors.EVENT_READ, ("gone", child))
            elif kind == "done":
                chooser.unregister(key.fd)
                os.close(key.fd)
                _, status = os.waitpid(pid, 0)
                line = jobs.pop(pid)
                chooser.unregister(line)
                code = os.waitstatus_to_exitcode(status)
                with line:
                    try:
                        line.send(str(code if code >= 0 else 128 - code).encode())
                    except OSError:
                        continue
            elif kind == "gone" and pid in jobs and not jobs[pid].recv(1):
                # The caller was stopped: stop its job too, and hear of its end through `done`.
                chooser.modify(jobs[pid], selectors.EVENT_READ, ("told", pid))
                os.kill(pid, signal.SIGTERM)


def _start(line: socket.socket, listener: socket.socket) -> tuple[int, int]:
    """Fork a child for the job that comes over `line`: its process number and a handle that ends with it."""
    # Taken before the fork: afterwards this process watches the line for its end only.
    message, handles, _, _ = socket.recv_fds(line, 1 << 16, 2)
    if _remember(message):
        _have_ready(message)
    child = os.fork()
    if child:
        for handle in handles:
            os.close(handle)
        return child, os.pidfd_open(child)
    status = 3
    try:
        end_with_parent()
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        listener.close()
        for target, handle in zip((1, 2), handles, strict=True):
            os.dup2(handle, target)
            os.close(handle)
        folder, *arguments = map(os.fsdecode, message.split(b"\0"))
        os.chdir(folder)
        from crossproof.steps.run_step import run

        status = run(arguments)
        sys.stdout.flush()
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:
        # Nothing above would show it: the child ends here.
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def _remember(message: bytes) -> bool:
    """Read the configuration here, once; a child whose season cannot be read says so itself.

    Whether the season has enough families for compiled loops.
    """
    from crossproof.errors import CrossproofError
    from crossproof.season.run_config import remember_config
    from crossproof.season.work_folder import WorkFolder

    try:
        return remember_config(WorkFolder(Path(os.fsdecode(message.split(b"\0")[0]))))
    except (CrossproofError, OSError, ValueError, TypeError, KeyError):
        return False


def _have_ready(message: bytes) -> None:
    """Load here, once, what only the jobs that judge families need."""
    from crossproof.inference.family.compiled_rounds import load
    from crossproof.steps.run_step import JUDGING

    if any(os.fsdecode(word) in JUDGING for word in message.split(b"\0")[1:2]):
        load()


def _expect_judging() -> None:
    """Load what the jobs that judge families need while the first run of a season is still being planned.

    Not where it has to be compiled: no job would begin for half a minute, and the terminal would not say why.
    """
    from crossproof.inference.family.compiled_rounds import load
    from crossproof.season.kept_loops import loops_are_kept
    from crossproof.season.work_folder import WorkFolder, read_kept

    folder = WorkFolder(Path.cwd())
    kept = read_kept(folder.index) or {}
    first = not folder.work("panel", "slices.json").exists()
    if first and kept.get("compiled") and loops_are_kept():
        load()


def _preload() -> None:
    """Import what the jobs need, all of it, once."""
    import crossproof.steps.drift
    import crossproof.steps.examine
    import crossproof.steps.gate
    import crossproof.steps.rates
    import crossproof.steps.report
    import crossproof.steps.run_step
    import crossproof.steps.verdicts
    import crossproof.steps.verify  # noqa: F401


if __name__ == "__main__":
    serve(Path(sys.argv[1]))
