"""A whole case file, with every table and every field, each with what the models say of it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from kinematics.case.layout import branches, case_schema, choices, in_words, toml
from kinematics.case.template import MEASUREMENTS, MOUNTINGS, template

EXAMPLE = Path(__file__).with_name("example_case.toml")
"""The example for readers; a test holds it to what :func:`example_case` writes."""
EXAMPLE_MOUNTING = "axis_points"
EXAMPLE_HEAD = """\
# Every table and every field of a case file, with example numbers; made from the program's models.
# A line that begins with #: is left out here: another form of its table, or its default serves.
"""


@cache
def form_values() -> dict[str, Any]:
    """Example values by dotted name without list numbers, also of the forms' commented lines."""
    found: dict[str, Any] = {}
    for kind in MOUNTINGS:
        for chosen in ((*MEASUREMENTS,), ("articulator",), ("uncertainty",)):
            table = ""
            for line in template(kind, chosen).splitlines():
                if line.startswith("["):
                    table = line.split("#")[0].strip(" []") + "."
                    continue
                pair = re.match(r"(?:# )?(\w+) = ", line)
                try:
                    value = tomllib.loads(line.removeprefix("# "))[pair[1]] if pair else None
                except tomllib.TOMLDecodeError:  # a value of several lines
                    continue
                if pair:
                    found.setdefault(table + pair[1], value)
    return found


def example_of(path: str, field: dict[str, Any]) -> Any:
    """An example value of a field that the example leaves out."""
    said = branches(field)[0] | field
    if "const" in said:
        return said["const"]
    for name in (path, f"mounting.{path.rpartition('.')[2]}"):
        if name in form_values():
            return form_values()[name]
    if said.get("default") is not None:
        return said["default"]
    if choices(said):
        return choices(said)[0]
    if said["type"] == "array" and "prefixItems" not in said:
        return [[60.0, 0.0, -30.0 - i] for i in range(said.get("minItems", 1))]
    if said["type"] == "array":
        return [[1.0 * (i == j) for i in range(4)] for j in range(4)]
    return "name" if said["type"] == "string" else said.get("minimum", 0.0) + 1.0


def table_lines(
    path: str, table: dict[str, Any], data: dict[str, Any] | None, listed: bool, told: bool = True
) -> Iterator[str]:
    """Lines of one table: its fields, then the tables in it; without ``data`` all left out."""
    off = "#: " if data is None else ""
    held = data or {}
    if path:
        about = str(table["description"]).split("\n\n")[0].replace("\n", " ").replace("``", "")
        yield ""
        if told:
            yield f"# {about}"
        yield f"{off}[[{path}]]" if listed else f"{off}[{path}]"
    inner = []
    for key, field in table["properties"].items():
        name = f"{path}.{key}".lstrip(".")
        said = branches(field)[0] | field
        items = said.get("items", said)
        if any("properties" in b for b in branches(items)):
            inner.append((key, name, "items" in said, branches(items)))
            continue
        if told:
            yield f"# {in_words(field)}."
        if key in held:
            yield f"{off}{key} = {toml(held[key])}"
        elif told:
            yield f"#: {key} = {toml(example_of(name, field))}"
    for key, name, many, tables in inner:
        for each in tables:
            method = each["properties"].get("method", {}).get("const")
            ours = held.get(key)
            if not many and method is not None and ours and ours["method"] != method:
                ours = None
            for i, item in enumerate(ours if many and ours else [ours]):
                yield from table_lines(name, each, item, many, told and i == 0)


def example_case() -> str:
    """A case file with every table and every field, each with its words; the program reads it."""
    measured = set(MEASUREMENTS) - {"marks"}
    data = tomllib.loads(template(EXAMPLE_MOUNTING, measured))
    return EXAMPLE_HEAD + "\n".join(table_lines("", case_schema(), data, False)) + "\n"
