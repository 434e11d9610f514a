"""Verdicts joined back to the crossing records."""

from __future__ import annotations

import pandas as pd

from crossproof.io.config.season_config import Config
from crossproof.io.results.tables import write_table
from crossproof.model.plates import Role
from crossproof.model.results import Provable
from crossproof.rates.tables import season as tables
from crossproof.rates.tables.past import PastTags, past_tags
from crossproof.season.index import RESULT_FILES, SeasonIndex, read_record
from crossproof.season.kept_files import note_tables
from crossproof.season.past_seasons import previous_seasons
from crossproof.steps.findings import read_findings


def rates(index: SeasonIndex) -> None:
    """Write crosses.csv, operators.csv, factors.csv and the tables behind the charts."""
    crosses = read_record(index.folder, "crosses")
    verdicts = pd.read_parquet(index.folder.results / "verdicts.parquet")
    made = rate_tables(crosses, read_record(index.folder, "samples"), verdicts, index.config)
    found = read_findings(index).tables.crosses
    made["crosses"]["findings"] = [found.get(c, "") for c in made["crosses"]["cross_id"]]
    for name, frame in made.items():
        write_table(index.folder.results / f"{name}.csv", frame)
    note_tables(index.folder, "rates", RESULT_FILES["rates"])


def rate_tables(
    crosses: pd.DataFrame, samples: pd.DataFrame, verdicts: pd.DataFrame, config: Config
) -> dict[str, pd.DataFrame]:
    """The tables of rates by their names, from records and verdicts."""
    options = tables.RateOptions.of(config)
    return {
        "crosses": cross_table(crosses, samples, verdicts, config, past_of(config)),
        "operators": tables.operators_table(crosses, verdicts, options),
        "factors": tables.factors_table(crosses, verdicts, options),
        "rates_by": tables.rates_by_table(crosses, verdicts, options),
        "learning": tables.learning_table(crosses, verdicts, options),
        "control_chart": tables.control_chart_table(crosses, verdicts, options),
    }


def cross_table(
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    verdicts: pd.DataFrame,
    config: Config,
    past: PastTags | None = None,
) -> pd.DataFrame:
    """The table of crosses, from records and verdicts, and the tags of seasons before."""
    options = tables.RateOptions.of(config)
    verifiable = {
        str(cross): Provable(state)
        for cross, state in zip(verdicts["cross_id"], verdicts.get("verifiable", ()), strict=False)
        if isinstance(state, str)
    }
    untyped = parents_untyped(crosses, samples)
    return tables.crosses_table(crosses, verdicts, options, verifiable=verifiable, untyped=untyped, past=past)


def past_of(config: Config) -> PastTags | None:
    """Tags of the seasons named in `previous_seasons`; raises InputError where one has not been run."""
    return past_tags([(s.crosses, s.verdicts) for s in previous_seasons(config)])


def parents_untyped(crosses: pd.DataFrame, samples: pd.DataFrame) -> dict[str, str]:
    """By cross_id, the parents that no sample is of, joined by "and"."""
    typed = set(samples.loc[samples["role"] == Role.PARENT, "line"])
    pairs = zip(crosses["cross_id"], crosses["mother"], crosses["father"], strict=True)
    missing = {
        cross: [p for p in dict.fromkeys(parents) if isinstance(p, str) and p and p not in typed]
        for cross, *parents in pairs
    }
    return {str(cross): " and ".join(names) for cross, names in missing.items() if names}
