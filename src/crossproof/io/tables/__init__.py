"""Marker tables of calls."""
