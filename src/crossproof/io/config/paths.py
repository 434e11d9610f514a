"""The files that config.yaml names: they must exist and, unless allowed, lie in the season folder."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

from crossproof.io.sheets.headings import nearest

ALL = object()
"""Stands for the word all while a configuration is read."""

NO_SUCH_FILE = "There is no such file."


class Places:
    """Turns names of files into files; `fault` hears line, column, value, problem and remedy.

    `given`: tables that come from elsewhere, whose files are not looked at.
    `wells_come`: a pattern of sheets of wells that no file fits is no fault.
    """

    def __init__(
        self,
        root: Path,
        fault: Callable[[int | None, str, object, str, str], None],
        given: frozenset[str] = frozenset(),
        *,
        wells_come: bool = False,
    ) -> None:
        self.root, self.fault, self.given, self.wells_come = root, fault, given, wells_come

    def resolve(self, values: dict[str, Any]) -> None:
        """Replace names of files by files; those that are missing or lie outside are faults."""
        lines, outside = values.pop("_lines"), values["allow_outside"]
        for limit in ("max_markers", "max_markers_per_cross"):
            if values[limit] is ALL:
                values[limit] = None
        values["crosses_file"] = Path()
        if values["crosses"] and "crosses" not in self.given:
            found = self.one_file("crosses", values["crosses"], lines.get("crosses"), outside)
            values["crosses_file"] = found or Path()
        for name in ("markers", "corrections"):
            written = values[name]
            if name in self.given:
                values[f"{name}_file"] = None
            elif written is None:
                standard = self.root / f"{name}.csv"
                values[f"{name}_file"] = standard if standard.is_file() else None
                values[name] = standard.name if standard.is_file() else None
            else:
                values[f"{name}_file"] = self.one_file(name, written, lines.get(name), outside)
        values["sample_files"] = (
            ()
            if "samples" in self.given
            else self.sample_files(values["samples"], lines.get("samples"), outside)
        )
        places: dict[Path, str] = {}
        for entry in values["genotypes"]:
            entry_lines = entry.pop("_lines")
            line = entry_lines.get("path", entry_lines["entry"])
            for key in ("names", "marker_names"):
                if entry[key]:
                    where = entry_lines.get(key)
                    entry[f"{key}_file"] = self.one_file(key, entry[key], where, outside)
            if not entry["path"]:
                continue
            found = self.inside("path", entry["path"], line, outside)
            entry["file"] = found
            if found is None:
                continue
            if not self.is_file(found):
                remedy = self.where_it_may_be(entry["path"], found)
                if self.is_gone(found):
                    # The other files can go on without it, as without one that cannot be read.
                    entry["absent"] = (line, NO_SUCH_FILE, remedy)
                else:
                    self.fault(line, "path", entry["path"], NO_SUCH_FILE, remedy)
                continue
            if not os.access(found, os.R_OK):
                entry["absent"] = (line, "You do not have permission to read the file.", "Ask for it.")
            place = found.resolve()
            if place in places:
                self.fault(
                    line,
                    "path",
                    entry["path"],
                    f"This file is already named for batch {places[place]!r}.",
                    "Name each genotype file once.",
                )
            places.setdefault(place, entry["batch"])

    def one_file(self, column: str, written: str, line: int | None, outside: bool) -> Path | None:
        path = self.inside(column, written, line, outside)
        if path is None:
            return None
        if self.is_file(path):
            return path
        self.fault(line, column, written, NO_SUCH_FILE, self.where_it_may_be(written, path))
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
            self.fault(line, column, shown, "No file can have such a name.", "Type the path again.")
            return None
        path = self.root / written
        if outside:
            return path
        root = os.path.realpath(self.root)
        for candidate in (os.path.normpath(os.path.abspath(path)), os.path.realpath(path)):
            base = root if candidate == os.path.realpath(path) else os.path.abspath(self.root)
            if candidate != base and not candidate.startswith(base.rstrip(os.sep) + os.sep):
                self.fault(
                    line,
                    column,
                    shown,
                    "This path leads out of the season folder.",
                    "Copy the file into the season folder, or set allow_outside: true in config.yaml.",
                )
                return None
        return path

    def sample_files(self, patterns: tuple[str, ...], line: int | None, outside: bool) -> tuple[Path, ...]:
        found: dict[str, Path] = {}
        for pattern in patterns:
            if not any(c in pattern for c in "*?[") or self.is_file(self.root / pattern):
                path = self.one_file("samples", pattern, line, outside)
                matches = [path] if path is not None else []
            else:
                fixed = re.split(r"[*?\[]", pattern, maxsplit=1)[0]
                climbs = not outside and ".." in Path(pattern).parts
                if self.inside("samples", ".." if climbs else fixed, line, outside, pattern) is None:
                    continue
                base = Path(pattern).anchor
                start = Path(base) if base else self.root
                relative = pattern[len(base) :] if base else pattern
                try:
                    named = [p for p in start.glob(relative) if not _left_over(p.name)]
                except ValueError:
                    named = []  # such as ** inside a name
                matches = sorted(p for p in named if self.is_file(p))
                for dead in sorted(p for p in named if not self.is_file(p) and not p.is_dir()):
                    self.fault(
                        line,
                        "samples",
                        os.path.relpath(dead, self.root),
                        f"This is {_kind(dead)}, not a sheet of wells.",
                        "Put the sheet itself there, or delete it.",
                    )
                if not matches and not self.wells_come:
                    self.fault(
                        line,
                        "samples",
                        pattern,
                        "No file has a name like this.",
                        "Put the sheets of wells there, or correct the pattern; * matches any text.",
                    )
            for path in matches:
                if self.inside("samples", os.path.relpath(path, self.root), line, outside) is not None:
                    found.setdefault(os.path.realpath(path), path)
        return tuple(sorted(found.values(), key=lambda p: p.as_posix()))


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


def _left_over(name: str) -> bool:
    """Lock and hidden files that office programs and systems leave behind."""
    return name.startswith(("~$", "."))
