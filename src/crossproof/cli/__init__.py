"""The command line: parse, call one public function, write. One module per kind of command."""

from crossproof.cli import bench, desk, exchange, field, season, trial
from crossproof.cli.group import main

__all__ = ["bench", "desk", "exchange", "field", "main", "season", "trial"]
