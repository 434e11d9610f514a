"""`crossproof sample`: the next round of seeds to sow and plants to sample, as sheet, map and labels."""

from __future__ import annotations

import fnmatch
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence, Sized
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from crossproof.errors import InputError, UsageError
from crossproof.field.sampling import SampledPlant, SamplingPlan, Trays, plan_sampling
from crossproof.field.sampling_pages import map_page, tray_labels_page
from crossproof.field.seed_choice import (
    Choice,
    ChoiceSettings,
    HarvestedCross,
    Left,
    Pod,
    choose_seeds,
)
from crossproof.field.sheets import LabelSize, Paper, Sheet, sheet_of
from crossproof.io.config.season_config import Config
from crossproof.io.files.atomic import write_bytes
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.io.results.reading import PLANT_KEYS, read_table
from crossproof.io.results.tables import table_bytes
from crossproof.model.plates import Role
from crossproof.model.results import NextStep, Verdict
from crossproof.planning.season_inputs import plan_settings, rates_so_far
from crossproof.report.content.sheets import natural
from crossproof.report.facts.plants import Pile, plant_facts
from crossproof.season.code_season import code_season
from crossproof.steps.rates import past_of
from crossproof.text import count_of, first_of

SHEET_COLUMNS = ("sample_id", "batch", "plate", "well", "role", "line", "cross_id", "pod", "plant", "place")
"""Columns of the samples sheet that is written, in the contract's order."""

TABLE_COLUMNS = (
    "cross_id", "mother", "father", "seeds_stored", "hybrids_wanted", "sow_now", "chance_now", "at_once",
    "tests_saved", "sample_again", "seeds_rest", "why_not",
)  # fmt: skip


@dataclass(frozen=True)
class SampleOptions:
    """What the user says of a round: see the command's options. `sheet`: of the tray labels."""

    at_once: bool = False
    keep_back: int = 0
    pots: int = 50
    house: str = ""
    sheet: Sheet = field(default_factory=lambda: sheet_of(Paper.A4, LabelSize(60, 25)))


@dataclass(frozen=True)
class Sampled:
    """A round as it was written. `files` is empty where there was nothing to do; `notes` are sentences."""

    plan: SamplingPlan
    files: tuple[Path, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Results:
    """Result tables of the last run, empty ones where there was none."""

    crosses: pd.DataFrame
    verdicts: pd.DataFrame
    samples: pd.DataFrame

    @classmethod
    def of(cls, folder: Path) -> _Results:
        def table(name: str, needed: Sequence[str]) -> pd.DataFrame:
            path = folder / "results" / f"{name}.csv"
            return read_table(path, needed) if path.exists() else pd.DataFrame()

        return cls(
            table("crosses", ["cross_id"]), table("verdicts", PLANT_KEYS), table("samples", ["sample_id"])
        )


def sample_season(where: Path, options: SampleOptions) -> Sampled:
    """Choose seeds and plants, lay out plates, and write sheet, map and labels; no file is written over.

    Raises InputError where sheets have errors, UsageError where the plates of the settings have no room.
    """
    season = read_season(where, genotypes_come=True, wells_come=True)
    if season.errors:
        raise InputError(season.errors)
    config = season.config
    results = _Results.of(config.root)
    crosses = harvested_crosses(season, results)
    settings = plan_settings(config)
    rates = rates_so_far(results.crosses if len(results.crosses) else None, settings, past_of(config))
    choice = ChoiceSettings(
        probability=config.success_probability,
        seen=_seen(results.crosses),
        keep_back=options.keep_back,
        at_once=options.at_once,
    )
    choices = [choose_seeds(cross, rates, choice) for cross in crosses]
    again = plants_again(results.verdicts, _waiting_plants(season.samples, results.samples))
    lines = _lines_to_type(choices, season.samples)
    number = _round_number(config, season.samples)
    trays = Trays(options.pots, _first_tray(season.samples, options.house), options.house)
    try:
        plan = plan_sampling(
            choices, again, lines, settings, trays, prefix=f"R{number}-",
        )  # fmt: skip
    except ValueError as fault:
        raise UsageError.at(
            config.source.name,
            f"No plate can be laid out: {fault}.",
            "Lower blanks_per_plate or parent_wells, or raise plate_wells.",
        ) from fault
    if not plan.wells:
        return Sampled(plan, (), _notes(plan, config, None))
    return _write(plan, season, number, options)


def harvested_crosses(season: Season, results: _Results) -> list[HarvestedCross]:
    """Every cross with its seed, its plants so far and what the results say of it, in the order of tags."""
    samples = season.samples
    progeny = samples[samples["role"] == Role.PROGENY]
    waiting = _waiting_plants(samples, results.samples)
    done = {str(r["cross_id"]): r for r in results.crosses.to_dict("records")}
    pods = _pods(progeny, results.verdicts)
    names: dict[str, list[str]] = {}
    for cross, plant in zip(progeny["cross_id"], progeny["plant"], strict=True):
        names.setdefault(cross, [])
        if plant not in names[cross]:
            names[cross].append(plant)
    out = []
    for row in season.crosses.to_dict("records"):
        cross = str(row["cross_id"])
        plants = names.get(cross, [])
        result = done.get(cross, {})
        tested = sum((cross, p) not in waiting for p in plants)
        step = NextStep(result["next_step"]) if result.get("next_step") and tested else None
        found = _whole(result.get("hybrids_found")) if tested else 0
        target = 0 if pd.isna(row["target_hybrids"]) else int(row["target_hybrids"])
        out.append(
            HarvestedCross(
                cross_id=cross,
                mother=row["mother"],
                father=row["father"],
                seeds=None if pd.isna(row["seeds"]) else int(row["seeds"]),
                pods=0 if pd.isna(row["pods"]) else int(row["pods"]),
                wanted=max(target - found, 0),
                sown=len(plants),
                tested=tested,
                step=step,
                seeds_next=_whole(result.get("seeds_next")) if step else 0,
                seeds_to_test=_whole(result.get("seeds_to_test")) if step else 0,
                known_pods=tuple(pods.get(cross, {}).values()),
                numbers=frozenset(_numbers(cross, plants)),
            )
        )
    return sorted(out, key=lambda c: natural(c.cross_id))


def _whole(text: object) -> int:
    return int(float(str(text))) if text not in (None, "") else 0


def _numbers(cross: str, plants: Collection[str]) -> set[int]:
    """Running numbers of plants that are named CROSS-NUMBER; leading zeros do not count."""
    found = (re.fullmatch(re.escape(cross) + r"-(\d{1,9})", p) for p in plants)
    return {int(m.group(1)) for m in found if m}


def _pods(progeny: pd.DataFrame, verdicts: pd.DataFrame) -> dict[str, dict[str, Pod]]:
    """By cross and pod, what was sown and found of it; plants without a pod are left out."""
    verdict_of = {
        (str(r["cross_id"]), str(r["plant"])): str(r["verdict"]) for r in verdicts.to_dict("records")
    }
    pods: dict[str, dict[str, Pod]] = {}
    once = progeny.drop_duplicates(["cross_id", "plant"])
    for cross, plant, name in zip(once["cross_id"], once["plant"], once["pod"], strict=True):
        if not name:
            continue
        verdict = verdict_of.get((cross, plant), str(Verdict.UNDETERMINED))
        pod = pods.setdefault(cross, {}).get(name, Pod(name))
        pods[cross][name] = Pod(
            name,
            pod.sown + 1,
            pod.hybrids + (verdict == Verdict.HYBRID),
            pod.others + (verdict not in (Verdict.HYBRID, Verdict.UNDETERMINED)),
        )
    return pods


def _waiting_plants(samples: pd.DataFrame, done: pd.DataFrame) -> set[tuple[str, str]]:
    """Plants with a well on a plate that no result has come of yet, by cross and name.

    A single well without calls on a plate that has some did not work, or was empty: nobody waits for it.
    """
    come = set()
    if len(done):
        come = set(done.loc[done["call_rate"] != "", "plate"])
        come |= set(done.loc[(done["call_rate"] != "") & (done["plate"] == ""), "sample_id"])
    rows = samples[samples["role"] == Role.PROGENY]
    keys = zip(rows["plate"], rows["sample_id"], rows["cross_id"], rows["plant"], strict=True)
    return {(cross, plant) for plate, sample, cross, plant in keys if (plate or sample) not in come}


def plants_again(
    verdicts: pd.DataFrame, waiting: Collection[tuple[str, str]]
) -> Mapping[str, Sequence[SampledPlant]]:
    """Plants to sample a second time, by cross: those to retest that a second sample may help."""
    out: dict[str, list[SampledPlant]] = {}
    for fact, row in zip(plant_facts(verdicts).rows, verdicts.to_dict("records"), strict=True):
        if fact.pile is Pile.SAMPLE_AGAIN and (fact.cross, fact.plant) not in waiting:
            plant = SampledPlant(fact.plant, fact.cross, str(row["pod"]), str(row["place"]), new=False)
            out.setdefault(fact.cross, []).append(plant)
    return out


def _lines_to_type(choices: Sequence[Choice], samples: pd.DataFrame) -> list[str]:
    """Parents without a well, of crosses that wait for nothing else."""
    typed = set(samples.loc[samples["role"] == Role.PARENT, "line"])
    waiting = [c.cross for c in choices if c.left is Left.TYPE_PARENT]
    return [line for cross in waiting for line in (cross.mother, cross.father) if line and line not in typed]


def _seen(crosses: pd.DataFrame) -> float:
    """Share of the plants tested so far that got a verdict; 1 where none was tested."""
    if not len(crosses):
        return 1.0
    tested, determined = (
        pd.to_numeric(crosses[c], errors="coerce").fillna(0).sum() for c in ("tested", "determined")
    )
    return float(determined / tested) if tested and determined else 1.0


def _round_number(config: Config, samples: pd.DataFrame) -> int:
    """The first round of which there is neither a file nor a plate."""
    plates = [str(p).casefold() for p in set(samples["plate"])]
    number = 1
    while (
        any(p.startswith(f"r{number}-") for p in plates)
        or any((config.root / "field").glob(f"round{number}*"))
        or (config.root / "samples" / f"round{number}.csv").exists()
    ):
        number += 1
    return number


def _first_tray(samples: pd.DataFrame, house: str) -> int:
    """The number after the last tray of this house."""
    start = re.escape(f"{house}, " if house else "")
    found = (re.match(rf"{start}tray (\d{{1,6}})\b", str(p)) for p in set(samples["place"]))
    return max((int(m.group(1)) for m in found if m), default=0) + 1


def choice_table(plan: SamplingPlan) -> pd.DataFrame:
    """What was decided of each cross, one row each; columns as in docs/bench.md."""
    again = Counter(p.cross_id for p in plan.plants if not p.new)
    rows = [
        {
            "cross_id": c.cross.cross_id,
            "mother": c.cross.mother,
            "father": c.cross.father,
            "seeds_stored": c.rest + len(c.seeds),
            "hybrids_wanted": c.cross.wanted,
            "sow_now": len(c.seeds),
            "chance_now": round(c.chance, 3) if c.seeds else float("nan"),
            "at_once": c.at_once if c.seeds else pd.NA,
            "tests_saved": round(c.saved, 1),
            "sample_again": again[c.cross.cross_id],
            "seeds_rest": c.rest,
            "why_not": str(c.left) if c.left else "",
        }
        for c in plan.choices
    ]
    return pd.DataFrame(rows, columns=list(TABLE_COLUMNS)).astype({"at_once": "Int64"})


def _write(plan: SamplingPlan, season: Season, number: int, options: SampleOptions) -> Sampled:
    config = season.config
    title = " ".join(x for x in (config.crop, config.season) if x)
    parents = {c.cross.cross_id: (c.cross.mother, c.cross.father) for c in plan.choices}
    notes = _notes(plan, config, number)
    sheet = pd.DataFrame([w.row() for w in plan.wells], columns=list(SHEET_COLUMNS))
    texts = {
        f"field/round{number}_plates.html": map_page(plan, parents, title=title, notes=notes),
        f"field/round{number}_labels.html": tray_labels_page(
            plan,
            parents,
            code_season(config) or config.season,
            options.sheet,
            title=title,
        ),
    }
    contents = {name: text.encode("utf-8") for name, text in texts.items()}
    contents[f"field/round{number}_seeds.csv"] = table_bytes(choice_table(plan))
    # The sheet last: where it stands, everything that belongs to it is there.
    contents[f"samples/round{number}.csv"] = table_bytes(sheet)
    files = []
    for name, data in contents.items():
        write_bytes(config.root / name, data)
        files.append(config.root / name)
    return Sampled(plan, tuple(files), notes)


def _notes(plan: SamplingPlan, config: Config, number: int | None) -> tuple[str, ...]:
    """What to know of the round, as sentences."""
    left_out = {left: [c.cross.cross_id for c in plan.choices if c.left is left] for left in Left}
    notes = [
        f"{_crosses(those)} left out because {left}: {first_of(those, 5)}."
        for left, those in left_out.items()
        if those
    ]
    saved = [c for c in plan.choices if c.saved > 0]
    if (fewer := sum(c.saved for c in saved)) >= 1:
        notes.append(
            f"Of {_crosses(saved)} few seeds are sown first, which saves about {fewer:.0f} tests on "
            "average over sowing all at once (--at-once), with a second round where these are not enough."
        )
    last = [c.cross.cross_id for c in plan.choices if c.seeds and c.rest == 0]
    if last:
        notes.append(
            f"The last seed of {_crosses(last)} is sown: {first_of(last, 5)}. --keep-back 2 keeps two "
            "seeds of every cross."
        )
    if plan.split:
        notes.append(f"On more than one plate, because larger than a plate: {', '.join(plan.split)}.")
    notes += [
        f"On {plate.name} {len(plate.unseen)} ways to misplace wells would show in fewer than two "
        f"wells ({first_of(plate.unseen, 2)}); more blanks or parent wells would show them."
        for plate in plan.plates
        if plate.unseen
    ]
    if number is not None and not _named(config, f"samples/round{number}.csv"):
        notes.append(
            f"config.yaml does not name the new sheet: add samples/round{number}.csv to its list samples."
        )
    return tuple(notes)


def _crosses(those: Sized) -> str:
    return count_of(len(those), "cross", "crosses")


def _named(config: Config, name: str) -> bool:
    return any(fnmatch.fnmatch(name, pattern.removeprefix("./")) for pattern in config.samples)
