"""The settings of config.yaml, each read as it is declared; whatever is wrong with them is collected."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from crossproof.errors import Problem, error
from crossproof.io.config import yaml_text
from crossproof.io.config.paths import ALL
from crossproof.io.sheets.columns import TABLES
from crossproof.io.sheets.headings import heading_key, nearest
from crossproof.model.declaration import GENOTYPE_KEYS, Setting, ValueKind
from crossproof.text import shortened


def _holds_nothing(node: yaml_text.Node) -> bool:
    empty = isinstance(node, yaml_text.Scalar) and node.empty
    return empty or (isinstance(node, yaml_text.Sequence) and not node.items)


class SettingReader:
    """Turns YAML nodes into declared values and collects what is wrong with them."""

    def __init__(self, root: Path, file: str, genotypes_come: bool = False) -> None:
        self.root, self.file, self.genotypes_come = root, file, genotypes_come
        self.problems: list[Problem] = []
        self.lines: dict[str, int] = {}

    def fault(self, line: int | None, column: str, value: object, problem: str, remedy: str) -> None:
        shown = shortened(str(value))
        self.problems.append(error(self.file, problem, remedy, row=line, column=column, value=shown))

    def mapping(self, node: yaml_text.Mapping, declared: tuple[Setting, ...], inside: str) -> dict[str, Any]:
        known = {s.name: s for s in declared}
        values: dict[str, Any] = {s.name: s.default for s in declared}
        values["_lines"] = {}
        seen: set[str] = set()
        for key, value in node.items:
            setting = known.get(key.text)
            if setting is None:
                close = nearest(key.text, known)
                self.fault(
                    key.line,
                    inside,
                    key.text,
                    f"There is no setting called {key.text!r}.",
                    f"Did you mean {close!r}?" if close else f"Use one of: {', '.join(known)}.",
                )
                continue
            seen.add(setting.name)
            values["_lines"][setting.name] = value.line
            if setting.name == "genotypes" and self.genotypes_come and _holds_nothing(value):
                values[setting.name] = ()
                continue
            if isinstance(value, yaml_text.Scalar) and value.empty:
                if setting.required:
                    self.fault(key.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
                continue
            found = self.value(setting, value)
            if found == "" and setting.required:
                self.fault(key.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
            elif found is not None:
                values[setting.name] = found
        for setting in declared:
            if setting.required and setting.name not in seen:
                where = node.line if inside else None
                self.fault(where, setting.name, "", f"{setting.name!r} is not given.", _needed(setting))
        return values

    def value(self, setting: Setting, node: yaml_text.Node) -> Any:
        """The value of one setting, or None after a fault."""
        kind = setting.kind
        if kind is ValueKind.GENOTYPES:
            return self.genotypes(node)
        if kind is ValueKind.HEADINGS:
            return self.headings(node)
        if kind in (ValueKind.PATHS, ValueKind.TEXTS, ValueKind.PRIOR):
            return self.several(setting, node)
        if not isinstance(node, yaml_text.Scalar):
            self.fault(
                node.line,
                setting.name,
                "",
                f"{setting.name!r} takes one value, not a list or a group of settings.",
                f"Write {setting.name}: followed by {setting.allowed}.",
            )
            return None
        if kind in (ValueKind.PATH, ValueKind.TEXT):
            return node.text.strip()
        if kind is ValueKind.CHOICE:
            return self.choice(setting, node)
        if kind is ValueKind.YES_NO:
            word = node.text.casefold()
            if word in ("true", "yes"):
                return True
            if word in ("false", "no"):
                return False
            self.fault(
                node.line, setting.name, node.text, "This is neither true nor false.", "Write true or false."
            )
            return None
        if kind is ValueKind.LIMIT and node.text.casefold() == "all":
            return ALL
        number = self.number(setting, node)
        if number is None or kind is ValueKind.NUMBER:
            return number
        if number != int(number):
            self.fault(
                node.line, setting.name, node.text, "This is not a whole number.", f"Give {setting.allowed}."
            )
            return None
        return int(number)

    def number(self, setting: Setting, node: yaml_text.Scalar) -> float | None:
        text = node.text.strip().replace("_", "") if not node.quoted else node.text.strip()
        if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", text):
            remedy = f"Give {setting.allowed}."
            if re.fullmatch(r"[+-]?\d+,\d+", text):
                remedy = f"Write the decimal point as a point: {text.replace(',', '.')}."
            elif match := re.fullmatch(r"(\d+(?:\.\d+)?)\s*%", text):
                remedy = f"Write the share as a number: {float(match.group(1)) / 100:g}."
            self.fault(node.line, setting.name, node.text, "This is not a number.", remedy)
            return None
        number = float(text)
        low, high = setting.low, setting.high
        too_low = low is not None and (number < low or (setting.above and number == low))
        if too_low or (high is not None and number > high) or not math.isfinite(number):
            remedy = f"Give {setting.allowed}."
            if high == 1 or (high is not None and 0.9 <= high < 1):
                if 1 < number <= 100:
                    remedy += f" For {number:g} per cent write {number / 100:g}."
            self.fault(node.line, setting.name, node.text, "This value is out of range.", remedy)
            return None
        return number

    def choice(self, setting: Setting, node: yaml_text.Scalar) -> str | None:
        word = node.text.strip().casefold().replace("_", "-")
        if word in setting.choices:
            return word
        close = nearest(word, setting.choices)
        self.fault(
            node.line,
            setting.name,
            node.text,
            f"{node.text!r} is not one of the allowed words.",
            (f"Did you mean {close!r}? " if close else "") + f"Allowed: {', '.join(setting.choices)}.",
        )
        return None

    def several(self, setting: Setting, node: yaml_text.Node) -> tuple[Any, ...] | None:
        if isinstance(node, yaml_text.Scalar) and setting.kind is not ValueKind.PRIOR:
            nodes: tuple[yaml_text.Node, ...] = (node,)
        elif isinstance(node, yaml_text.Sequence):
            nodes = node.items
        else:
            self.fault(
                node.line,
                setting.name,
                "",
                f"{setting.name!r} takes a list.",
                f"Write {setting.name}: [..., ...] with {setting.kind}.",
            )
            return None
        scalars = [n for n in nodes if isinstance(n, yaml_text.Scalar)]
        if len(scalars) != len(nodes):
            self.fault(
                node.line,
                setting.name,
                "",
                "The list holds something other than plain values.",
                f"Give {setting.kind}.",
            )
            return None
        if setting.kind is not ValueKind.PRIOR:
            if setting.required and not any(n.text.strip() for n in scalars):
                self.fault(node.line, setting.name, "", f"{setting.name!r} is empty.", _needed(setting))
                return None
            return tuple(n.text.strip() for n in scalars)
        numbers = [self.number(setting, n) for n in scalars]
        if len(numbers) != 4:
            self.fault(
                node.line,
                setting.name,
                len(numbers),
                f"{len(numbers)} numbers are given where 4 are needed.",
                "Give four numbers above 0: hybrid, self, outcross, off_pedigree, such as [6, 3, 0.8, 0.2].",
            )
            return None
        return None if any(n is None for n in numbers) else tuple(numbers)

    def genotypes(self, node: yaml_text.Node) -> tuple[dict[str, Any], ...] | None:
        how = "Write one line per file, such as: - {batch: B01, path: genotypes/plate1.vcf.gz}"
        if not isinstance(node, yaml_text.Sequence) or not node.items:
            self.fault(node.line, "genotypes", "", "'genotypes' takes a list of files.", how)
            return None
        entries: list[dict[str, Any]] = []
        lines: dict[str, int] = {}
        for item in node.items:
            if not isinstance(item, yaml_text.Mapping):
                text = item.text if isinstance(item, yaml_text.Scalar) else ""
                self.fault(item.line, "genotypes", text, "This entry lacks a batch name and a path.", how)
                continue
            entry = self.mapping(item, GENOTYPE_KEYS, "genotypes")
            batch, key = entry["batch"], entry["batch"].casefold()
            entry["_lines"]["entry"] = item.line
            if batch and key in lines:
                self.fault(
                    item.line,
                    "batch",
                    batch,
                    f"The batch name {batch!r} appears twice; the first is on line {lines[key]}.",
                    "Give each genotype file a batch name of its own.",
                )
            elif not batch.isprintable():
                self.fault(
                    item.line,
                    "batch",
                    batch,
                    "This batch name holds a line break or another character that cannot be shown.",
                    "Use letters, digits, - and _.",
                )
            lines.setdefault(key, item.line)
            entries.append(entry)
        return tuple(entries)

    def headings(self, node: yaml_text.Node) -> dict[str, dict[str, str]] | None:
        how = "Write columns: {your heading: our name}, such as columns: {Tag no: cross_id}."
        if not isinstance(node, yaml_text.Mapping):
            self.fault(node.line, "columns", "", "'columns' takes headings and our names for them.", how)
            return None
        found: dict[str, dict[str, str]] = {}
        for key, value in node.items:
            if isinstance(value, yaml_text.Mapping):
                if key.text not in TABLES:
                    close = nearest(key.text, TABLES)
                    self.fault(
                        key.line,
                        "columns",
                        key.text,
                        f"There is no sheet called {key.text!r}.",
                        f"Use one of: {', '.join(TABLES)}." + (f" Did you mean {close!r}?" if close else ""),
                    )
                    continue
                for heading, name in value.items:
                    self.heading(found.setdefault(key.text, {}), heading, name, TABLES[key.text].names)
            else:
                every = tuple(dict.fromkeys(n for t in TABLES.values() for n in t.names))
                self.heading(found.setdefault("", {}), key, value, every)
        return found

    def heading(
        self, into: dict[str, str], heading: yaml_text.Scalar, node: yaml_text.Node, known: tuple[str, ...]
    ) -> None:
        name = heading_key(node.text) if isinstance(node, yaml_text.Scalar) else ""
        if name not in known:
            shown = node.text if isinstance(node, yaml_text.Scalar) else ""
            close = nearest(shown, known) if shown else ""
            turned = heading_key(heading.text) in known
            self.fault(
                heading.line,
                "columns",
                shown,
                f"{shown!r} is not a column that crossproof knows.",
                (
                    f"Turn the pair round: {shown}: {heading.text}."
                    if turned and shown
                    else f"Did you mean {close!r}?"
                    if close
                    else f"Use one of: {', '.join(known)}."
                ),
            )
            return
        into[heading_key(heading.text)] = name


def _needed(setting: Setting) -> str:
    return f"Add {setting.name}: {setting.meaning}."
