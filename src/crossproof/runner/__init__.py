"""A run: Snakemake, the warm worker, the terminal and its summary."""
