"""One family: from its wells to verdicts."""
