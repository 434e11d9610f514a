"""Entry of the workflow's jobs: by the warm process where one runs, else here."""

from __future__ import annotations

import sys

from crossproof.steps.warm import ask


def main() -> int:
    """Run the step named on the command line; exit status of the contract."""
    answered = ask(sys.argv[1:])
    if answered is not None:
        return answered
    from crossproof.steps.run_step import run

    return run(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
