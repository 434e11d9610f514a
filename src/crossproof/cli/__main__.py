"""`python -m crossproof.cli`."""

from crossproof.cli import main

main()
