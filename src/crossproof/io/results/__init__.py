"""Result tables: columns declared once, and written."""
