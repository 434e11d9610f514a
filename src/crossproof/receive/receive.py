"""A laboratory's file received: looked at, tried, copied, and named in config.yaml."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

from crossproof.errors import PlateError, UsageError
from crossproof.io.config.season_config import GenotypeFile, read_config
from crossproof.io.files.atomic import put_in_place, write_bytes
from crossproof.io.files.sniff import FileKind, sniff
from crossproof.io.genotypes import read_batch
from crossproof.io.intake.name_lists import GivenNames, list_text, other_names
from crossproof.io.intake.raw_cells import encodings_of
from crossproof.io.intake.table_shape import Encoding
from crossproof.io.records.season import Season
from crossproof.io.records.season_records import read_season
from crossproof.model.genotypes import Evidence
from crossproof.receive.config_entry import entry_text, with_entry, without_entry
from crossproof.receive.known_season import known_season
from crossproof.receive.questions import Options
from crossproof.receive.tables import understand_table
from crossproof.receive.understanding import Understanding, Value
from crossproof.receive.variants import understand_variants
from crossproof.season.templates import example_calls, example_markers

MOST_EXAMPLE = 10_000
"""Size below which a file may be the invented calls of a new folder, in bytes."""


@dataclass(frozen=True)
class Receipt:
    """What became of a file: what was understood, its entry, and the files written (none in a trial)."""

    understood: Understanding
    entry: dict[str, Value]
    written: tuple[Path, ...]
    notes: tuple[str, ...] = ()

    @property
    def line(self) -> str:
        """The entry as it stands in config.yaml."""
        return entry_text(self.entry)


def receive(folder: Path, file: Path, options: Options | None = None, *, dry_run: bool = False) -> Receipt:
    """Receive one file of a laboratory into a season folder.

    The file is read to its end under the entry it would get before anything is written. Raises Unclear where
    only a person can know, PlateError or InputError where the file or the season cannot be used; then
    nothing was written.
    """
    options = options or Options()
    file = Path(file)
    season = read_season(folder, genotypes_come=True)
    root = season.config.root
    season, invented = _without_examples(season)
    known = known_season(season)
    kind = _kind(file)
    if kind in (FileKind.VCF, FileKind.BCF):
        understood = understand_variants(file, kind, known, options, shown_as=file.name)
    else:
        understood = understand_table(file, kind is FileKind.XLSX, known, options, shown_as=file.name)
    name = _place(root, file)
    entry: dict[str, Value] = {"batch": understood.batch, "path": f"genotypes/{name}", **understood.entry}
    lists = {}
    for key, pairs, what in (
        ("names", understood.samples, "sample"),
        ("marker_names", understood.markers, "marker"),
    ):
        if pairs:
            entry[key] = f"genotypes/{name.partition('.')[0]}_{key}.csv"
            lists[str(entry[key])] = list_text(pairs, what)
    if understood.batch in known.batches:
        raise UsageError.at(
            season.config.source.name,
            f"There is a batch {understood.batch} already.",
            "Choose another with --batch, the one that the sheets of wells name.",
            value=understood.batch,
        )
    notes = _tried(season, file, entry, understood)
    if dry_run:
        return Receipt(understood, entry, (), notes)
    return Receipt(understood, entry, _write(season, file, entry, lists, invented), notes)


def _without_examples(season: Season) -> tuple[Season, tuple[str, ...]]:
    """The season without the invented calls and markers of a new folder, and the batches of the calls."""
    invented = tuple(
        g.batch
        for g in season.config.genotypes
        if g.absent is None
        and g.file.stat().st_size < MOST_EXAMPLE
        and g.file.read_bytes() == example_calls().encode("utf-8")
    )
    kept = tuple(g for g in season.config.genotypes if g.batch not in invented)
    sheet = season.config.markers_file
    markers = season.markers
    if sheet is not None and sheet.is_file() and sheet.read_bytes() == example_markers().encode("utf-8"):
        markers = None
    return replace(season, config=replace(season.config, genotypes=kept), markers=markers), invented


def _kind(file: Path) -> FileKind:
    if not file.is_file():
        raise UsageError.at(str(file), "There is no such file.", "Check its name and folder.")
    try:
        return sniff(file, shown_as=file.name).kind
    except PlateError:
        # Text in another encoding is refused where nothing says which; here it is looked at first.
        with open(file, "rb") as handle:
            head = handle.read(1 << 16)
        if encodings_of(head[: len(head) // 2 * 2]) == (Encoding.UTF_16,):
            return FileKind.TABLE
        raise


def _place(root: Path, file: Path) -> str:
    """The name of the copy in genotypes/: the file's own, unless another file has it."""
    name = re.sub(r"[^\w.() +-]", "_", file.name)
    target = root / "genotypes" / name
    if target.exists() and not _same(target, file):
        stem, dot, ending = name.partition(".")
        n = 2
        while (root / "genotypes" / f"{stem}_{n}{dot}{ending}").exists():
            n += 1
        name = f"{stem}_{n}{dot}{ending}"
    return name


def _same(one: Path, other: Path) -> bool:
    return one.samefile(other) or one.read_bytes() == other.read_bytes()


def _tried(season: Season, file: Path, entry: dict[str, Value], understood: Understanding) -> tuple[str, ...]:
    """Read the file as its entry says; raises PlateError where that fails."""
    config = season.config
    tried = GenotypeFile(
        file=file,
        missing=tuple(dict.fromkeys((*config.missing, *_texts(entry.get("missing", ()))))),
        **{k: v for k, v in entry.items() if k not in ("missing", "names", "marker_names")},  # type: ignore[arg-type]
    )
    markers = dict(understood.markers)
    if season.markers is not None:
        markers = (
            other_names(season.markers["marker"].tolist(), season.markers["also_called"].tolist()) | markers
        )
    batch = read_batch(
        file,
        batch=tried.batch,
        layout=tried.layout,
        evidence=Evidence.AUTO,
        missing=tried.missing,
        counted_allele=tried.counted_allele,
        marker_sheet=season.markers,
        max_markers=config.max_markers,
        shown_as=file.name,
        sheet=tried.sheet,
        max_input_gb=config.max_input_gb,
        known_samples=set(season.samples["sample_id"]),
        shape=tried.shape,
        given=GivenNames(understood.samples, markers, entry.get("strand") == "other"),
        generic=entry.get("alleles") == "generic",
    )
    return batch.notes


def _texts(value: Value) -> tuple[str, ...]:
    return value if isinstance(value, tuple) else ()


def _write(
    season: Season,
    file: Path,
    entry: dict[str, Value],
    lists: dict[str, str],
    invented: tuple[str, ...],
) -> tuple[Path, ...]:
    """Copy the file, write its lists, and last of all the entry."""
    root, source = season.config.root, season.config.source
    before = source.read_bytes().decode("utf-8-sig")
    kept = before
    for batch in invented:
        kept = without_entry(kept, batch)
    text = with_entry(kept, entry, file=source.name)
    target = root / str(entry["path"])
    target.parent.mkdir(exist_ok=True)
    made: list[Path] = []
    try:
        if not target.exists():
            made.append(target)
            _copy(file, target)
        for name, content in lists.items():
            made.append(root / name)
            write_bytes(root / name, content.encode("utf-8"))
        write_bytes(source, text.encode("utf-8"))
        read_config(source)
    except BaseException:
        for path in made:
            path.unlink(missing_ok=True)
        if source.read_bytes().decode("utf-8-sig") != before:
            write_bytes(source, before.encode("utf-8"))
        raise
    return (*made, source)


def _copy(file: Path, target: Path) -> None:
    with put_in_place(target) as beside:
        shutil.copyfile(file, beside)
