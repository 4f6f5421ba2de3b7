"""Points of a case that still are the examples of the form that ``hingewise start`` writes."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import cache
from typing import Any

from kinematics.base.errors import Finding
from kinematics.case.read import Case, case_to_dict
from kinematics.case.template import template

MAX_NAMED = 6
"""Most points that the remark names (ours)."""


def untouched(case: Case) -> list[Finding]:
    """Remark on the points that equal the form's examples in all three coordinates.

    Notes
    -----
    Points only: measured ones hardly ever equal three whole numbers, whereas a thickness of 3.0 mm
    or a tolerance of 0.3 mm may well be meant. A warning with casts; without, average teeth can
    serve, so a note.
    """
    kind = "none" if case.mounting is None else case.mounting.method
    examples = _examples(kind)
    same = [name for name, point in _points(case_to_dict(case)) if examples.get(name) == point]
    if not same:
        return []
    more = f" and {len(same) - MAX_NAMED} more" if len(same) > MAX_NAMED else ""
    return [
        Finding(
            "note" if case.casts is None else "warning",
            "case",
            f"still the form's examples: {', '.join(same[:MAX_NAMED])}{more}",
            "Replace them with your own readings; where they are meant, there is nothing to do.",
        )
    ]


@cache
def _examples(kind: str) -> dict[str, tuple[float, ...]]:
    return dict(_points(tomllib.loads(template(kind, ("pin",)))))


def _points(value: Any, name: str = "") -> Iterator[tuple[str, tuple[float, ...]]]:
    """Points (three numbers, in mm) by dotted name; a table of a list goes by its own name."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _points(inner, f"{name}.{key}".lstrip("."))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for i, inner in enumerate(value):
            yield from _points(inner, f"{name}.{inner.get('name', i)}")
    elif isinstance(value, list) and name.endswith("_mm") and _is_point(value):
        yield name, tuple(float(v) for v in value)


def _is_point(value: list[Any]) -> bool:
    return len(value) == 3 and all(isinstance(v, int | float) for v in value)
