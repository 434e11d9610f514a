"""A season on disk: its index, work folder, evidence, corrections and templates."""
