"""The command line: parse, call one public function, write. One module per kind of command."""

from crossproof.cli import desk, exchange, season, trial
from crossproof.cli.group import main

__all__ = ["desk", "exchange", "main", "season", "trial"]
