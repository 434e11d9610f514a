"""Invented crossing seasons with known truth.

A season is drawn from its plan and one random generator, in this order: map and lines (`genome`), crosses,
parent plants and plants by meiosis (`plants`), plates and what can go wrong with them (`layout`), what the
genotyping saw (`noise`). `simulate_season` keeps everything in memory; `write_season` writes the folder that
`crossproof run` reads, with `truth.csv` beside it. `stream_vcf` writes a file of any length in constant
memory.
"""

from crossproof.simulate.plan import (
    BatchFormat,
    FaultKind,
    OffKind,
    Operator,
    PlateFault,
    SeasonPlan,
    TagFault,
    TagFaultKind,
)
from crossproof.simulate.presets import PRESETS, preset
from crossproof.simulate.season import SimulatedSeason, simulate_season
from crossproof.simulate.stream import stream_plants, stream_vcf, write_stream_season
from crossproof.simulate.writers import simulate_folder, write_season

__all__ = [
    "PRESETS",
    "BatchFormat",
    "FaultKind",
    "OffKind",
    "Operator",
    "PlateFault",
    "SeasonPlan",
    "SimulatedSeason",
    "TagFault",
    "TagFaultKind",
    "preset",
    "simulate_folder",
    "simulate_season",
    "stream_plants",
    "stream_vcf",
    "write_season",
    "write_stream_season",
]
