"""Every file of the laboratory ends in the clean season, or in one message that only a person can answer.

The truth is the clean season itself, from which each file was made; all of it is invented.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

import pytest
from clean_season import BATCH, plate, write_clean
from ugly_files import KINDS, Sent

import crossproof
from crossproof.errors import InputError, PlateError, Severity
from crossproof.io.config.season_config import read_config
from crossproof.io.entry_reader import read_entry
from crossproof.io.records.season_records import read_season
from crossproof.receive.questions import Options, Unclear
from crossproof.receive.receive import Receipt, receive
from crossproof.steps.checking import check_season

_FIELDS = {"--names": "names", "--missing": "missing", "--counted-allele": "counted_allele"}


@dataclass(frozen=True)
class Post:
    """One file in the mail, and the season it is meant for."""

    season: Path
    folder: Path
    sent: Sent

    @property
    def file(self) -> Path:
        return self.folder / self.sent.name

    def receive(self, more: tuple[str, ...] = (), **how: bool) -> Receipt:
        words = [*self.sent.options, *more]
        said: dict[str, object] = {}
        for option, value in zip(words[::2], words[1::2], strict=True):
            key = _FIELDS.get(option, option.removeprefix("--"))
            said[key] = self.folder / value if key == "names" else (value,) if key == "missing" else value
        return receive(self.season, self.file, Options(**said), **how)  # type: ignore[arg-type]


def post(folder: Path, kind: str) -> Post:
    sent = KINDS[kind](plate())
    season = folder / "season"
    write_clean(season, received=False)
    for name, data in {sent.name: sent.data, **sent.beside}.items():
        (folder / name).write_bytes(data)
    return Post(season, folder, sent)


def calls(season: Path) -> dict[tuple[str, str], tuple[str, ...]]:
    """The calls of the second plate by sample and marker, as sets of alleles."""
    config = read_config(season)
    read = read_season(season)
    file = next(g for g in config.genotypes if g.batch == BATCH)
    batch = read_entry(config, file, read.markers, set(read.samples["sample_id"]))
    mine = set(plate().samples)
    at = dict(zip(zip(plate().chrom, plate().pos, strict=True), plate().markers, strict=True))
    names = [
        at[str(c), int(x)] if m == "." else str(m)
        for m, c, x in zip(batch.markers.ids, batch.markers.chrom, batch.markers.pos, strict=True)
    ]
    return {
        (sample, names[row]): tuple(
            sorted(batch.markers.alleles[row][a] for a in block.calls[j, i] if a >= 0)
        )
        for block in batch.blocks
        for j, row in enumerate(block.rows)
        for i, sample in enumerate(batch.samples)
        if sample in mine and (block.calls[j, i] >= 0).all()
    }


@pytest.fixture(scope="session")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("clean") / "season"
    write_clean(folder, received=True)
    return folder


def everything(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def received(item: Post) -> Receipt | None:
    """The receipt, after the one question that the kind may raise; None where it ends in a message."""
    before = everything(item.season)
    if not item.sent.ends_in:
        return item.receive()
    with pytest.raises((InputError, PlateError)) as refusal:
        item.receive()
    assert len(refusal.value.problems) == 1
    assert item.sent.ends_in in refusal.value.problems[0].sentence()
    assert everything(item.season) == before
    return item.receive(item.sent.settled_by) if item.sent.settled_by else None


def test_there_are_forty_kinds_and_most_end_in_verdicts() -> None:
    made = [KINDS[k](plate()) for k in KINDS]
    assert len(made) >= 40
    assert sum(not s.ends_in or bool(s.settled_by) for s in made) >= 55


@pytest.mark.parametrize("kind", KINDS)
def test_file_is_read_as_the_clean_one(kind: str, tmp_path: Path, clean: Path) -> None:
    item = post(tmp_path, kind)
    receipt = received(item)
    if receipt is None:
        return
    assert len(receipt.understood.said) <= 10
    assert calls(item.season) == calls(clean)
    copy = item.season / str(receipt.entry["path"])
    assert copy.read_bytes() == item.sent.data
    text = (item.season / "config.yaml").read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if "B002" not in line] == [
        line for line in (clean / "config.yaml").read_text().splitlines() if "B002" not in line
    ]


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_verdicts_are_the_clean_ones(kind: str, tmp_path: Path, clean: Path) -> None:
    item = post(tmp_path, kind)
    if received(item) is None:
        return
    assert verdicts(item.season) == verdicts(clean)


def verdicts(season: Path) -> bytes:
    text: str = crossproof.verify(season).to_csv(index=False)
    return text.encode()


def test_verdicts_by_the_command(tmp_path: Path, clean: Path) -> None:
    from click.testing import CliRunner

    from crossproof.cli import main

    item = post(tmp_path, "one_row_per_call_with_signals")
    run = CliRunner().invoke(main, ["receive", str(item.season), str(item.file)])
    assert run.exit_code == 0, run.output
    assert f"Next: crossproof check {shlex.quote(str(item.season))}" in run.output
    assert verdicts(item.season) == verdicts(clean)


def test_a_trial_writes_nothing(tmp_path: Path) -> None:
    item = post(tmp_path, "further_columns")
    before = everything(item.season)
    assert item.receive(dry_run=True).written == ()
    assert everything(item.season) == before


def test_the_same_file_again_is_refused_for_that_reason(tmp_path: Path) -> None:
    item = post(tmp_path, "plain_table")
    item.receive()
    with pytest.raises(Unclear, match="are in batch B002 already"):
        item.receive()


def test_a_lying_plate_is_told(tmp_path: Path) -> None:
    """Two plants whose wells in the file are each other's are named; the names are believed."""
    item = post(tmp_path, "own_names_with_plate_and_well")
    p = plate()
    rows = item.file.read_text().splitlines()
    rows = [rows[0], *(r.replace(f"BX{900 + i},", f"{p.samples[i]},", 1) for i, r in enumerate(rows[1:]))]
    a, b = f",{p.wells[9]},", f",{p.wells[10]},"
    rows[10], rows[11] = rows[10].replace(a, b, 1), rows[11].replace(b, a, 1)
    item.file.write_text("\n".join(rows))
    (misfit,) = item.receive(dry_run=True).understood.misfits
    assert misfit.count == 2
    assert "another well" in misfit.cause


def test_the_first_file_takes_the_place_of_the_invented_calls(tmp_path: Path) -> None:
    """A new folder with the sheets filled in: no line of config.yaml is written by hand."""
    from crossproof.season.templates import new_season

    season = tmp_path / "new season"
    new_season(season)
    item = post(tmp_path, "further_columns")
    sheet = (item.season / "samples" / f"{BATCH}.csv").read_text(encoding="utf-8").replace(BATCH, "B01")
    (season / "samples" / "plate1.csv").write_text(sheet, encoding="utf-8")
    for name in ("crosses.csv", "markers.csv"):
        (season / name).write_bytes((item.season / name).read_bytes())
    receipt = receive(season, item.file)
    assert receipt.entry["batch"] == "B01"
    config = read_config(season)
    assert [g.path for g in config.genotypes] == ["genotypes/plate2.csv"]
    assert not [p for p in check_season(season) if p.severity is Severity.ERROR]


@pytest.mark.parametrize("entries", ["genotypes: []\n", "genotypes:\n"])
def test_a_first_file_comes_into_a_season_that_names_none(tmp_path: Path, entries: str) -> None:
    """The invented calls were taken out by hand; the invented marker sheet still there is not heeded."""
    from crossproof.season.templates import new_season

    season = tmp_path / "new season"
    new_season(season)
    item = post(tmp_path, "further_columns")
    sheet = (item.season / "samples" / f"{BATCH}.csv").read_text(encoding="utf-8").replace(BATCH, "B01")
    (season / "samples" / "plate1.csv").write_text(sheet, encoding="utf-8")
    (season / "crosses.csv").write_bytes((item.season / "crosses.csv").read_bytes())
    (season / "genotypes" / "plate1.csv").unlink()
    config = season / "config.yaml"
    head, rest = config.read_text(encoding="utf-8").split("genotypes:\n", 1)
    config.write_text(head + entries + rest.split("\n", 1)[1], encoding="utf-8")
    receive(season, item.file)
    assert [g.path for g in read_config(season).genotypes] == [f"genotypes/{item.file.name}"]
