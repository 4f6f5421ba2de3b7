"""What the models say of the case file: its JSON schema, and each field in words."""

from __future__ import annotations

from functools import cache
from typing import Any

import tomlkit

from kinematics.case.model import Case


@cache
def case_schema() -> dict[str, Any]:
    """The JSON schema of a case: fields with description, unit, choices, range and default."""
    schema: dict[str, Any] = Case.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


LIMITS = {
    "at least": "minimum",
    "more than": "exclusiveMinimum",
    "at most": "maximum",
    "less than": "exclusiveMaximum",
}
"""Words of a limit, and its name in a JSON schema."""
HUGE = 1e15
"""A limit that nobody meets is not told."""


def branches(schema: dict[str, Any]) -> list[dict[str, Any]]:
    """What a part of the schema may be, null apart: itself, or each of its alternatives."""
    if "$ref" in schema:
        return [case_schema()["$defs"][schema["$ref"].rpartition("/")[2]]]
    inner = schema.get("anyOf") or schema.get("oneOf")
    if inner is None:
        return [schema]
    return [b for part in inner for b in branches(part) if b.get("type") != "null"]


def field_of(path: str, method: str = "") -> dict[str, Any]:
    """The schema of a field by its dotted name; ``method`` says which mounting is meant.

    Raises
    ------
    KeyError
        The layout has no such field.
    """
    here = [case_schema()]
    for key in path.split("."):
        tables = [b for h in here for b in branches(h.get("items", h))]
        found = [t["properties"][key] for t in tables if key in t["properties"] and fits(t, method)]
        if not found:
            raise KeyError(path)
        here = found
    inner: dict[str, Any] = branches(here[0])[0]
    return inner | here[0]


def fits(table: dict[str, Any], method: str) -> bool:
    """Whether a table is none of a mounting, or that of this method."""
    return method in ("", table["properties"].get("method", {}).get("const", method))


def choices(field: dict[str, Any]) -> list[str]:
    """The words that a field may hold; empty where it may hold more."""
    return list(field.get("enum", []))


def in_words(field: dict[str, Any]) -> str:
    """Description, unit, range, choices and default of a field, as one line."""
    said = branches(field)[0] | field
    parts = [said["description"] + (f", {said['unit']}" if "unit" in said else "")]
    limits = [
        f"{words} {said[key]:g}" for words, key in LIMITS.items() if said.get(key, HUGE) < HUGE
    ]
    parts += [" and ".join(limits)] if limits else []
    parts += [" | ".join(choices(said))] if choices(said) else []
    default = said.get("default")
    if default not in (None, [], ""):
        parts.append(f"default {'the identity' if isinstance(default, list) else toml(default)}")
    return ". ".join(parts)


def toml(value: Any) -> str:
    """A value as it stands in a TOML file."""
    return str(tomlkit.item(value).as_string())
