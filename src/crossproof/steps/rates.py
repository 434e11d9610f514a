"""Verdicts joined back to the crossing records."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.results.tables import read_parquet, table_bytes
from crossproof.model.plates import Role
from crossproof.model.results import Provable
from crossproof.rates.tables import season as tables
from crossproof.rates.tables.past import PastTags, past_tags
from crossproof.rates.tables.tally import Tally, tally
from crossproof.season.index import RESULT_FILES, SeasonIndex, read_record
from crossproof.season.kept_files import note_tables
from crossproof.season.past_seasons import previous_seasons
from crossproof.season.processes import forked_map
from crossproof.steps.findings import read_findings


def rates(index: SeasonIndex, threads: int = 1) -> None:
    """Write crosses, operators and factors.csv, and the tables behind the charts, by `threads` processes."""
    folder = index.folder
    crosses, samples = read_record(folder, "crosses"), read_record(folder, "samples")
    verdicts = read_parquet(folder.results / "verdicts.parquet")
    found = read_findings(index).tables.crosses
    makers = _makers(crosses, samples, verdicts, index.config)

    def bytes_of(name: str) -> bytes:
        frame = makers[name]()
        if name == "crosses":
            frame["findings"] = [found.get(c, "") for c in frame["cross_id"]]
        return table_bytes(frame, name)

    names = list(makers)
    for name, data in zip(names, forked_map(bytes_of, names, threads), strict=True):
        write_bytes(folder.results / f"{name}.csv", data)
    note_tables(folder, "rates", RESULT_FILES["rates"])


def rate_tables(
    crosses: pd.DataFrame, samples: pd.DataFrame, verdicts: pd.DataFrame, config: Config
) -> dict[str, pd.DataFrame]:
    """The tables of rates by their names, from records and verdicts."""
    return {name: make() for name, make in _makers(crosses, samples, verdicts, config).items()}


def _makers(
    crosses: pd.DataFrame, samples: pd.DataFrame, verdicts: pd.DataFrame, config: Config
) -> dict[str, Callable[[], pd.DataFrame]]:
    """What makes each table, by its name; dealt out in turn, each process gets about as much to do."""
    options = tables.RateOptions.of(config)
    given = crosses, verdicts, options, tally(crosses, verdicts)
    past = past_of(config)
    return {
        "operators": lambda: tables.operators_table(*given),
        "rates_by": lambda: tables.rates_by_table(*given),
        "learning": lambda: tables.learning_table(*given),
        "crosses": lambda: cross_table(crosses, samples, verdicts, config, past, given[-1]),
        "control_chart": lambda: tables.control_chart_table(*given),
        "factors": lambda: tables.factors_table(*given),
    }


def cross_table(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    verdicts: pd.DataFrame,
    config: Config,
    past: PastTags | None = None,
    season: Tally | None = None,
) -> pd.DataFrame:
    """The table of crosses, from records and verdicts, and the tags of seasons before.

    `season`: records and verdicts as counted already.
    """
    options = tables.RateOptions.of(config)
    said = verdicts.reindex(columns=["cross_id", "verifiable"]).to_numpy(dtype=object)
    last = {str(cross): state for cross, state in said.tolist() if isinstance(state, str)}
    verifiable = {cross: Provable(state) for cross, state in last.items()}
    untyped = parents_untyped(crosses, samples)
    return tables.crosses_table(
        crosses, verdicts, options, verifiable=verifiable, untyped=untyped, past=past, season=season
    )


def past_of(config: Config) -> PastTags | None:
    """Tags of the seasons named in `previous_seasons`; raises InputError where one has not been run."""
    return past_tags([(s.crosses, s.verdicts) for s in previous_seasons(config)])


def parents_untyped(crosses: pd.DataFrame, samples: pd.DataFrame) -> dict[str, str]:
    """By cross_id, the parents that no sample is of, joined by "and"."""
    typed = set(samples.loc[samples["role"] == Role.PARENT, "line"])
    rows = crosses[["cross_id", "mother", "father"]].to_numpy(dtype=object).tolist()
    missing = {
        cross: [p for p in dict.fromkeys(parents) if isinstance(p, str) and p and p not in typed]
        for cross, *parents in rows
    }
    return {str(cross): " and ".join(names) for cross, names in missing.items() if names}
