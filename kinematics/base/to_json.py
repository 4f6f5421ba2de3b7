"""Records as JSON values: one walk for all of them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform


def to_json(value: Any) -> Any:
    """Return a value as JSON can hold it: dicts, lists, text, numbers, null.

    Parameters
    ----------
    value : record, mapping, sequence, array, motion, number, text or None
        A dataclass gives its fields by their names; a record that is written otherwise has a
        method ``json_form`` that returns what stands for it. A motion gives its 4x4 matrix.

    Raises
    ------
    TypeError
        Something else is in it.

    Notes
    -----
    *Guarantee*: ``json.dumps(to_json(value), allow_nan=False)`` succeeds; what JSON has no number
    for (NaN, infinity) is null.
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.ndarray | np.generic):
        return to_json(value.tolist())
    if isinstance(value, RigidTransform):
        return to_json(value.as_matrix())
    if isinstance(value, Mapping):
        return {str(key): to_json(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(inner) for inner in value]
    if hasattr(value, "json_form"):
        return to_json(value.json_form())
    if is_dataclass(value):
        return {field.name: to_json(getattr(value, field.name)) for field in fields(value)}
    raise TypeError(f"no JSON for {type(value).__name__}")


def form(record: Any, *left_out: str, **renamed: str) -> dict[str, Any]:
    """A record's fields by name, some left out and some under another name (``new="old"``)."""
    names = {old: new for new, old in renamed.items()}
    return {
        names.get(field.name, field.name): getattr(record, field.name)
        for field in fields(record)
        if field.name not in left_out
    }
