"""Sheets as text: .csv, .tsv, .xlsx; their columns, and the values of cells."""
