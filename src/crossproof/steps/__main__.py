"""Entry of the workflow's jobs where no warm process runs them."""

from __future__ import annotations

import sys

from crossproof.steps.run_step import run

if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
