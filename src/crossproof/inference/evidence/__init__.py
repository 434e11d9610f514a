"""From calls to the likelihood of genotypes."""
