"""What results come to, as typed facts: words, tables, workbook and terminal are made from these."""
