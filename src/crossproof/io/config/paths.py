"""The files that config.yaml names: they must exist and, unless allowed, lie in the season folder."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import Any

from crossproof.errors import error
from crossproof.io.problems import Problems
from crossproof.io.sheets.headings import nearest
from crossproof.text import shortened

ALL = object()
"""Stands for the word all while a configuration is read."""

NO_SUCH_FILE = "There is no such file."
_LEFT_OVER = ("~$", ".")
"""How names begin of lock and hidden files that office programs and systems leave behind."""


class Places:
    """Turns names of files into files.

    `given`: tables that come from elsewhere, whose files are not looked at.
    `wells_come`: a pattern of sheets of wells that no file fits is no fault.
    """

    def __init__(
        self,
        root: Path,
        problems: Problems,
        given: frozenset[str] = frozenset(),
        *,
        wells_come: bool = False,
    ) -> None:
        self.root, self.problems, self.given, self.wells_come = root, problems, given, wells_come

    def resolve(self, values: dict[str, Any]) -> None:
        """Replace names of files by files; those that are missing or lie outside are faults."""
        lines, outside = values.pop("_lines"), values["allow_outside"]
        for limit in ("max_markers", "max_markers_per_cross"):
            if values[limit] is ALL:
                values[limit] = None
        self._records(values, lines, outside)
        places: dict[Path, str] = {}
        for entry in values["genotypes"]:
            self._genotype_file(entry, entry.pop("_lines"), outside, places)

    def _records(self, values: dict[str, Any], lines: dict[str, int], outside: bool) -> None:
        """The season's sheets."""
        crosses = None
        if values["crosses"] and "crosses" not in self.given:
            crosses = self.one_file("crosses", values["crosses"], lines.get("crosses"), outside)
        values["crosses_file"] = crosses or Path()
        for name in ("markers", "corrections"):
            file = None
            if values[name] is not None and name not in self.given:
                file = self.one_file(name, values[name], lines.get(name), outside)
            elif name not in self.given and (self.root / f"{name}.csv").is_file():
                values[name], file = f"{name}.csv", self.root / f"{name}.csv"
            values[f"{name}_file"] = file
        patterns = () if "samples" in self.given else values["samples"]
        values["sample_files"] = self.sample_files(patterns, lines.get("samples"), outside)

    def _genotype_file(
        self, entry: dict[str, Any], lines: dict[str, int], outside: bool, places: dict[Path, str]
    ) -> None:
        """The files of one entry; `places`: genotype files named before, and their batches."""
        written, line = entry["path"], lines.get("path", lines["entry"])
        for key in ("names", "marker_names"):
            if entry[key]:
                entry[f"{key}_file"] = self.one_file(key, entry[key], lines.get(key), outside)
        if not written:
            return
        found = entry["file"] = self.inside("path", written, line, outside)
        if found is None:
            return
        shown = shortened(written)
        if not self.is_file(found):
            remedy = self.where_it_may_be(written, found)
            absent = error(self.problems.file, NO_SUCH_FILE, remedy, row=line, column="path", value=shown)
            if self.is_gone(found):
                # The other files can go on without it, as without one that cannot be read.
                entry["absent"] = absent
            else:
                self.problems.extend([absent])
            return
        if not os.access(found, os.R_OK):
            why = "You do not have permission to read the file."
            entry["absent"] = error(
                self.problems.file, why, "Ask for it.", row=line, column="path", value=shown
            )
        place = found.resolve()
        if place in places:
            self.problems.error(
                f"This file is already named for batch {places[place]!r}.",
                "Name each genotype file once.",
                row=line,
                column="path",
                value=written,
            )
        places.setdefault(place, entry["batch"])

    def one_file(self, column: str, written: str, line: int | None, outside: bool) -> Path | None:
        path = self.inside(column, written, line, outside)
        if path is None:
            return None
        if self.is_file(path):
            return path
        self.problems.error(
            NO_SUCH_FILE, self.where_it_may_be(written, path), row=line, column=column, value=written
        )
        return None

    def where_it_may_be(self, written: str, path: Path) -> str:
        """What to do about a file that is not there."""
        if "\\" in written:
            remedy = f"Write the path with forward slashes: {written.replace(chr(92), '/')}."
        elif any(c in written for c in "*?["):
            remedy = "Name one file here; * and ? are only for the list of samples."
        elif path.is_dir():
            remedy = "Name the file, not its folder."
        elif os.path.lexists(path):
            remedy = f"What has this name is {_kind(path)}; put the file itself there."
        else:
            beside = [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []
            close = nearest(path.name, beside)
            remedy = (
                f"Did you mean {(Path(written).parent / close).as_posix()!r}?"
                if close
                else "Put the file there, or correct the path; paths count from the folder of config.yaml."
            )
        return remedy

    def is_file(self, path: Path) -> bool:
        """Whether there is such a file that may be looked at."""
        try:
            return path.is_file()
        except (OSError, ValueError):
            return False

    def is_gone(self, path: Path) -> bool:
        """Whether nothing of this name is there; a folder, or what may not be looked at, is something."""
        try:
            return not path.exists()
        except (OSError, ValueError):
            return False

    def inside(
        self, column: str, written: str, line: int | None, outside: bool, shown: str | None = None
    ) -> Path | None:
        """The path, unless it leaves the season folder by its text or through a link."""
        shown = written if shown is None else shown
        too_long = len(written) > 4000 or any(len(os.fsencode(p)) > 255 for p in written.split("/"))
        if too_long or not written.isprintable():
            self.problems.error(
                "No file can have such a name.", "Type the path again.", row=line, column=column, value=shown
            )
            return None
        path = self.root / written
        if outside:
            return path
        root = os.path.realpath(self.root)
        for candidate in (os.path.normpath(os.path.abspath(path)), os.path.realpath(path)):
            base = root if candidate == os.path.realpath(path) else os.path.abspath(self.root)
            if candidate != base and not candidate.startswith(base.rstrip(os.sep) + os.sep):
                self.problems.error(
                    "This path leads out of the season folder.",
                    "Copy the file into the season folder, or set allow_outside: true in config.yaml.",
                    row=line,
                    column=column,
                    value=shown,
                )
                return None
        return path

    def sample_files(self, patterns: tuple[str, ...], line: int | None, outside: bool) -> tuple[Path, ...]:
        """The sheets of wells, each once however many names and patterns fit it."""
        found: dict[str, Path] = {}
        for pattern in patterns:
            if not any(c in pattern for c in "*?[") or self.is_file(self.root / pattern):
                path = self.one_file("samples", pattern, line, outside)
                matches = [path] if path is not None else []
            else:
                matches = self._matches(pattern, line, outside)
            for path in matches:
                if self.inside("samples", os.path.relpath(path, self.root), line, outside) is not None:
                    found.setdefault(os.path.realpath(path), path)
        return tuple(sorted(found.values(), key=lambda p: p.as_posix()))

    def _matches(self, pattern: str, line: int | None, outside: bool) -> list[Path]:
        """Files whose names fit a pattern."""
        fixed = re.split(r"[*?\[]", pattern, maxsplit=1)[0]
        climbs = not outside and ".." in Path(pattern).parts
        if self.inside("samples", ".." if climbs else fixed, line, outside, pattern) is None:
            return []
        base = Path(pattern).anchor
        try:
            named = sorted((Path(base) if base else self.root).glob(pattern[len(base) :]))
        except ValueError:
            named = []  # such as ** inside a name
        named = [p for p in named if not p.name.startswith(_LEFT_OVER)]
        matches = [p for p in named if self.is_file(p)]
        for dead in (p for p in named if not self.is_file(p) and not p.is_dir()):
            self.problems.error(
                f"This is {_kind(dead)}, not a sheet of wells.",
                "Put the sheet itself there, or delete it.",
                row=line,
                column="samples",
                value=os.path.relpath(dead, self.root),
            )
        if not matches and not self.wells_come:
            self.problems.error(
                "No file has a name like this.",
                "Put the sheets of wells there, or correct the pattern; * matches any text.",
                row=line,
                column="samples",
                value=pattern,
            )
        return matches


def _kind(path: Path) -> str:
    """What a name stands for that is neither file nor folder."""
    if path.is_symlink():
        try:
            path.resolve(strict=True)
        except (OSError, RuntimeError):
            return "a link that leads to no file"
    try:
        mode = path.stat().st_mode
    except OSError:
        return "a file that cannot be accessed"
    if stat.S_ISFIFO(mode):
        return "a pipe"
    return "a device" if not stat.S_ISREG(mode) else "a file"
