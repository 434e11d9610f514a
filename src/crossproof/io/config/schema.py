"""The JSON schema of config.yaml, made from the declaration: workflow/schemas/config.schema.yaml."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any

import yaml

from crossproof.model.declaration import GENOTYPE_KEYS, SETTINGS, Setting, ValueKind


def config_schema() -> dict[str, Any]:
    """The JSON schema of config.yaml, made from the declaration."""
    genotype = {
        "type": "object",
        "additionalProperties": False,
        "required": [s.name for s in GENOTYPE_KEYS if s.required],
        "properties": {s.name: _schema_of(s) for s in GENOTYPE_KEYS},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "crossproof season configuration",
        "type": "object",
        "additionalProperties": False,
        "required": [s.name for s in SETTINGS if s.required],
        "properties": {s.name: _schema_of(s, genotype) for s in SETTINGS},
    }


def _schema_of(setting: Setting, genotype: Mapping[str, Any] | None = None) -> dict[str, Any]:
    text: dict[str, Any] = {"type": ["string", "number", "boolean"]}
    bounds: dict[str, Any] = {}
    if setting.low is not None:
        bounds["exclusiveMinimum" if setting.above else "minimum"] = setting.low
    if setting.high is not None:
        bounds["maximum"] = setting.high
    texts = {"type": "array", "items": text}
    path = {"type": "string", "minLength": 1}
    bodies: dict[ValueKind, dict[str, Any]] = {
        ValueKind.PATH: path,
        ValueKind.PATHS: {"anyOf": [path, {"type": "array", "items": path, "minItems": 1}]},
        ValueKind.TEXT: text,
        ValueKind.TEXTS: texts,
        ValueKind.NUMBER: {"type": "number", **bounds},
        ValueKind.COUNT: {"type": "integer", **bounds},
        ValueKind.LIMIT: {"anyOf": [{"const": "all"}, {"type": "integer", **bounds}]},
        ValueKind.YES_NO: {"type": "boolean"},
        # YAML reads an unquoted 96 as a number.
        ValueKind.CHOICE: {"enum": [*setting.choices, *(int(c) for c in setting.choices if c.isdigit())]},
        ValueKind.PRIOR: {
            "type": "array",
            "items": {"type": "number", "exclusiveMinimum": 0},
            "minItems": 4,
            "maxItems": 4,
        },
        ValueKind.HEADINGS: {
            "type": "object",
            "additionalProperties": {
                "anyOf": [text, {"type": "object", "additionalProperties": text}],
            },
        },
        ValueKind.GENOTYPES: {"type": "array", "minItems": 1, "items": dict(genotype or {})},
    }
    body = bodies[setting.kind]
    if not setting.required:
        # An empty value in YAML is null and means: as if the key were left out.
        body = {"anyOf": [body, {"type": "null"}]}
    entry = {"description": setting.meaning, **body}
    if setting.default not in ("", None, (), {}) or setting.kind is ValueKind.YES_NO:
        default = setting.default
        if isinstance(default, StrEnum):
            default = str(default)
        entry["default"] = list(default) if isinstance(default, tuple) else default
    return entry


def schema_text() -> str:
    """The text of workflow/schemas/config.schema.yaml."""
    head = "# From the declaration in src/crossproof/model/declaration.py, and kept equal to it by a test.\n"
    body: str = yaml.dump(
        config_schema(), Dumper=_NoReferences, sort_keys=False, allow_unicode=True, width=100
    )
    return head + body


class _NoReferences(yaml.SafeDumper):  # type: ignore[misc]  # PyYAML has no types
    """Writes what occurs twice twice, so that the schema reads from top to bottom."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


if __name__ == "__main__":
    print(schema_text(), end="")
