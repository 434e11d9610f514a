"""Lines, run-wide rates, and the digest of every slice that later jobs depend on."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from crossproof.errors import InputError, Severity, error
from crossproof.inference.lines.line_doubts import belief_about, heterogeneous_share
from crossproof.inference.season_model import FamilyInput, Panel, panel_to_arrays
from crossproof.io.calls.batch_join import join_batches
from crossproof.io.calls.store import write_arrays, write_calls
from crossproof.io.entry_reader import marker_problems
from crossproof.model.arrays import Ints
from crossproof.model.genotypes import CallBatch
from crossproof.season.evidence import (
    JoinedSeason,
    StoredBatch,
    batches_of,
    cross_records,
    family_inputs,
    load_wells,
    locate_wells,
    marker_mask,
    model_settings,
    panel_digest,
    restricted,
    write_joined,
    write_located,
)
from crossproof.season.index import SeasonIndex, problem_entry, problem_from, read_record
from crossproof.season.work_folder import WorkFolder, bucket_of, digest_of, write_kept
from crossproof.steps.calibrate import calibrated_panel, known_crosses
from crossproof.steps.ingest import (
    ingested,
    known_samples,
    marker_sheet,
    read_of_run,
    read_stored,
    stored_batches,
)
from crossproof.steps.provable import write_typing

Member = tuple[str, FamilyInput]


def panel(index: SeasonIndex) -> None:
    """Join markers, combine lines, estimate or take over run-wide rates, write every bucket's digest."""
    folder = index.folder
    states = ingested(index)
    stored = stored_batches(states)
    if not stored:
        raise InputError([problem_from(p) for s in states.values() for p in s["problems"]])
    samples, crosses = read_record(folder, "samples"), read_record(folder, "crosses")
    calls = stored_calls(index, stored)
    _refuse_strangers(index, samples, calls)
    joined_calls = join_batches([calls[s.batch] for s in stored], plant_names(samples))
    if not len(joined_calls.markers):
        nothing = error(
            ", ".join(s.batch for s in stored),
            "No marker is left: the alleles of every one differ between the files.",
            "Export all files on the same strand, or take the odd one out of config.yaml.",
        )
        raise InputError([nothing, *joined_calls.problems])
    joined = write_joined(folder.work("panel", "joined"), joined_calls, stored)
    located = locate_wells(samples, stored)
    wells = load_wells(folder, joined, located, located[0] >= 0, calls)
    fitted, first = calibrated_panel(index, wells, samples, crosses, located[0])
    notes = {
        "first": first,
        "problems": [problem_entry(p) for p in joined_calls.problems],
        "notes": list(joined_calls.notes),
    }
    write_arrays(folder.work("panel", "fit"), notes, panel_to_arrays(fitted))
    write_located(folder.work("panel", "located"), located)
    write_typing(folder, fitted, wells, samples, located[0], marker_sheet(index))
    digests = SliceDigests(index, joined, fitted, samples, crosses, located[0])
    families = [f for f in family_inputs(samples, crosses) if batches_of(f, located[0])]
    dealt = digests.dealt(families)
    shutil.rmtree(folder.work("panel", "families"), ignore_errors=True)
    for bucket, members in dealt.items():
        write_bucket(folder, bucket, digests, members)
    write_kept(
        folder.work("panel", "slices.json"),
        {
            "verify": {str(b): digest_of(sorted(d for d, _ in members)) for b, members in dealt.items()},
            "examine": {
                "season": digest_of(digests.season(), sorted(d for m in dealt.values() for d, _ in m))
            },
            "ingest": {str(b): digests.ingest_buckets(members) for b, members in dealt.items()},
        },
    )


def _refuse_strangers(index: SeasonIndex, samples: pd.DataFrame, calls: Mapping[str, CallBatch]) -> None:
    """Stop where a file's markers are those of the others under other names: no verdict would be right."""
    found = marker_problems(samples, calls, marker_sheet(index), index.config)
    if any(p.severity is Severity.ERROR for p in found):
        raise InputError(found)


def write_bucket(folder: WorkFolder, bucket: int, digests: SliceDigests, members: Sequence[Member]) -> None:
    """Write the families of one bucket, so that its job need not look through all the records."""
    known = sorted(digests.known)
    entries: list[list[Any]] = []
    for digest, family in members:
        batches = batches_of(family, digests.located)
        later = list(digests.later_crosses(batches))
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


def stored_calls(index: SeasonIndex, stored: Sequence[StoredBatch]) -> dict[str, CallBatch]:
    """Calls of every file from the store; a file whose stored calls are gone or damaged is read again."""
    calls = {}
    for item in stored:
        batch = read_stored(index.folder, item.digest)
        if batch is None:
            file = next(g for g in index.config.genotypes if g.batch == item.batch)
            batch = read_of_run(index, file, marker_sheet(index), known_samples(index))
            write_calls(index.folder.calls(item.digest), batch)
        calls[item.batch] = batch
    return calls


def plant_names(samples: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Name of the plant or line of every sample, by batch."""
    names: dict[str, dict[str, str]] = {}
    plant = samples["line"].where(samples["role"] == "parent", samples["plant"])
    for batch, sample, name in zip(samples["batch"], samples["sample_id"], plant, strict=True):
        names.setdefault(batch, {})[sample] = name
    return names


class SliceDigests:
    """Digests of what each family's and each plate's result follows from.

    A family follows from its own calls, the panel at the markers of its files, the other crosses a tag may
    have been swapped with, the settings, and nothing else.
    """

    def __init__(
        self,
        index: SeasonIndex,
        joined: JoinedSeason,
        fitted: Panel,
        samples: pd.DataFrame,
        crosses: pd.DataFrame,
        located: Ints,
    ) -> None:
        self.index, self.joined, self.fitted, self.located = index, joined, fitted, located
        self.settings = model_settings(index.config)
        self.sample, self.plate, self.role, self.cross = (
            samples[name].to_numpy(dtype=object) for name in ("sample_id", "plate", "role", "cross_id")
        )
        self.parents = {r.cross_id: (r.mother, r.father) for r in cross_records(crosses)}
        self.known = frozenset(known_crosses(index)) & frozenset(self.parents)
        self._views: dict[bytes, tuple[Panel, str]] = {}
        self._masks: dict[tuple[int, ...], bytes] = {}
        self._known_digest = digest_of([[c, self.parents[c]] for c in sorted(self.known)])
        self._later: dict[tuple[int, ...], tuple[str, ...]] = {}
        self._batch_crosses: dict[int, set[str]] = {}
        for row in np.flatnonzero((self.role == "progeny") & (located >= 0)):
            self._batch_crosses.setdefault(int(located[row]), set()).add(self.cross[row])

    def view(self, batches: tuple[int, ...]) -> tuple[Panel, str]:
        """The panel at the markers of some files, and its digest."""
        if batches not in self._masks:
            self._masks[batches] = marker_mask(self.joined, batches).tobytes()
        key = self._masks[batches]
        if key not in self._views:
            part = restricted(self.fitted, np.frombuffer(key, dtype=bool))
            self._views[key] = part, panel_digest(part, self.joined.markers)
        return self._views[key]

    def later_crosses(self, batches: tuple[int, ...]) -> tuple[str, ...]:
        """Crosses typed in these files that were not on record when the run-wide rates were estimated.

        A plant's tag may have been swapped with one of these, or with one of those on record then: a cross
        recorded later, on plates of its own, does not touch families that were judged before.
        """
        if batches not in self._later:
            typed = set().union(*(self._batch_crosses.get(b, set()) for b in batches))
            self._later[batches] = tuple(sorted((typed - self.known) & set(self.parents)))
        return self._later[batches]

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
            [[c, self.parents[c]] for c in self.later_crosses(batches)],
            [self.belief(line, family.cross_id) for line in (family.mother, family.father)],
        )  # fmt: skip

    def calls_digest(self, well: int) -> str:
        """Digest of the file that a well's calls are in."""
        return str(self.joined.stored[self.located[well]].digest)

    def belief(self, line: str, cross: str) -> str:
        """Digest of what the line's tubes and other families say of it, and how far its plants differ."""
        if not len(self.fitted.versions(line)):
            return ""
        belief = belief_about(self.fitted, line, cross, self.settings)
        return digest_of(
            round(belief.log_odds, 9), round(belief.log_odds_field, 9), round(belief.log_untyped, 9),
            sorted((name, round(x, 9)) for name, x in belief.log_lines.items()),
            [np.round(x, 6).tobytes().hex() for x in belief.learned],
            round(heterogeneous_share(self.fitted, line, cross), 9),
        )  # fmt: skip

    def family_bucket(self, family: FamilyInput) -> int:
        """Bucket of a family: by the first of its plates, so that one plate's families lie together."""
        plates = sorted({self.plate[w] for p in family.plants for w in p.wells} - {""})
        return bucket_of(plates[0] if plates else family.cross_id, self.index.buckets)

    def dealt(self, families: list[FamilyInput]) -> dict[int, list[Member]]:
        """Digest and family of every member of each bucket that has any, crosses in order of name."""
        found: dict[int, list[Member]] = {}
        for family in sorted(families, key=lambda f: f.cross_id):
            found.setdefault(self.family_bucket(family), []).append((self.family(family), family))
        return dict(sorted(found.items()))

    def ingest_buckets(self, members: Sequence[Member]) -> list[int]:
        """Buckets of the genotype files that hold the calls of these families, in increasing order."""
        files = {b for _, family in members for b in batches_of(family, self.located)}
        return sorted({bucket_of(self.joined.stored[b].batch, self.index.buckets) for b in files})

    def season(self) -> str:
        """Digest of what the plate checks take from here: calls, the panel, the parents on record."""
        return digest_of(
            [[s.batch, s.digest] for s in self.joined.stored],
            sorted(self.parents.items()),
            panel_digest(self.fitted, self.joined.markers),
        )
