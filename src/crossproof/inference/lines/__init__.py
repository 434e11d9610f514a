"""Lines and the panel."""
