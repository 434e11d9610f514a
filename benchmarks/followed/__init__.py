"""A small suite that asv follows from commit to commit; see benchmarks/asv.conf.json."""
