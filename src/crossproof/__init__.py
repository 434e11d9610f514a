"""Marker-based verification of hand crosses in self-pollinating crops."""

__version__ = "0.1.0"

METHOD_VERSION = 1
"""Part of every cached result's digest: raise it whenever a change of method can change a verdict."""
