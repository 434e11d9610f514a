"""The verbs of `import crossproof`, for notebooks and scripts: a season in, pandas tables out.

They call the functions of the workflow's own steps, so that a verdict is the same here and in
results/verdicts.csv. `verify`, `crossing_rates` and `plan` work in memory: nothing is written, and the season
may be read-only. They keep to one process; for a large season, or to keep results between
sessions, use `run`, which is `crossproof run`: it writes results/, does only what is new, and uses several
cores.

The examples below make a small invented season first:

>>> import crossproof as cp
>>> from crossproof.season.templates import new_season
>>> _ = new_season("nursery")
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import pandas as pd

from crossproof.errors import BusyError, InputError, Problem, UsageError
from crossproof.io.records.frames import frames_digest, frames_of
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import check_records
from crossproof.io.records.season_records import read_season as _read_season
from crossproof.io.results.reading import as_read, read_typed, read_verdicts
from crossproof.io.results.tables import problems_frame
from crossproof.io.results.verdict_checks import check_verdicts
from crossproof.planning.run_plan import Plan
from crossproof.season.corrections import apply_corrections

__all__ = [
    "BusyError",
    "InputError",
    "RateTables",
    "Results",
    "SetAsideWarning",
    "UsageError",
    "check",
    "crossing_rates",
    "plan",
    "read_season",
    "results",
    "run",
    "verify",
]

SeasonOrFolder = Season | Path | str


class SetAsideWarning(UserWarning):
    """A genotype file could not be trusted; its plants have no verdict."""


@dataclass(frozen=True)
class RateTables:
    """Verdicts joined back to the crossing records; the tables that `crossproof run` writes.

    `crosses`: one row per tag, with what to do next. `operators`: one per person. `factors`: what explains
    selfs. `rates_by`: rates by mother, hour, week and so on. `learning`, `control_chart`: over the weeks.
    The columns are explained in `crossproof.io.results.columns.RESULT_COLUMNS`.
    """

    crosses: pd.DataFrame
    operators: pd.DataFrame
    factors: pd.DataFrame
    rates_by: pd.DataFrame
    learning: pd.DataFrame
    control_chart: pd.DataFrame


@dataclass(frozen=True)
class Results:
    """The tables of results/, as the last run wrote them; `folder` holds the report and the worklist."""

    folder: Path
    verdicts: pd.DataFrame
    crosses: pd.DataFrame
    operators: pd.DataFrame
    factors: pd.DataFrame
    rates_by: pd.DataFrame
    learning: pd.DataFrame
    control_chart: pd.DataFrame
    plates: pd.DataFrame
    samples: pd.DataFrame
    markers: pd.DataFrame
    lines: pd.DataFrame
    problems: pd.DataFrame
    changes: pd.DataFrame


def read_season(
    folder: Path | str,
    *,
    crosses: pd.DataFrame | None = None,
    samples: pd.DataFrame | None = None,
    markers: pd.DataFrame | None = None,
    corrections: pd.DataFrame | None = None,
) -> Season:
    """Read and check the records of a season: its folder, or its config.yaml.

    Parameters: `crosses`, `samples`, `markers`, `corrections` are tables in memory that stand for the sheets
    of these names, with their columns; a sheet so replaced need not be there. They are checked as sheets are;
    row 2 of a problem is then the first row of the table. Returns a Season with the tables `crosses`,
    `samples`, `markers`, `corrections` and all `problems` found; genotype files are not opened. Raises
    InputError where config.yaml itself cannot be used.

    >>> season = cp.read_season("nursery")
    >>> season.crosses[["cross_id", "mother", "father", "flowers"]]
      cross_id mother father  flowers
    0     X001   Lark   Wren        2
    >>> late = cp.read_season("nursery", crosses=season.crosses.assign(date="2099-01-01"))
    >>> late.errors[0].column
    'date'
    """
    given = {"crosses": crosses, "samples": samples, "markers": markers, "corrections": corrections}
    season = _read_season(Path(folder), frames={n: f for n, f in given.items() if f is not None})
    return replace(season, checked=frames_digest(frames_of(season)))


def check(folder: Path | str) -> pd.DataFrame:
    """All problems of all files of a season, errors first, genotype files included; empty where all is well.

    >>> len(cp.check("nursery"))
    0
    """
    from crossproof.steps.checking import check_season

    frame: pd.DataFrame = problems_frame(check_season(Path(folder)))
    return frame


def verify(season: SeasonOrFolder) -> pd.DataFrame:
    """The verdict of every progeny plant, as in results/verdicts.csv; nothing is written.

    Parameters: a season folder, or a Season from `read_season`. Its tables may have been changed, by
    `dataclasses.replace`; they are then checked again, as sheets are. Returns one row per plant: verdict,
    decision, reason, the probability of each class, the evidence in the trade's terms, flags. Raises
    InputError where the records have errors or no genotype file can be used; warns (SetAsideWarning) where
    one file cannot.

    >>> cp.verify("nursery")[["plant", "verdict", "decision"]]
        plant verdict decision
    0  X001-1  hybrid     keep
    """
    from crossproof.steps.in_memory import verdicts_in_memory

    frame, read = verdicts_in_memory(_season(season))
    _warn_of(read.set_aside)
    return frame


def crossing_rates(season: SeasonOrFolder, verdicts: pd.DataFrame | None = None) -> RateTables:
    """How often crossing really worked: per tag, person, hour, mother line, with honest intervals.

    Parameters: the season; `verdicts` as `verify` gave them (None: verify first). Rows may have been left
    out or judged by hand before. Returns the tables that `crossproof run` writes, with the same decimals and
    types as `results` reads them. Raises as `verify`, and InputError for verdicts that would be miscounted: a
    column that is missing, a word that is no verdict, a plant twice, a cross that is not on record.

    >>> rates = cp.crossing_rates("nursery", cp.verify("nursery"))
    >>> rates.crosses[["cross_id", "tested", "hybrid", "seeds_left"]]
      cross_id  tested  hybrid  seeds_left
    0     X001       1       1           3
    """
    from crossproof.steps.rates import rate_tables

    read = _season(season)
    if read.errors:
        raise InputError(read.errors)
    if verdicts is None:
        verdicts = verify(read)
    check_verdicts(verdicts, read.crosses["cross_id"])
    corrected = apply_corrections(read.samples, read.crosses, read.corrections)
    crosses = corrected.crosses.reset_index(drop=True)
    made = rate_tables(crosses, corrected.samples, verdicts, read.config)
    return RateTables(**{name: as_read(frame, name) for name, frame in made.items()})


def plan(season: SeasonOrFolder) -> Plan:
    """What planned crosses can prove on this panel, markers to add, seeds to test, flowers to pollinate.

    Parameters: the season; its planned.csv is the wish list, without which all pairs of lines are planned.
    The team's rates are those of results/ where the season has been run. Returns a Plan with the tables
    `crosses`, `markers`, `numbers`, `samples`, `weeks`, `sisters` and `notes`. Raises InputError.

    >>> cp.plan("nursery").crosses[["mother", "father", "verifiable", "contrast_markers"]]
      mother father       verifiable  contrast_markers
    0   Lark   Wren  not every plant                 9
    """
    from crossproof.steps.in_memory import season_in_memory
    from crossproof.steps.plan import plan_of

    read = season_in_memory(_season(season))
    _warn_of(read.set_aside)
    return plan_of(read.season.config, read.samples, read.season.markers, read.panel)


def run(folder: Path | str, *, cores: int = 2, recalibrate: bool = False) -> Results:
    """Run the workflow on a season folder, as `crossproof run` does, and return its tables.

    Writes results/ with the report and the worklist. Raises InputError where the input is refused, BusyError
    where another run holds the season, RuntimeError where the workflow stopped by an internal error.
    """
    from crossproof.runner.workflow import run_season

    outcome = run_season(Path(folder), cores=cores, recalibrate=recalibrate)
    if outcome.status == 3:
        raise RuntimeError("\n".join((*outcome.reasons, f"The log: {outcome.log}")))
    return results(folder)


def results(folder: Path | str) -> Results:
    """The tables that the last run left in results/; raises UsageError where there was none."""
    where = Path(folder)
    where = (where.parent if where.is_file() else where) / "results"
    if not (where / "verdicts.parquet").exists():
        raise UsageError.at(
            str(where), "There are no results here.", f"First: crossproof.run({str(folder)!r})"
        )
    names = [f.name for f in fields(Results) if f.name not in ("folder", "verdicts")]
    tables = {name: _read_table(where / f"{name}.csv", name) for name in names}
    return Results(where, read_verdicts(where / "verdicts.parquet"), **tables)


def _season(season: SeasonOrFolder) -> Season:
    if not isinstance(season, Season):
        return read_season(season)
    frames = frames_of(season)
    if season.checked and season.checked == frames_digest(frames):
        return season
    return check_records(season.config, frames)


def _warn_of(set_aside: Mapping[str, Sequence[Problem]]) -> None:
    """Warn of genotype files that could not be trusted, at the caller of the verb."""
    for name, problems in set_aside.items():
        told = f"Genotype file {name} was set aside: {problems[0].problem}"
        warnings.warn(told, SetAsideWarning, stacklevel=3)


def _read_table(path: Path, name: str) -> pd.DataFrame:
    """A result table: numbers where its declaration has numbers; names and the user's columns stay text."""
    if not path.exists():
        raise InputError.at(
            path.name, "This table of the results is missing.", "Run the season again.", value=str(path)
        )
    return read_typed(path, name)
