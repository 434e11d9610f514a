"""The command line: parse, call one public function, write. One module per kind of command."""

from crossproof.cli import exchange, field, season, trial
from crossproof.cli.group import main

__all__ = ["exchange", "field", "main", "season", "trial"]
