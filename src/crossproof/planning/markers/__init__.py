"""Which markers to add, and the smallest set that would do."""
