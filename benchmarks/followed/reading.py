"""The strict VCF reader on a file in memory's reach: 2,000 markers of 100 samples, invented."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from crossproof.io.genotypes import read_batch

MARKERS, SAMPLES = 2_000, 100


class Vcf:
    """Genotypes alone."""

    def setup(self) -> None:
        """Write the file."""
        self.place = tempfile.TemporaryDirectory()
        self.path = Path(self.place.name) / "calls.vcf"
        calls = np.array(["0/0", "0/1", "1/1", "./."])
        drawn = calls[np.random.default_rng(1).integers(0, 4, (MARKERS, SAMPLES))]
        names = "\t".join(f"S{i:03}" for i in range(SAMPLES))
        head = (
            "##fileformat=VCFv4.3\n##contig=<ID=1>\n"
            '##FORMAT=<ID=GT,Number=1,Type=String,Description="Genotype">\n'
            f"#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\t{names}\n"
        )
        rows = (f"1\t{i + 1}\tm{i}\tA\tG\t.\t.\t.\tGT\t" + "\t".join(row) for i, row in enumerate(drawn))
        self.path.write_text(head + "\n".join(rows) + "\n", encoding="utf-8")

    def teardown(self) -> None:
        """Remove the file."""
        self.place.cleanup()

    def time_read(self) -> None:
        """The whole file."""
        assert len(read_batch(self.path, batch="B01").markers) == MARKERS
