"""The nouns: frozen, with read-only arrays, free of file formats."""
