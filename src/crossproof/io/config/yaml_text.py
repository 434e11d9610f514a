"""YAML as plain data with line numbers: no objects, no references, no duplicate keys.

Scalars stay the text that was written, so that a batch called 007 or a missing code NO keeps its spelling;
what a text means is decided where its key is declared.
"""

from __future__ import annotations

from dataclasses import dataclass

import yaml

from crossproof.errors import InputError
from crossproof.io.problems import Problems

MAX_BYTES = 1_000_000
MAX_DEPTH = 12


@dataclass(frozen=True)
class Scalar:
    """One value as written; `quoted` tells "" from nothing."""

    text: str
    line: int
    quoted: bool

    @property
    def empty(self) -> bool:
        """Whether nothing was written."""
        return not self.quoted and self.text in ("", "~", "null", "Null", "NULL")


@dataclass(frozen=True)
class Sequence:
    """A list; `line` is where it begins."""

    items: tuple[Node, ...]
    line: int


@dataclass(frozen=True)
class Mapping:
    """Keys and values, in the order written."""

    items: tuple[tuple[Scalar, Node], ...]
    line: int


Node = Scalar | Sequence | Mapping

_PLAIN_TAGS = frozenset(
    f"tag:yaml.org,2002:{t}" for t in ("str", "int", "float", "bool", "null", "timestamp", "seq", "map")
)


def read_yaml(data: bytes, *, file: str) -> Mapping:
    """Read one YAML document whose top level is a mapping.

    Raises InputError with the line of whatever cannot be used.
    """
    if len(data) > MAX_BYTES:
        raise InputError.at(file, "The file is larger than 1 MB.", "Name the configuration file.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as fault:
        row: int | None = data[: fault.start].count(b"\n") + 1
        raise InputError.at(
            file, "The file is not UTF-8 text from this line on.", "Save the file as UTF-8 text.", row=row
        ) from None
    try:
        _refuse_hostile(text, file)
        root = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as fault:
        mark = fault.problem_mark or fault.context_mark
        row = mark.line + 1 if mark else None
        lines = text.splitlines()
        shown = lines[row - 1].strip() if row and row <= len(lines) else ""
        raise InputError.at(
            file,
            f"The file cannot be read as YAML: {fault.problem or fault.context}.",
            "Write each setting as 'name: value' on its own line, indent with spaces (no tabs), and put "
            "text with special characters in quotes.",
            row=row,
            value=shown,
        ) from None
    except yaml.YAMLError as fault:
        where = getattr(fault, "position", None)
        row = text[:where].count("\n") + 1 if isinstance(where, int) else None
        raise InputError.at(
            file,
            "The file holds a character that YAML does not allow.",
            "Delete the character, or save the file as UTF-8 text.",
            row=row,
        ) from None
    if root is None:
        raise InputError.at(
            file, "The file holds no settings.", "Start from the config.yaml that 'crossproof new' writes."
        )
    problems = Problems(file)
    node = _plain(root, problems)
    if not problems and not isinstance(node, Mapping):
        problems.error(
            "The file does not hold settings of the form 'name: value'.",
            "Start from the config.yaml that 'crossproof new' writes.",
            row=1,
        )
    if problems:
        raise InputError(problems.listed())
    assert isinstance(node, Mapping)
    return node


def _refuse_hostile(text: str, file: str) -> None:
    """References can expand without bound, and deep nesting can exhaust the stack: both are refused first."""
    depth, documents = 0, 0
    for event in yaml.parse(text, Loader=yaml.SafeLoader):
        row = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            raise InputError.at(
                file,
                "References (& and *) are not allowed here.",
                "Write the value out, or put it in quotes if it is a name that begins with & or *.",
                row=row,
                value=("*" if isinstance(event, yaml.AliasEvent) else "&") + str(event.anchor),
            )
        if isinstance(event, yaml.DocumentStartEvent):
            documents += 1
            if documents > 1:
                raise InputError.at(
                    file, "A second document begins here ('---').", "Keep one document in the file.", row=row
                )
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > MAX_DEPTH:
                raise InputError.at(
                    file,
                    f"Brackets or indents are nested more than {MAX_DEPTH} deep.",
                    "Compare with the config.yaml that 'crossproof new' writes.",
                    row=row,
                )
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1


def _plain(node: yaml.Node, problems: Problems) -> Node:
    line = node.start_mark.line + 1
    if node.tag not in _PLAIN_TAGS and node.tag != "tag:yaml.org,2002:value":
        tag = node.tag.replace("tag:yaml.org,2002:", "!!")
        problems.error(f"The tag {tag!r} is not allowed here.", "Write plain text or a number.", row=line)
    if isinstance(node, yaml.SequenceNode):
        return Sequence(tuple(_plain(item, problems) for item in node.value), line)
    if isinstance(node, yaml.MappingNode):
        items: list[tuple[Scalar, Node]] = []
        seen: dict[str, int] = {}
        for key_node, value_node in node.value:
            key = _plain(key_node, problems)
            if not isinstance(key, Scalar):
                problems.error("A name of a setting is not plain text.", "Write 'name: value'.", row=key.line)
                continue
            if key.text in seen:
                problems.error(
                    f"{key.text!r} appears twice; the first is on line {seen[key.text]}.",
                    "Delete one of the two.",
                    row=key.line,
                    column=key.text,
                    value=key.text,
                )
                continue
            seen[key.text] = key.line
            items.append((key, _plain(value_node, problems)))
        return Mapping(tuple(items), line)
    return Scalar(str(node.value), line, node.style in ("'", '"', "|", ">"))
