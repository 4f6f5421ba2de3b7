"""What the models say of the case file: its JSON schema, and each field in words."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import tomlkit
from pydantic import BaseModel

from kinematics.case.model import Case


@cache
def schema_of(layout: type[BaseModel]) -> dict[str, Any]:
    """The JSON schema of a file: fields with description, unit, choices, range and default."""
    schema: dict[str, Any] = layout.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def case_schema() -> dict[str, Any]:
    """The JSON schema of a case file."""
    return schema_of(Case)


LIMITS = {
    "at least": "minimum",
    "more than": "exclusiveMinimum",
    "at most": "maximum",
    "less than": "exclusiveMaximum",
}
"""Words of a limit, and its name in a JSON schema."""
HUGE = 1e15
"""A limit that nobody meets is not told."""


def branches(schema: dict[str, Any], layout: type[BaseModel] = Case) -> list[dict[str, Any]]:
    """What a part of the schema may be, null apart: itself, or each of its alternatives."""
    if "$ref" in schema:
        return [schema_of(layout)["$defs"][schema["$ref"].rpartition("/")[2]]]
    inner = schema.get("anyOf") or schema.get("oneOf")
    if inner is None:
        return [schema]
    return [b for part in inner for b in branches(part, layout) if b.get("type") != "null"]


def tables_at(
    keys: Sequence[str], method: str = "", layout: type[BaseModel] = Case
) -> list[dict[str, Any]]:
    """The tables that may stand at a place; ``method`` says which mounting is meant."""
    here = [schema_of(layout)]
    for key in keys:
        fields = [t["properties"][key] for t in here if key in t["properties"]]
        inner = [b for f in fields for b in branches(f, layout)]
        items = [b for part in inner for b in branches(part.get("items", part), layout)]
        here = [t for t in items if "properties" in t and fits(t, method)]
    return here


def field_of(path: str, method: str = "") -> dict[str, Any]:
    """The schema of a field by its dotted name; ``method`` says which mounting is meant.

    Raises
    ------
    KeyError
        The layout has no such field.
    """
    *keys, last = path.split(".")
    for table in tables_at(keys, method):
        if last in table["properties"]:
            field: dict[str, Any] = table["properties"][last]
            return branches(field)[0] | field
    raise KeyError(path)


def known_fields() -> set[str]:
    """Dotted names of the single numbers of the layout outside lists and ``[mounting]``."""
    return {
        f"{name}.{key}"
        for name in case_schema()["properties"]
        if name not in {"mounting", "landmarks"}
        for table in tables_at([name])
        for key, field in table["properties"].items()
        if branches(field)[0].get("type") in {"number", "integer"}
    }


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
