"""Rates, intervals and regressions: arrays in, small results out."""
