"""Plate checks: plates, tags and tubes that are other than the records say."""
