"""The settings of config.yaml, each read as it is declared; whatever is wrong with them is collected."""

from __future__ import annotations

import math
import re
from typing import Any

from crossproof.io.config import yaml_text
from crossproof.io.config.paths import ALL
from crossproof.io.problems import Problems
from crossproof.io.sheets.columns import TABLES
from crossproof.io.sheets.headings import heading_key, nearest
from crossproof.model.declaration import GENOTYPE_KEYS, Setting, ValueKind


def _holds_nothing(node: yaml_text.Node) -> bool:
    empty = isinstance(node, yaml_text.Scalar) and node.empty
    return empty or (isinstance(node, yaml_text.Sequence) and not node.items)


class SettingReader:
    """Turns YAML nodes into declared values and collects what is wrong with them."""

    def __init__(self, problems: Problems, genotypes_come: bool = False) -> None:
        self.problems, self.genotypes_come = problems, genotypes_come

    def mapping(self, node: yaml_text.Mapping, declared: tuple[Setting, ...], inside: str) -> dict[str, Any]:
        """Values by setting, and under `_lines` where each stands; `inside`: whose entry this is."""
        known = {s.name: s for s in declared}
        values: dict[str, Any] = {s.name: s.default for s in declared}
        lines: dict[str, int] = {}
        for key, value in node.items:
            setting = known.get(key.text)
            if setting is None:
                close = nearest(key.text, known)
                self.problems.error(
                    f"There is no setting called {key.text!r}.",
                    f"Did you mean {close!r}?" if close else f"Use one of: {', '.join(known)}.",
                    row=key.line,
                    column=inside,
                    value=key.text,
                )
                continue
            lines[setting.name] = value.line
            found = self.given(setting, key.line, value)
            if found is not None:
                values[setting.name] = found
        for setting in declared:
            if setting.required and setting.name not in lines:
                self._lacks(setting, "is not given", node.line if inside else None)
        return values | {"_lines": lines}

    def given(self, setting: Setting, line: int, node: yaml_text.Node) -> Any:
        """The value of a setting that is named on a line, or None where its default stands."""
        if setting.name == "genotypes" and self.genotypes_come and _holds_nothing(node):
            return ()
        empty = isinstance(node, yaml_text.Scalar) and node.empty
        found = None if empty else self.value(setting, node)
        if setting.required and (empty or found == ""):
            self._lacks(setting, "is empty", line)
            return None
        return found

    def _lacks(self, setting: Setting, what: str, line: int | None) -> None:
        remedy = f"Add {setting.name}: {setting.meaning}."
        self.problems.error(f"{setting.name!r} {what}.", remedy, row=line, column=setting.name)

    def _wrong(self, setting: Setting, node: yaml_text.Scalar, problem: str, remedy: str) -> None:
        self.problems.error(problem, remedy, row=node.line, column=setting.name, value=node.text)

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
            self.problems.error(
                f"{setting.name!r} takes one value, not a list or a group of settings.",
                f"Write {setting.name}: followed by {setting.allowed}.",
                row=node.line,
                column=setting.name,
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
            self._wrong(setting, node, "This is neither true nor false.", "Write true or false.")
            return None
        if kind is ValueKind.LIMIT and node.text.casefold() == "all":
            return ALL
        number = self.number(setting, node)
        if number is None or kind is ValueKind.NUMBER:
            return number
        if number != int(number):
            self._wrong(setting, node, "This is not a whole number.", f"Give {setting.allowed}.")
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
            self._wrong(setting, node, "This is not a number.", remedy)
            return None
        number = float(text)
        low, high = setting.low, setting.high
        too_low = low is not None and (number < low or (setting.above and number == low))
        if too_low or (high is not None and number > high) or not math.isfinite(number):
            remedy = f"Give {setting.allowed}."
            if high == 1 or (high is not None and 0.9 <= high < 1):
                if 1 < number <= 100:
                    remedy += f" For {number:g} per cent write {number / 100:g}."
            self._wrong(setting, node, "This value is out of range.", remedy)
            return None
        return number

    def choice(self, setting: Setting, node: yaml_text.Scalar) -> str | None:
        word = node.text.strip().casefold().replace("_", "-")
        if word in setting.choices:
            return word
        close = nearest(word, setting.choices)
        self._wrong(
            setting,
            node,
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
            self.problems.error(
                f"{setting.name!r} takes a list.",
                f"Write {setting.name}: [..., ...] with {setting.kind}.",
                row=node.line,
                column=setting.name,
            )
            return None
        scalars = [n for n in nodes if isinstance(n, yaml_text.Scalar)]
        if len(scalars) != len(nodes):
            self.problems.error(
                "The list holds something other than plain values.",
                f"Give {setting.kind}.",
                row=node.line,
                column=setting.name,
            )
            return None
        if setting.kind is not ValueKind.PRIOR:
            if setting.required and not any(n.text.strip() for n in scalars):
                self._lacks(setting, "is empty", node.line)
                return None
            return tuple(n.text.strip() for n in scalars)
        numbers = [self.number(setting, n) for n in scalars]
        if len(numbers) != 4:
            self.problems.error(
                f"{len(numbers)} numbers are given where 4 are needed.",
                "Give four numbers above 0: hybrid, self, outcross, off_pedigree, such as [6, 3, 0.8, 0.2].",
                row=node.line,
                column=setting.name,
                value=len(numbers),
            )
            return None
        return None if any(n is None for n in numbers) else tuple(numbers)

    def genotypes(self, node: yaml_text.Node) -> tuple[dict[str, Any], ...] | None:
        how = "Write one line per file, such as: - {batch: B01, path: genotypes/plate1.vcf.gz}"
        if not isinstance(node, yaml_text.Sequence) or not node.items:
            self.problems.error("'genotypes' takes a list of files.", how, row=node.line, column="genotypes")
            return None
        entries: list[dict[str, Any]] = []
        lines: dict[str, int] = {}
        for item in node.items:
            if not isinstance(item, yaml_text.Mapping):
                text = item.text if isinstance(item, yaml_text.Scalar) else ""
                self.problems.error(
                    "This entry lacks a batch name and a path.",
                    how,
                    row=item.line,
                    column="genotypes",
                    value=text,
                )
                continue
            entry = self.mapping(item, GENOTYPE_KEYS, "genotypes")
            batch, key = entry["batch"], entry["batch"].casefold()
            entry["_lines"]["entry"] = item.line
            if batch and key in lines:
                self.problems.error(
                    f"The batch name {batch!r} appears twice; the first is on line {lines[key]}.",
                    "Give each genotype file a batch name of its own.",
                    row=item.line,
                    column="batch",
                    value=batch,
                )
            elif not batch.isprintable():
                self.problems.error(
                    "This batch name holds a line break or another character that cannot be shown.",
                    "Use letters, digits, - and _.",
                    row=item.line,
                    column="batch",
                    value=batch,
                )
            lines.setdefault(key, item.line)
            entries.append(entry)
        return tuple(entries)

    def headings(self, node: yaml_text.Node) -> dict[str, dict[str, str]] | None:
        how = "Write columns: {your heading: our name}, such as columns: {Tag no: cross_id}."
        if not isinstance(node, yaml_text.Mapping):
            self.problems.error(
                "'columns' takes headings and our names for them.", how, row=node.line, column="columns"
            )
            return None
        found: dict[str, dict[str, str]] = {}
        for key, value in node.items:
            if isinstance(value, yaml_text.Mapping):
                if key.text not in TABLES:
                    close = nearest(key.text, TABLES)
                    self.problems.error(
                        f"There is no sheet called {key.text!r}.",
                        f"Use one of: {', '.join(TABLES)}." + (f" Did you mean {close!r}?" if close else ""),
                        row=key.line,
                        column="columns",
                        value=key.text,
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
            self.problems.error(
                f"{shown!r} is not a column that crossproof knows.",
                f"Turn the pair round: {shown}: {heading.text}."
                if turned and shown
                else f"Did you mean {close!r}?"
                if close
                else f"Use one of: {', '.join(known)}.",
                row=heading.line,
                column="columns",
                value=shown,
            )
            return
        into[heading_key(heading.text)] = name
