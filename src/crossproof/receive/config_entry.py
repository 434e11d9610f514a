"""A new entry in config.yaml, with all remarks and the order of lines kept."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

import yaml

from crossproof.errors import UsageError

_PLAIN = re.compile(r"^[A-Za-z_][A-Za-z0-9_./-]*( [A-Za-z0-9_./-]+)*$")
_WORDS = frozenset({"true", "false", "yes", "no", "on", "off", "null", "y", "n"})


def entry_text(entry: Mapping[str, object]) -> str:
    """One entry as one line of YAML."""
    return "{" + ", ".join(f"{key}: {_value(value)}" for key, value in entry.items()) + "}"


def _value(value: object) -> str:
    if isinstance(value, int):
        return str(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    text = str(value)
    # JSON's way to quote is valid in YAML, and shows every odd character.
    plain = _PLAIN.match(text) and text.casefold() not in _WORDS
    return text if plain else json.dumps(text, ensure_ascii=False)


def with_entry(text: str, entry: Mapping[str, object], *, file: str) -> str:
    """The text of config.yaml with a further entry under genotypes.

    Raises UsageError where the entry cannot be put there safely.
    """
    line = entry_text(entry)
    new = _inserted(text, line)
    before, after = _plain(text), _plain(new) if new is not None else None
    expected = {**before, "genotypes": [*(before.get("genotypes") or []), _plain(line)]}
    if new is None or after != expected:
        raise UsageError.at(
            file,
            "The entry could not be put into config.yaml without changing something else.",
            f"Add this line under genotypes yourself:  - {line}",
        )
    return new


def without_entry(text: str, batch: str) -> str:
    """The text of config.yaml without the entry of one batch; unchanged where that has no line of its own."""
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    node = next((v for k, v in root.value if k.value == "genotypes"), None)
    for item in getattr(node, "value", ()):
        keys = {k.value: v.value for k, v in item.value}
        if keys.get("batch") != batch or item.start_mark.line != item.end_mark.line:
            continue
        lines = text.splitlines(keepends=True)
        line = lines[item.start_mark.line]
        if line.lstrip().startswith("- {"):
            return "".join(lines[: item.start_mark.line] + lines[item.start_mark.line + 1 :])
    return text


def _plain(text: str) -> Any:
    # Scalars stay text, so that what is compared is what was written.
    texts = yaml.BaseLoader(text)  # every value as it is written
    try:
        return texts.get_single_data() or {}
    finally:
        texts.dispose()


def _inserted(text: str, line: str) -> str | None:
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    end = "\r\n" if "\r\n" in text else "\n"
    if root is None or not isinstance(root, yaml.MappingNode):
        return None
    node = next((v for k, v in root.value if k.value == "genotypes"), None)
    if node is None:
        return text + ("" if text.endswith("\n") or not text else end) + f"genotypes:{end}  - {line}{end}"
    if not isinstance(node, yaml.SequenceNode):
        at = node.start_mark.index
        return text[:at].rstrip(" ") + f"{end}  - {line}" + text[node.end_mark.index :]
    if node.flow_style:
        close = node.end_mark.index - 1
        comma = ", " if node.value else ""
        return text[:close].rstrip() + comma + line + text[close:]
    last = _end_of(node.value[-1])
    stop = text.find("\n", last)
    stop = len(text) if stop < 0 else stop + 1
    indent = " " * node.start_mark.column
    head = text[:stop] if text[:stop].endswith("\n") else text[:stop] + end
    return f"{head}{indent}- {line}{end}{text[stop:]}"


def _end_of(node: yaml.Node) -> int:
    """Where the last character of a node stands; a block node's mark stands behind the remarks after it."""
    if isinstance(node, yaml.ScalarNode) or getattr(node, "flow_style", False):
        return int(node.end_mark.index)
    children = [n for pair in node.value for n in (pair if isinstance(pair, tuple) else (pair,))]
    return max((_end_of(c) for c in children), default=int(node.start_mark.index))
