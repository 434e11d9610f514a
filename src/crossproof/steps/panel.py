"""Lines, run-wide rates, and the digest of every slice that later jobs depend on."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import InputError, Problem, Severity, error
from crossproof.inference.lines.line_doubts import belief_about, heterogeneous_share
from crossproof.inference.plates.each import Each, one_by_one
from crossproof.inference.season_model import FamilyInput, Panel, Wells, panel_to_arrays
from crossproof.io.calls.batch_join import join_batches
from crossproof.io.calls.store import write_arrays, write_calls
from crossproof.io.config.season_config import Config
from crossproof.io.entry_reader import marker_problems
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import CallBatch
from crossproof.model.plates import Role
from crossproof.season.evidence import (
    JoinedSeason,
    Located,
    StoredBatch,
    batches_of,
    cross_records,
    joined_season,
    locate_wells,
    marker_mask,
    model_settings,
    panel_digest,
    restricted,
    wells_of,
    write_joined,
    write_located,
)
from crossproof.season.file_outcomes import problems_of_files, stored_batches
from crossproof.season.index import SeasonIndex, calibration_param, read_record
from crossproof.season.processes import forked_map
from crossproof.season.work_folder import WorkFolder, bucket_of, digest_of, write_kept
from crossproof.steps.calibrate import Kept, calibrated, read_estimates, write_kept_estimates
from crossproof.steps.ingest import (
    ingested,
    known_samples,
    marker_sheet,
    read_of_run,
    read_stored,
)
from crossproof.steps.provable import typing_of, write_typing

WORTH_A_PROCESS = 4
"""Families, the least that are worth a process of their own."""


@dataclass(frozen=True)
class SeasonPanel:
    """Everything that families and plates are judged with.

    `wells` holds the evidence of all wells with calls, `families` the families with any. `estimates`: the
    run-wide ones and what is kept beside them; `first`: whether this run made them. `problems` and `notes`
    are of the joining of the files.
    """

    joined: JoinedSeason
    fitted: Panel
    located: Located
    wells: Wells
    families: tuple[FamilyInput, ...]
    estimates: Kept | None
    first: bool
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]

    @property
    def known(self) -> tuple[str, ...]:
        """Crosses on record when the run-wide estimates were made."""
        return self.estimates.crosses if self.estimates else ()


def make_panel(
    config: Config,
    samples: pd.DataFrame,
    crosses: pd.DataFrame,
    stored: Sequence[StoredBatch],
    calls: Mapping[str, CallBatch],
    kept: Kept | None,
    markers: pd.DataFrame | None,
    each: Each = one_by_one,
) -> SeasonPanel:
    """Join the files' markers, combine lines, estimate run-wide rates or take over those that were kept.

    `markers`: the season's sheet of them. `each` calls a function with every family. Raises InputError where
    the files' markers are the same under other names, or none is left that can be used.
    """
    refuse_strangers(config, samples, calls, markers)
    joined_calls = join_batches([calls[s.batch] for s in stored], plant_names(samples))
    if not len(joined_calls.markers):
        nothing = error(
            ", ".join(s.batch for s in stored),
            "No marker is left: the alleles of every one differ between the files.",
            "Export all files on the same strand, or take the odd one out of config.yaml.",
        )
        raise InputError([nothing, *joined_calls.problems])
    joined = joined_season(joined_calls, stored)
    located = locate_wells(samples, stored)
    wells = wells_of(joined, located, located[0] >= 0, lambda s: calls[s.batch])
    made = calibrated(config, wells, samples, crosses, located[0], kept, each)
    return SeasonPanel(
        joined,
        made.panel,
        located,
        wells,
        made.families,
        made.kept,
        made.first,
        tuple(joined_calls.problems),
        tuple(joined_calls.notes),
    )


def panel(index: SeasonIndex, threads: int = 1) -> None:
    """Make the panel and write it, with the digest of every bucket, those by `threads` processes."""
    folder = index.folder
    states = ingested(index)
    stored = stored_batches(states)
    if not stored:
        raise InputError(problems_of_files(states))
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    calls, param = stored_calls(index, stored), calibration_param(folder)
    kept = read_estimates(folder.calibration)
    made = make_panel(
        index.config, samples, crosses, stored, calls, kept, marker_sheet(index),
        lambda function, items: forked_map(function, items, min(threads, len(items) // WORTH_A_PROCESS)),
    )  # fmt: skip
    if made.estimates is not None:
        write_kept_estimates(index, made.estimates, param)
    write_joined(folder.work("panel", "joined"), made.joined)
    notes = {
        "first": made.first,
        "problems": [p.entry() for p in made.problems],
        "notes": list(made.notes),
    }
    write_arrays(folder.work("panel", "fit"), notes, panel_to_arrays(made.fitted))
    write_located(folder.work("panel", "located"), made.located)
    located = made.located
    write_typing(folder, typing_of(made.fitted, made.wells, samples, located[0], marker_sheet(index)))
    digests = SliceDigests(index, made, samples, crosses)
    shutil.rmtree(folder.work("panel", "families"), ignore_errors=True)
    folder.work("panel", "families").mkdir(parents=True)  # a season may have nothing crossed yet
    dealt = digests.dealt(made.families)
    made_of = forked_map(
        lambda bucket: write_bucket(folder, bucket, digests, dealt[bucket]), list(dealt), threads
    )
    of_bucket = dict(zip(map(str, dealt), made_of, strict=True))
    write_kept(
        folder.work("panel", "slices.json"),
        {
            "verify": {bucket: digest_of(of_families) for bucket, of_families in of_bucket.items()},
            "examine": {"season": digest_of(digests.season(), sorted(d for m in made_of for d in m))},
            "ingest": {str(bucket): digests.ingest_buckets(members) for bucket, members in dealt.items()},
        },
    )


def refuse_strangers(
    config: Config, samples: pd.DataFrame, calls: Mapping[str, CallBatch], markers: pd.DataFrame | None
) -> None:
    """Stop where a file's markers are those of the others under other names: no verdict would be right."""
    found = marker_problems(samples, calls, markers, config)
    if any(p.severity is Severity.ERROR for p in found):
        raise InputError(found)


def write_bucket(
    folder: WorkFolder, bucket: int, digests: SliceDigests, members: Sequence[FamilyInput]
) -> list[str]:
    """Write the families of one bucket, so that its job need not look through all the records.

    Returns their digests in increasing order.
    """
    known = sorted(digests.known)
    entries: list[list[Any]] = []
    for family in members:
        digest = digests.family(family)
        batches = batches_of(family, digests.located)
        later = list(digests.later.of(batches))
        plants = [[p.plant, list(p.wells), p.pod] for p in family.plants]
        entries.append([digest, family.cross_id, family.mother, family.father, plants, list(batches), later])
    later_crosses = {c: digests.parents[c] for e in entries for c in e[6]}
    write_kept(
        folder.work("panel", "families", f"{bucket}.json"),
        {
            "families": entries,
            "crosses": {**{c: digests.parents[c] for c in known}, **later_crosses},
            "known": known,
        },
    )
    return sorted(entry[0] for entry in entries)


def stored_calls(index: SeasonIndex, stored: Sequence[StoredBatch]) -> dict[str, CallBatch]:
    """Calls of every file from the store; a file whose stored calls are gone or damaged is read again."""
    calls = {}
    sheets = cache(lambda: (marker_sheet(index), known_samples(index)))
    files = {g.batch: g for g in index.config.genotypes}
    for item in stored:
        batch = read_stored(index.folder, item.digest)
        if batch is None:
            batch = read_of_run(index, files[item.batch], *sheets())
            write_calls(index.folder.calls(item.digest), batch)
        calls[item.batch] = batch
    return calls


def plant_names(samples: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Name of the plant or line of every sample, by batch."""
    names: dict[str, dict[str, str]] = {}
    plant = samples["line"].where(samples["role"] == Role.PARENT, samples["plant"])
    columns = (c.to_numpy(dtype=object).tolist() for c in (samples["batch"], samples["sample_id"], plant))
    for batch, sample, name in zip(*columns, strict=True):
        names.setdefault(batch, {})[sample] = name
    return names


class LaterCrosses:
    """Crosses that came after the run-wide estimates, by the files they are typed in.

    A plant's tag may have been swapped with one of these in its own files, or with one of those on record
    then: a cross recorded later, on plates of its own, does not touch families that were judged before.
    """

    def __init__(
        self, samples: pd.DataFrame, crosses: pd.DataFrame, located: Ints, known: Iterable[str]
    ) -> None:
        self.parents = {r.cross_id: (r.mother, r.father) for r in cross_records(crosses)}
        self.known = frozenset(known) & frozenset(self.parents)
        self._found: dict[tuple[int, ...], tuple[str, ...]] = {}
        self._typed: dict[int, set[str]] = {}
        later = self.parents.keys() - self.known
        cross = samples["cross_id"].to_numpy(dtype=object)
        for row in np.flatnonzero((samples["role"] == Role.PROGENY).to_numpy() & (located >= 0)):
            if cross[row] in later:
                self._typed.setdefault(int(located[row]), set()).add(cross[row])

    def of(self, batches: tuple[int, ...]) -> tuple[str, ...]:
        """Crosses typed in these files that were not on record when the run-wide rates were estimated."""
        if batches not in self._found:
            typed = set().union(*(self._typed.get(b, set()) for b in batches))
            self._found[batches] = tuple(sorted(typed))
        return self._found[batches]


class SliceDigests:
    """Digests of what each family's and each plate's result follows from.

    A family follows from its own calls, the panel at the markers of its files, the other crosses a tag may
    have been swapped with, the settings, and nothing else.
    """

    def __init__(
        self, index: SeasonIndex, made: SeasonPanel, samples: pd.DataFrame, crosses: pd.DataFrame
    ) -> None:
        self.index, self.joined, self.fitted = index, made.joined, made.fitted
        self.located: list[int] = made.located[0].tolist()
        self.settings = model_settings(index.config)
        self.sample, self.plate = (list(samples[c].to_numpy(dtype=object)) for c in ("sample_id", "plate"))
        self.later = LaterCrosses(samples, crosses, made.located[0], made.known)
        self.parents, self.known = self.later.parents, self.later.known
        self._views: dict[bytes, tuple[Panel, str]] = {}
        self._masks: dict[tuple[int, ...], bytes] = {}
        self._beliefs: dict[tuple[str, str], str] = {}
        self._speaking = {*self.fitted.sample_cross.tolist(), *(d.cross_id for d in self.fitted.doubts)}
        self._known_digest = digest_of([[c, self.parents[c]] for c in sorted(self.known)])

    def view(self, batches: tuple[int, ...]) -> tuple[Panel, str]:
        """The panel at the markers of some files, and its digest."""
        if batches not in self._masks:
            self._masks[batches] = marker_mask(self.joined, batches).tobytes()
        key = self._masks[batches]
        if key not in self._views:
            part = restricted(self.fitted, np.frombuffer(key, dtype=bool))
            self._views[key] = part, panel_digest(part, self.joined.markers)
        return self._views[key]

    def family(self, family: FamilyInput) -> str:
        """Digest of one family."""
        batches = batches_of(family, self.located)
        wells = [
            [
                p.plant,
                p.pod,
                [[self.calls_digest(w), self.sample[w]] for w in p.wells if self.located[w] >= 0],
            ]
            for p in family.plants
        ]  # fmt: skip
        return digest_of(
            self.index.steps["model"], family.cross_id, family.mother, family.father, wells,
            self.view(batches)[1], self._known_digest,
            [[c, self.parents[c]] for c in self.later.of(batches)],
            [self.belief(line, family.cross_id) for line in (family.mother, family.father)],
        )  # fmt: skip

    def calls_digest(self, well: int) -> str:
        """Digest of the file that a well's calls are in."""
        return self.joined.stored[self.located[well]].digest

    def belief(self, line: str, cross: str) -> str:
        """Digest of what the line's tubes and other families say of it, and how far its plants differ.

        Where the cross itself says nothing, that is the same for all such crosses.
        """
        asked = line, cross if cross in self._speaking else ""
        if asked not in self._beliefs:
            self._beliefs[asked] = self._belief(*asked)
        return self._beliefs[asked]

    def _belief(self, line: str, cross: str) -> str:
        if not len(self.fitted.versions(line)):
            return ""
        belief = belief_about(self.fitted, line, cross, self.settings)
        return digest_of(
            round(belief.log_odds, 9), round(belief.log_odds_field, 9), round(belief.log_untyped, 9),
            sorted((name, round(x, 9)) for name, x in belief.log_lines.items()),
            [
                [round(m.log_share, 9), *(np.round(x, 6).tobytes().hex() for x in m.learned)]
                for m in belief.modes
            ],
            round(heterogeneous_share(self.fitted, line, cross), 9),
        )  # fmt: skip

    def family_bucket(self, family: FamilyInput) -> int:
        """Bucket of a family: by the first of its plates, so that one plate's families lie together."""
        plates = sorted({self.plate[w] for p in family.plants for w in p.wells} - {""})
        return bucket_of(plates[0] if plates else family.cross_id, self.index.buckets)

    def dealt(self, families: Sequence[FamilyInput]) -> dict[int, list[FamilyInput]]:
        """The families of each bucket that has any, crosses in order of name."""
        found: dict[int, list[FamilyInput]] = {}
        for family in sorted(families, key=lambda f: f.cross_id):
            found.setdefault(self.family_bucket(family), []).append(family)
        return dict(sorted(found.items()))

    def ingest_buckets(self, members: Sequence[FamilyInput]) -> list[int]:
        """Buckets of the genotype files that hold the calls of these families, in increasing order."""
        files = {b for family in members for b in batches_of(family, self.located)}
        return sorted({bucket_of(self.joined.stored[b].batch, self.index.buckets) for b in files})

    def season(self) -> str:
        """Digest of what the plate checks take from here: calls, the panel, the parents on record."""
        return digest_of(
            [[s.batch, s.digest] for s in self.joined.stored],
            sorted(self.parents.items()),
            panel_digest(self.fitted, self.joined.markers),
        )
