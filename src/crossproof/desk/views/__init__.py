"""The pages of the desk, one module per part of the work."""
