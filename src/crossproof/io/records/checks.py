"""Cross-references: between the sheets of records, and from the sheets to the genotype files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from crossproof.errors import Problem, Severity
from crossproof.io.config.season_config import Config
from crossproof.io.problems import Fault, Problems
from crossproof.io.records.season import Season
from crossproof.io.records.strangers import sample_strangers
from crossproof.io.records.untyped import parents_in_no_sheet, parents_without_calls
from crossproof.io.sheets.names import did_you_mean, difference, loose_index, meant, skeleton
from crossproof.model.plates import Role
from crossproof.text import agreeing, count_of, first_of


def check_frames(
    config: Config,
    crosses: pd.DataFrame,
    samples: pd.DataFrame,
    *,
    crosses_whole: bool = True,
    samples_whole: bool = True,
) -> list[Problem]:
    """What does not fit between crosses and wells.

    Where a sheet could not be read whole, nothing is said to be missing from it.
    """
    notes = Problems()
    if crosses_whole and len(crosses):
        _progeny_have_crosses(crosses, samples, notes)
    if samples_whole:
        parents_in_no_sheet(crosses, samples, notes)
    if crosses_whole and samples_whole:
        _nothing_unused(config, crosses, samples, notes)
    _no_cycles(crosses, samples, notes)
    _names_that_look_alike(crosses, samples, notes)
    _counts_fit(crosses, samples, notes)
    return notes.listed()


@dataclass(frozen=True)
class _Held:
    """The samples that genotype files hold, by batch; `files`: path by batch, as config.yaml has it.

    `complete`: whether every file of the season could be read.
    """

    samples: Mapping[str, Sequence[str]]
    files: Mapping[str, str]

    @cached_property
    def complete(self) -> bool:
        return self.files.keys() <= self.samples.keys()

    @cached_property
    def batches(self) -> dict[str, list[str]]:
        """The batches that hold each sample."""
        found: dict[str, list[str]] = {}
        for batch, names in self.samples.items():
            for name in names:
                found.setdefault(name, []).append(batch)
        return found

    def having(self, sample: str, batch: str) -> list[str]:
        """The batches that hold a sample, of all or of the one that its well names."""
        return [b for b in self.batches.get(sample, ()) if batch in (b, "")]

    @cached_property
    def alike(self) -> dict[str, dict[str, list[str]]]:
        """Names as they are compared loosely, by batch; "" for those of all files."""
        return {"": loose_index(self.batches)} | {b: loose_index(n) for b, n in self.samples.items()}


def check_calls(
    season: Season, samples_by_batch: Mapping[str, Sequence[str]], left_out: Collection[str] = ()
) -> list[Problem]:
    """What does not fit between the wells and the samples that the genotype files hold.

    `samples_by_batch` gives the sample names of every genotype file that could be read, by batch; wells of
    a batch that is not in it are passed over. `left_out`: samples that corrections left out of the sheets.
    """
    notes = Problems()
    samples = season.samples
    held = _Held(samples_by_batch, {g.batch: g.path for g in season.config.genotypes})
    strangers = sample_strangers(samples, samples_by_batch, held.files)
    claimed, typed_lines = _wells_in_files(samples, held, strangers, notes)
    asked = Counter(_texts(samples.loc[samples["sample_id"] != ""], "batch"))
    for batch, names in samples_by_batch.items():
        if batch in strangers:
            notes.extend([strangers[batch]])
        else:
            listed = claimed[batch] | {*left_out}
            _unlisted(notes, batch, held.files.get(batch, batch), names, listed, asked[batch])
    parents_without_calls(season.crosses, samples, typed_lines, notes)
    return notes.listed()


def _wells_in_files(
    samples: pd.DataFrame, held: _Held, strangers: Collection[str], notes: Problems
) -> tuple[dict[str, set[str]], set[str]]:
    """Look for the sample of each well in the files, except in `strangers`, of which all is said already.

    Returns the samples found, by batch, and the lines that have calls, or may have them in a file that
    could not be read.
    """
    claimed: dict[str, set[str]] = {batch: set() for batch in held.samples}
    nothing_said = {*held.samples, ""} - {*strangers}
    if len(strangers) == len(held.samples) > 0:
        nothing_said.discard("")
    typed_lines: set[str] = set()
    columns = (_texts(samples, name) for name in ("sample_id", "batch", "role", "line", "_file"))
    for sample, batch, role, line, file, row in zip(*columns, samples["_row"].tolist(), strict=True):
        found = held.having(sample, batch)
        may_be_elsewhere = not sample or (batch not in held.samples if batch else not held.complete)
        if role == Role.PARENT and (found or may_be_elsewhere):
            typed_lines.add(line)
        for b in found:
            claimed[b].add(sample)
        fault, column = None, "sample_id"
        if len(found) > 1:
            fault, column = _held_twice(found, held.files), "batch"
        elif not (found or may_be_elsewhere) and batch in nothing_said:
            fault = _missing_sample(sample, batch, role, held)
        if fault is not None:
            notes.note(fault, file=file, row=row, column=column, value=sample)
    return claimed, typed_lines


def _held_twice(held: Sequence[str], files: Mapping[str, str]) -> Fault:
    places = ", ".join(f"{b} ({files.get(b, '')})" for b in held)
    return Fault(
        f"Several genotype files hold this name: {places}.",
        "Write in the column batch which one is meant; one row for each file.",
    )


def _missing_sample(sample: str, batch: str, role: str, held: _Held) -> Fault | None:
    """What is wrong with a well whose sample no file holds, or not that of its batch."""
    where = (
        f"The genotype file of batch {batch} ({held.files.get(batch, '')})" if batch else "No genotype file"
    )
    verb = "does not hold this sample" if batch else "holds this sample"
    other = [b for b in held.batches.get(sample, []) if b != batch]
    if other:
        return Fault(
            f"{where} {verb}; that of batch {', '.join(other)} does.",
            f"Write {other[0]} in the column batch, if that is the file meant.",
        )
    if close := meant(sample, (), held.alike[batch]):
        spelt = f" (differs by {difference(sample, close)})" if skeleton(close) == skeleton(sample) else ""
        return Fault(
            f"{where} {verb}, but {close!r}{spelt}.",
            f"Did you mean {close!r}? Write the name as in the genotype file.",
        )
    if role == Role.BLANK:
        return None  # a laboratory need not send the calls of an empty well
    return Fault(
        f"{where} {verb}; nothing can be said of the {'line' if role == Role.PARENT else 'plant'}.",
        "Correct the name, add the file that holds it, or delete the row if the well was not run.",
        Severity.WARNING,
    )


def _unlisted(
    notes: Problems, batch: str, path: str, names: Sequence[str], claimed: set[str], asked: int
) -> None:
    """Samples of a genotype file that no sheet lists."""
    unlisted = [name for name in names if name not in claimed]
    if not unlisted:
        return
    shown = first_of(unlisted, 5, " …")
    if not claimed:
        fault = Fault(
            f"None of the {len(names)} samples of batch {batch} is in a sheet of wells.",
            "Compare the names in the file with the column sample_id; check that the right file is named."
            if asked
            else "Add the sheet of its wells to the folder of samples.",
            Severity.ERROR if asked else Severity.WARNING,
        )
    else:
        fault = Fault(
            f"{len(unlisted)} of the {count_of(len(names), 'sample')} of batch {batch} "
            f"{agreeing(len(unlisted), 'is', 'are')} in no sheet of wells and left out.",
            "Add rows for those that matter.",
            Severity.WARNING,
        )
    notes.note(fault, file=path, value=shown)


def _first_rows(frame: pd.DataFrame, column: str) -> dict[str, tuple[str, int, int]]:
    """Where each name of a column first stands, and how often in all."""
    count = Counter(_texts(frame, column))
    first = frame.drop_duplicates(column)
    places = zip(_texts(first, column), _texts(first, "_file"), first["_row"].tolist(), strict=True)
    return {name: (file, row, count[name]) for name, file, row in places if name}


def _texts(frame: pd.DataFrame, column: str) -> list[str]:
    """A text column as a list; walking along a column itself is many times slower."""
    texts: list[str] = frame[column].to_numpy(dtype=object).tolist()
    return texts


def _progeny_have_crosses(crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    known = set(crosses["cross_id"]) - {""}
    index = loose_index(known)
    wells = samples[(samples["role"] == Role.PROGENY) & ~samples["cross_id"].isin({*known, ""})]
    faults: dict[str, Fault] = {}
    for name, file, row in zip(wells["cross_id"], wells["_file"], wells["_row"], strict=True):
        if name not in faults:
            close = meant(name, (), index)
            faults[name] = Fault(
                "The crosses sheet has no such tag.",
                did_you_mean(name, close) if close else "Correct the tag, or add the cross.",
            )
        notes.note(faults[name], file=file, row=row, column="cross_id", value=name)


def _no_cycles(crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    """A cross whose ancestors include itself; a parent that was typed is a line, whatever tags are called."""
    lines = set(samples.loc[samples["role"] == Role.PARENT, "line"])
    place: dict[str, tuple[str, int]] = {}
    named: dict[str, tuple[str, str]] = {}
    columns = (
        crosses[c].to_numpy(dtype=object).tolist() for c in ("cross_id", "mother", "father", "_file", "_row")
    )
    for cross, mother, father, file, row in zip(*columns, strict=True):
        if cross:
            place[cross], named[cross] = (file, row), (mother, father)
    parents = {c: sorted({p for p in both if p in place and p not in lines}) for c, both in named.items()}
    for cycle in _cycles(parents):
        first = min(cycle, key=lambda c: place[c][1])
        turn = cycle.index(first)
        path = " ← ".join([*cycle[turn:], *cycle[:turn], first])
        file, row = place[first]
        column = "mother" if named[first][0] in cycle else "father"
        fault = Fault(
            f"A cross cannot be among its own ancestors: {path}. The parent is taken for a line.",
            "No action is needed where a line and a tag share a name; else correct the parents.",
            Severity.WARNING,
        )
        notes.note(fault, file=file, row=row, column=column, value=first)


def _cycles(parents: Mapping[str, list[str]]) -> list[list[str]]:
    """The cycles met by walking from child to parent, each once."""
    done: set[str] = set()
    found: list[list[str]] = []
    for start in parents:
        if start in done:
            continue
        path: list[str] = []
        on_path: set[str] = set()
        stack: list[tuple[str, Iterable[str]]] = [(start, iter(parents[start]))]
        path.append(start)
        on_path.add(start)
        while stack:
            node, rest = stack[-1]
            following = next(iter(rest), None)
            if following is None:
                stack.pop()
                path.pop()
                on_path.discard(node)
                done.add(node)
            elif following in on_path:
                found.append(path[path.index(following) :])
            elif following not in done:
                stack.append((following, iter(parents[following])))
                path.append(following)
                on_path.add(following)
    return found


def _names_that_look_alike(crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    parents = samples[samples["role"] == Role.PARENT]
    _look_alike(
        [(parents, "line"), (crosses, "mother"), (crosses, "father")],
        "line",
        notes,
        trusted={*parents["line"]},
    )
    _look_alike([(crosses, "cross_id")], "tag", notes)
    _look_alike([(crosses, "operator")], "person", notes)
    _look_alike([(samples, "plate")], "plate", notes)
    _look_alike([(samples, "sample_id")], "sample", notes)
    _look_alike([(samples, "plant")], "plant", notes)


def _look_alike(
    places: Sequence[tuple[pd.DataFrame, str]], noun: str, notes: Problems, trusted: set[str] | None = None
) -> None:
    """Names that differ by case, spaces or look-alike letters only; the most used one is taken as meant.

    With `trusted` names, one that is none of them but looks like one has been reported already.
    """
    names = {name for frame, column in places for name in _texts(frame, column)}
    if len({skeleton(name) for name in names}) == len(names):
        return
    count: dict[str, int] = {}
    where: dict[str, tuple[str, int, str]] = {}
    for frame, column in places:
        for name, (file, row, n) in _first_rows(frame, column).items():
            count[name] = count.get(name, 0) + n
            where.setdefault(name, (file, row, column))
    groups: dict[str, list[str]] = {}
    for name in count:
        groups.setdefault(skeleton(name), []).append(name)
    for group in groups.values():
        if len(group) < 2:
            continue
        group.sort(key=lambda name: (-count[name], name))
        best = next((name for name in group if trusted is None or name in trusted), group[0])
        for name in group:
            if name == best or (trusted is not None and best in trusted and name not in trusted):
                continue
            file, row, column = where[name]
            fault = Fault(
                f"The {noun} {name!r} differs from {best!r} by {difference(name, best)} only.",
                f"Did you mean {best!r}? They are treated as two.",
                Severity.WARNING,
            )
            notes.note(fault, file=file, row=row, column=column, value=name)


def _counts_fit(crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    """More plants or pods genotyped than were harvested."""
    progeny = samples[(samples["role"] == Role.PROGENY) & (samples["cross_id"] != "")]
    plants = progeny.groupby("cross_id")["plant"].nunique().to_dict()
    pods = progeny[progeny["pod"] != ""].groupby("cross_id")["pod"].nunique().to_dict()
    for cross, n_pods, n_seeds, file, row in zip(
        crosses["cross_id"],
        crosses["pods"],
        crosses["seeds"],
        crosses["_file"],
        crosses["_row"],
        strict=True,
    ):
        for column, recorded, counted, noun in (
            ("pods", n_pods, pods.get(cross, 0), "pods"),
            ("seeds", n_seeds, plants.get(cross, 0), "plants"),
        ):
            if not pd.isna(recorded) and counted > recorded:
                fault = Fault(
                    f"More {noun} of this cross are in the sheets of wells than {column} were recorded.",
                    f"Compare the tags; {noun} counted in the wells: {counted}.",
                    Severity.WARNING,
                )
                notes.note(fault, file=file, row=row, column=column, value=recorded)


def _nothing_unused(config: Config, crosses: pd.DataFrame, samples: pd.DataFrame, notes: Problems) -> None:
    """Crosses without plants and lines without crosses, one note each kind."""
    progeny = samples[samples["role"] == Role.PROGENY]
    if not len(progeny) and len(samples):
        fault = Fault(
            "No sheet of wells lists a progeny plant.",
            "Give the wells with progeny the role progeny.",
            Severity.WARNING,
        )
        notes.note(fault, file=samples["_file"].iloc[0], column="role")
    if not len(samples):
        fault = Fault("No sheet of wells has a row.", "Fill in one row per well.")
        notes.note(fault, file=config.source.name, column="samples", value=", ".join(config.samples))
    tested = set(progeny["cross_id"])
    idle = crosses[~crosses["cross_id"].isin({*tested, ""})]
    if len(idle):
        fault = Fault(
            f"{len(idle)} of {count_of(len(crosses), 'cross', 'crosses')} "
            f"{agreeing(len(idle), 'has', 'have')} no plant in the sheets of wells; nothing is "
            "concluded about them.",
            "No action is needed if they were not genotyped.",
            Severity.NOTE,
        )
        shown = first_of(idle["cross_id"], 5, " …")
        notes.note(fault, file=idle["_file"].iloc[0], column="cross_id", value=shown)
    parents = samples[(samples["role"] == Role.PARENT) & (samples["line"] != "")]
    used = {*crosses["mother"], *crosses["father"]}
    spare = parents[~parents["line"].isin(used)]
    if len(spare):
        names = list(dict.fromkeys(spare["line"]))
        serve = agreeing(
            len(names), "it serves as a possible pollen donor", "they serve as possible pollen donors"
        )
        fault = Fault(
            f"{count_of(len(names), 'genotyped line')} {agreeing(len(names), 'is', 'are')} a parent of no "
            f"cross; {serve}.",
            "No action is needed unless a name is misspelt.",
            Severity.NOTE,
        )
        shown = first_of(names, 5, " …")
        notes.note(fault, file=spare["_file"].iloc[0], column="line", value=shown)
