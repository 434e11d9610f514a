"""Open exchange: seasons from, and verdicts to, systems that speak BrAPI v2.1; MIAPPE metadata; VCF out."""
