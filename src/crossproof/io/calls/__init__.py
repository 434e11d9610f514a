"""Calls of batches: kept on disk, and joined to one list of markers."""
