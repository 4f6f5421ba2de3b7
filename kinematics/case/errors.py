"""Turn a failed check of a case into one error that names the field and what to do."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Collection
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from kinematics.base.errors import InputError
from kinematics.case.fields import UNPRINTABLE, shown_value
from kinematics.case.layout import tables_at
from kinematics.case.model import Case

MAX_SHOWN = 800
"""Longest part of a message (ours)."""
TABLE_EXAMPLES = {
    "record": 'thickness_mm = 3.0 and site = "incisors"',
    "target": 'vdo_change_mm = 2.0 and site = "incisors"',
}
"""Lines of the tables that a case must have."""
PLAINER = {
    "a valid number": "a number",
    "a valid integer": "a whole number",
    "a valid tuple": "a list of numbers",
}
"""Words of pydantic, and ours."""
METHODS = ("matrix", "fiducials", "average", "axis_points", "distances", "located_axis")


def input_error(
    error: ValidationError, file: Path | str | None, layout: type[BaseModel] = Case
) -> InputError:
    """Build the ``InputError`` of the first problem; the count of the others is added.

    Unknown keys come first: a misspelt key is usually also the cause of a missing one.
    ``layout`` is the model of the file that was checked.
    """
    problems = error.errors(include_url=False)
    problems.sort(key=lambda p: p["type"] != "extra_forbidden")
    where, got, allowed, fix = (shown(part) for part in explain(dict(problems[0]), layout))
    if len(problems) > 1:
        fix += f" ({len(problems) - 1} more problem{'s' if len(problems) > 2 else ''} after this.)"
    return InputError(where, got, allowed, fix, file)


def explain(problem: dict[str, Any], layout: type[BaseModel]) -> tuple[str, str, str, str]:
    """Field, value, what is allowed and what to do, of one problem that pydantic found."""
    loc = list(problem["loc"])
    if loc[:1] == ["mounting"]:  # the second part is the method, not a key
        loc = ["mounting", *loc[2:]]
    where = ".".join(str(p) for p in loc) or "case"
    kind, value, ctx = problem["type"], problem.get("input"), problem.get("ctx", {})
    if kind == "hingewise":
        field = ctx["field"]
        where = f"{where}.{field}" if field and loc else (field or where)
        return where, ctx["got"], ctx["allowed"], ctx["fix"]
    if kind == "extra_forbidden":
        names = keys_at(list(problem["loc"][:-1]), layout)
        hint = nearest(str(loc[-1]), names, 0.5, "Remove it.")
        return where, "an unknown key", f"one of {', '.join(names)}", hint
    if kind == "missing":
        return explain_missing(loc, where, value)
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        got = repr(value.get("method")) if isinstance(value, dict) else shown_value(value)
        hint = nearest(str(ctx.get("tag", "")), METHODS, 0.4, "Set method.")
        return "mounting.method", got, f"one of {', '.join(METHODS)}", hint
    if kind == "literal_error":
        choices = str(ctx["expected"]).replace(" or ", ", ").replace("'", "").split(", ")
        hint = nearest(str(value), choices, 0.4, "Choose one of them.")
        return where, shown_value(value), str(ctx["expected"]), hint
    return where, *explain_value(kind, where, value, ctx, problem["msg"])


def explain_missing(loc: list[Any], where: str, value: Any) -> tuple[str, str, str, str]:
    """Explain a key, a table or a number of a list that is not there."""
    if isinstance(loc[-1], int):
        where = ".".join(str(p) for p in loc[:-1])
        matrix = loc[-2] in {"upper_scan_from_lower_scan", "axis_orbital_from_upper_scan"}
        need = "4 rows of 4 numbers" if matrix or isinstance(loc[-2], int) else "3 numbers"
        count = len(value) if hasattr(value, "__len__") else 0
        return where, f"{count} values", need, "Give all of them, for example [x, y, z]."
    if where in TABLE_EXAMPLES:
        hint = f"Add the table [{where}] with, for example, {TABLE_EXAMPLES[where]}."
        return where, "nothing", "a table", hint
    return where, "nothing", "a value", f"Add the key {loc[-1]!r}."


def explain_value(
    kind: str, where: str, value: Any, ctx: dict[str, Any], message: str
) -> tuple[str, str, str]:
    """Value, what is allowed and what to do, where the value itself cannot be used."""
    if kind == "finite_number":
        return shown_value(value), "a finite number", "Give the measured value."
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        table, _, last = where.rpartition(".")
        head = f"[[{table}]]" if last.isdecimal() else f"[{where}]"
        return shown_value(value), "a table", f"Write {head} and its keys below."
    if kind == "list_type" and isinstance(value, dict):
        return "one table", "a list of tables", f"Write [[{where}]] in double brackets."
    if kind == "too_long" and ctx.get("field_type") == "Tuple":
        need = f"{ctx['max_length']} numbers"
        hint = decimal_commas(value, ctx["max_length"]) or "Remove what is too much."
        return f"{ctx['actual_length']} values", need, hint
    if kind == "too_long":
        got, need = f"{ctx['actual_length']} entries", f"at most {ctx['max_length']}"
        return got, need, "Remove what is too much."
    if kind == "too_short":
        got, need = f"{ctx['actual_length']} entries", f"at least {ctx['min_length']}"
        return got, need, "Add what is missing."
    hint = "Correct the value."
    if kind == "float_type" and isinstance(value, str):
        hint = without_quotes(value)
    if value is not None and kind == "less_than_equal" and where == "decision.tolerance_mm":
        hint = f"It is in mm: {value:g} µm is {value / 1000.0:g}."
    need = message.removeprefix("Input should ").removeprefix("be ")
    for said, plain in PLAINER.items():
        need = need.replace(said, plain)
    return shown_value(value), need, hint


def decimal_commas(value: Any, need: int) -> str | None:
    """A hint where decimal commas have made several numbers of each: 83,2 is 83 and 2."""
    numbers = [*value] if isinstance(value, list | tuple) else []
    if not all(type(v) in (int, float) for v in numbers):
        return None
    pairs, i, count = [], 0, 0
    while i < len(numbers):
        whole, part = numbers[i], numbers[i + 1] if i + 1 < len(numbers) else None
        paired = type(whole) is int and type(part) is int and part >= 0
        pairs += [(whole, part)] * paired
        i, count = i + 1 + paired, count + 1
    if count != need or not pairs:
        return None
    whole, part = (shown_value(v) for v in pairs[0])
    return f"Are there decimal commas? Write {whole}.{part}, not {whole},{part}."


def without_quotes(text: str) -> str:
    """A hint for a number that was written as text."""
    number = re.fullmatch(r"\s*([+-]?\d+)(?:[.,](\d+))?\s*", text[:60])
    if number is None:
        return "Correct the value."
    return f"Write {number[1]}{'.' + number[2] if number[2] else ''} without quotes."


def nearest(text: str, names: Collection[str], cutoff: float, otherwise: str) -> str:
    """A hint that names the choice nearest to a text, where one is near."""
    near = difflib.get_close_matches(text, names, n=1, cutoff=cutoff)
    return f"Did you mean {near[0]!r}?" if near else otherwise


def shown(text: object) -> str:
    """Text of a file as it may stand in a message: short, without control characters."""
    plain = "".join(
        c if unicodedata.category(c) not in UNPRINTABLE else f"U+{ord(c):04X}"
        for c in str(text)[: MAX_SHOWN + 1]
    )
    return plain if len(plain) <= MAX_SHOWN else f"{plain[:MAX_SHOWN]}..."


def keys_at(loc: list[Any], layout: type[BaseModel] = Case) -> list[str]:
    """Return the keys that the table at a pydantic location may have."""
    keys = [part for part in loc if isinstance(part, str)]
    method = keys.pop(1) if keys[:1] == ["mounting"] and len(keys) > 1 else ""
    tables = tables_at(keys, method, layout)
    return list(dict.fromkeys(key for table in tables for key in table["properties"]))
