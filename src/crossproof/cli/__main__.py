"""`crossproof`, and `python -m crossproof.cli`: one command, and the process is its own."""

from crossproof.cli import main
from crossproof.runner.engine_process import this_process_is_a_command


def start() -> None:
    """Do the command of this process's arguments; ends with SystemExit."""
    this_process_is_a_command()
    main()


if __name__ == "__main__":
    start()
