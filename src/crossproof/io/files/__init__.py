"""Genotype files as bytes: decompressed, told apart by content, their problems collected."""
