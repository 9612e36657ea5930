"""The format as a JSON Schema (draft 2020-12), made from the tables; ``schema.json`` beside it is a copy.

A test holds the copy to what is made here, and a handed-over file to both.
"""

from __future__ import annotations

import json
from typing import Any

from servicedesk.handover.tables import FORMAT, TABLES, VERSION, Column, Kind, columns_of

_UUID = {"type": "string", "pattern": "^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$"}
_DIGEST = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
_TYPES: dict[Kind, dict[str, Any]] = {
    Kind.TEXT: {"type": "string"},
    Kind.INTEGER: {"type": "integer"},
    Kind.NUMBER: {"type": "number"},
    Kind.BOOLEAN: {"type": "boolean"},
    Kind.DATE: {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"},
    Kind.TIME: {"type": "string", "pattern": r"^\d\d:\d\d(:\d\d(\.\d+)?)?$"},
    Kind.INSTANT: {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?\+00:00$"},
    Kind.DECIMAL: {"type": "string", "pattern": r"^-?\d+(\.\d+)?$"},
    Kind.UUID: _UUID,
    Kind.REF: _UUID,
    Kind.PERSON: {"type": "string", "description": "A person of the house that hands over, by name."},
    Kind.WORDS: {"type": "string", "description": "Something of the house that hands over, by name."},
    Kind.PAPER: {
        "type": "object",
        "properties": {
            "file": {"type": "string", "pattern": r"^papers/[0-9a-f]{64}\.(pdf|jpg|png|webp|bin)$"},
            "sha256": _DIGEST,
        },
        "required": ["file", "sha256"],
        "additionalProperties": False,
    },
    Kind.NUMBERS: {
        "type": "object",
        "description": "Row numbers of the house that made the record; its digest covers them.",
        "properties": {
            "house": _UUID,
            "unit": {"type": "integer"},
            **{name: {"type": ["integer", "null"]} for name in ("site", "location", "by", "corrects")},
        },
        "required": ["house", "unit", "site", "location", "by", "corrects"],
        "additionalProperties": False,
    },
}


def schema() -> dict[str, Any]:
    """The whole schema."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A register of portable fire extinguishers with its history",
        "type": "object",
        "properties": {
            "format": {"const": FORMAT},
            "version": {"const": VERSION},
            "handover": _UUID,
            "made_at": {"type": "string"},
            "house": {
                "type": "object",
                "properties": {"id": _UUID, "name": {"type": "string"}},
                "required": ["id", "name"],
            },
            "covers": {
                "type": "object",
                "properties": {
                    "level": {"enum": ["site", "owner", "firm"]},
                    "owners": {"type": "array", "items": {"type": "string"}},
                    "sites": {"type": "array", "items": {"type": "string"}},
                },
                "required": ["level", "owners", "sites"],
            },
            "note": {"type": "string"},
            "tables": {
                "type": "object",
                "properties": {
                    table.name: {
                        "type": "array",
                        "description": table.about,
                        "items": _row(columns_of(table.name)),
                    }
                    for table in TABLES
                },
                "required": [table.name for table in TABLES],
                "additionalProperties": False,
            },
            "counts": {"type": "object", "additionalProperties": {"type": "integer", "minimum": 0}},
            "content_sha256": _DIGEST
            | {
                "description": "SHA-256 over, for each table in the order of the schema, its name and a line "
                "feed, then each row as JSON with sorted keys and no spaces and a line feed."
            },
        },
        "required": [
            "format",
            "version",
            "handover",
            "made_at",
            "house",
            "covers",
            "tables",
            "counts",
            "content_sha256",
        ],
        "additionalProperties": False,
    }


def schema_text() -> str:
    """The schema as it stands in the file."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def _row(columns: tuple[Column, ...]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {column.name: _type(column) for column in columns},
        "required": [column.name for column in columns],
        "additionalProperties": False,
    }


def _type(column: Column) -> dict[str, Any]:
    if column.kind is Kind.JSON:
        return {}
    found = dict(_TYPES[column.kind])
    one = column.field
    if column.about:
        found["description"] = column.about
    if column.refers_to:
        found["description"] = f"A row of {column.refers_to}."
    if column.kind is Kind.TEXT and one is not None:
        if one.choices:
            found["enum"] = [value for value, _ in one.flatchoices]
            if one.blank:
                found["enum"] = sorted({"", *found["enum"]})
        elif one.max_length:
            found["maxLength"] = one.max_length
    if column.is_nullable:
        if "enum" in found:
            found["enum"] = [*found["enum"], None]
        found["type"] = [found["type"], "null"]
    return found
