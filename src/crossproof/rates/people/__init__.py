"""People beside each other: limits of chance, learning, standardisation, cautions."""
