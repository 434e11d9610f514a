"""A plan of a season without noise, against which Mendel can be counted."""

from crossproof.simulate import SeasonPlan

QUIET = SeasonPlan(
    parent_departure=0.0,
    false_heterozygote=0.0,
    dropout=0.0,
    swap=0.0,
    missing=0.0,
    blank_call_rate=0.0,
    n_lines=8,
    n_crosses=12,
)
