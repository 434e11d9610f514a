"""Have a step done by the run's warm process (`runner/warm.py`), or start it here where there is none.

Run as a file by a Python without its packages, and importing as little as can be: a job's own start would
otherwise cost more than many a job does.
"""

from __future__ import annotations

import os
import sys
from _socket import AF_UNIX, SCM_RIGHTS, SOCK_STREAM, SOL_SOCKET, socket  # `socket` takes as long as Python

SOCKET = "CROSSPROOF_WORKER"
"""Environment variable that holds the socket's path."""


def ask(arguments: list[str]) -> int | None:
    """Have a job done by the warm process; its exit status, or None where there is no such process."""
    where = os.environ.get(SOCKET)
    if not where:
        return None
    line = socket(AF_UNIX, SOCK_STREAM)
    try:
        line.connect(where)
    except OSError:
        line.close()
        return None
    message = b"\0".join(os.fsencode(part) for part in (os.getcwd(), *arguments))
    handles = b"".join(number.to_bytes(4, sys.byteorder) for number in (1, 2))
    line.sendmsg([message], [(SOL_SOCKET, SCM_RIGHTS, handles)])
    answer = line.recv(16)
    line.close()
    return int(answer) if answer else 3


def main() -> int:
    """Exit status of the step named on the command line."""
    answered = ask(sys.argv[1:])
    if answered is None:
        os.execv(sys.executable, [sys.executable, "-m", "crossproof.steps", *sys.argv[1:]])
    return answered


if __name__ == "__main__":
    sys.exit(main())
