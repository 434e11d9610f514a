"""VCF and BCF."""
