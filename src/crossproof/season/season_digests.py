"""Digests of the slices of a season's records, settings and files that each step depends on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from crossproof import METHOD_VERSION, RATES_VERSION, __version__
from crossproof.errors import Problem
from crossproof.io.config.season_config import Config
from crossproof.model.declaration import Slice, names_of
from crossproof.season.code_season import code_season
from crossproof.season.corrections import Corrected
from crossproof.season.past_seasons import previous_files
from crossproof.season.work_folder import digest_of, file_sha256

IDENTITY = (
    "sample_id",
    "batch",
    "role",
    "line",
    "cross_id",
    "pod",
    "plant",
    "inbreeding",
    "line_mother",
    "line_father",
)
PEDIGREE = ("cross_id", "mother", "father")


def batch_digests(config: Config, hashes: Mapping[str, str], markers: pd.DataFrame | None) -> dict[str, str]:
    """Digest of every genotype file with what its reading depends on; `hashes` are those of the files."""
    settings = config.to_dict()
    reading = {k: settings[k] for k in names_of(Slice.READING)}
    sheet = _slice(markers) if markers is not None else ""
    found = {}
    for entry, g in zip(settings["genotypes"], config.genotypes, strict=True):
        sha = hashes.get(config.shown(g.file), "missing")
        options = {k: v for k, v in entry.items() if k not in ("batch", "path")}
        options["lists"] = [hashes[config.shown(p)] for p in g.lists]
        found[g.batch] = digest_of(METHOD_VERSION, sha, options, reading, sheet)
    return found


def step_digests(config: Config, records: Corrected, problems: Iterable[Problem]) -> dict[str, str]:
    """Digest of the slice of records and settings behind each step after the reading of genotype files.

    What a step takes from an earlier one is no part of its digest: it is run again when that one was.
    """
    settings = config.to_dict()
    del settings["genotypes"]

    def slices(*parts: Slice) -> dict[str, Any]:
        return {k: settings[k] for k in names_of(*parts)}

    samples, crosses = records.samples, records.crosses
    told = [str(p) for p in problems]
    echo = tuple(f"{a.correction.sentence()}: {a.effect}" for a in records.applied)
    model = digest_of(METHOD_VERSION, slices(Slice.MODEL))
    panel = digest_of(model, _slice(samples, IDENTITY), _slice(crosses, PEDIGREE), echo)
    wells = _slice(samples, (*IDENTITY, "plate", "well"))
    thresholds = digest_of(slices(Slice.PLATES, Slice.VERDICTS))
    return {
        "model": model,
        "panel": panel,
        "plates": digest_of(panel, slices(Slice.PLATES), wells, sorted(records.dismissed)),
        "samples": _slice(samples, ("sample_id", "batch")),
        "thresholds": thresholds,
        "verdicts": digest_of(thresholds, _slice(samples), _slice(records.without_data), echo, told),
        "rates": digest_of(RATES_VERSION, slices(Slice.RATES), _slice(crosses), _previous(config)),
        "report": digest_of(__version__, RATES_VERSION, settings, told, code_season(config)),
    }


def _previous(config: Config) -> list[str]:
    """Digests of the results of earlier seasons."""
    return [file_sha256(path) for path in previous_files(config) if path.is_file()]


def _slice(frame: pd.DataFrame, columns: tuple[str, ...] | None = None) -> str:
    """Digest of some columns of a table, whatever the order of its rows' files."""
    chosen = frame[[c for c in frame.columns if not c.startswith("_")] if columns is None else list(columns)]
    text = chosen.astype("string").fillna("")
    hashed = pd.util.hash_pandas_object(text, index=False).to_numpy()
    return digest_of(list(chosen.columns), hashed.tobytes().hex())
