"""Read, check and write a case file, and reach its numbers by dotted name."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import BaseModel, ValidationError

from kinematics.base.errors import InputError
from kinematics.base.files import write_file
from kinematics.case.errors import input_error, known_fields
from kinematics.case.model import SCHEMA, Case
from kinematics.case.toml_file import read_toml

__all__ = [
    "SCHEMA",
    "Case",
    "case_from_dict",
    "case_text",
    "case_to_dict",
    "get_field",
    "numeric_fields",
    "read_case",
    "set_field",
    "write_case",
]

MAX_FILE_BYTES = 5_000_000
"""Largest accepted case file (ours); a mesh given by mistake is refused at once."""


def read_case(path: Path | str) -> Case:
    """Read a case file.

    Parameters
    ----------
    path : Path or str
        A TOML file in schema ``hingewise-case/1``.

    Returns
    -------
    Case
        With ``folder`` set to the file's folder.

    Raises
    ------
    InputError
        File missing or unreadable, not TOML, or any key unknown, missing or out of range; names
        the file and the dotted field.

    Notes
    -----
    Guarantee: never reads another file, and returns a whole case or raises.
    Source: derived here; the layout is in DEVELOPERS.md.

    Examples
    --------
    >>> import tempfile
    >>> from kinematics.case.template import template
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "case.toml"
    ...     path.write_text(template("none", []), encoding="utf-8") > 0
    ...     case = read_case(path)
    True
    >>> case.label
    'case 1'
    """
    path = Path(path)
    data = read_toml(path, "case", MAX_FILE_BYTES)
    return case_from_dict(data, folder=path.parent, file=path)


def case_from_dict(
    data: dict[str, Any], *, folder: Path | str = ".", file: Path | str | None = None
) -> Case:
    """Check a case given as nested dicts and lists, as :func:`read_case` does.

    Parameters
    ----------
    data : dict
        Keys as in the file; not changed.
    folder : Path or str
        Where relative paths start.
    file : Path or str, optional
        Named in errors.

    Raises
    ------
    InputError
        As :func:`read_case`.
    """
    try:
        case = Case.model_validate(data)
    except ValidationError as error:
        raise input_error(error, data, file) from None
    except RecursionError:
        raise InputError(
            "case", "tables nested too deeply", "the tables of a case", "Correct them.", file
        ) from None
    case._folder = Path(folder)
    try:
        for field, name in case.meshes().items():
            case.path(name, field)
        if case.uncertainty is not None and case.uncertainty.file is not None:
            case.path(case.uncertainty.file, "uncertainty.file")
    except InputError as error:
        raise InputError(error.where, error.got, error.allowed, error.fix, file) from None
    return case


def case_to_dict(case: Case) -> dict[str, Any]:
    """Return the given keys of a case as plain dicts and lists, ready for TOML or JSON."""
    plain: dict[str, Any] = case.model_dump(
        mode="json", by_alias=True, exclude_none=True, exclude_unset=True
    )
    return plain


def write_case(case: Case, path: Path | str) -> None:
    """Write a case as TOML, whole or not at all.

    Parameters
    ----------
    case : Case
        Relative paths are written as they are, so write it into ``case.folder``.
    path : Path or str
        Replaced if it exists.

    Raises
    ------
    InputError
        The folder is missing or cannot be written.

    Notes
    -----
    Guarantee: ``case_to_dict(read_case(path)) == case_to_dict(case)``; comments of an earlier
    file are lost; a failure leaves any earlier file untouched.
    Source: derived here.
    """
    write_file(path, case_text(case))


def case_text(case: Case) -> str:
    """Return a case as the text of a TOML file."""
    return tomlkit.dumps(case_to_dict(case))


def numeric_fields(case: Case) -> dict[str, float]:
    """Return every number that the case holds or takes by default, by dotted name.

    List items go by their index: ``landmarks.0.point_mm.2``. Tooth numbers are left out.
    """
    out: dict[str, float] = {}

    def walk(value: Any, name: str) -> None:
        if isinstance(value, BaseModel):
            fields = type(value).model_fields
            for key, info in fields.items():
                if key != "tooth":
                    walk(getattr(value, key), f"{name}.{info.alias or key}".lstrip("."))
        elif isinstance(value, list | tuple):
            for i, item in enumerate(value):
                walk(item, f"{name}.{i}")
        elif isinstance(value, int | float) and not isinstance(value, bool):
            out[name] = float(value)

    walk(case, "")
    return out


def get_field(case: Case, dotted: str) -> float:
    """Return one number by dotted name, for example ``arbitrary_axis.left_anterior_mm``.

    Raises
    ------
    InputError
        No such number in this case; the nearest names are given.
    """
    fields = numeric_fields(case)
    if dotted not in fields:
        raise _unknown(dotted, list(fields))
    return fields[dotted]


def set_field(case: Case, dotted: str, value: float) -> Case:
    """Return the case with one number changed and everything checked again.

    Parameters
    ----------
    case : Case
        Not changed.
    dotted : str
        A name of :func:`numeric_fields`, or a number that the layout knows and the case leaves
        out (its table is then added).
    value : float
        Whole where the layout asks for a whole number (``uncertainty.seed``).

    Raises
    ------
    InputError
        Unknown name (nearest named) or a value that the checks refuse.
    """
    possible = set(numeric_fields(case)) | known_fields()
    if dotted not in possible:
        raise _unknown(dotted, sorted(possible))
    data = case_to_dict(case)
    here: Any = data
    *parents, last = dotted.split(".")
    for i, key in enumerate(parents):
        if isinstance(here, list):
            here = here[int(key)]
        elif key in here:
            here = here[key]
        else:
            default: Any = case
            for part in parents[: i + 1]:
                default = getattr(default, part, None)
            here[key] = _lists(default) if isinstance(default, tuple) else {}
            here = here[key]
    whole = dotted == "uncertainty.seed" and float(value).is_integer()
    number: float = int(value) if whole else value
    if isinstance(here, list):
        here[int(last)] = number
    else:
        here[last] = number
    return case_from_dict(data, folder=case.folder)


def _lists(value: Any) -> Any:
    return [_lists(v) for v in value] if isinstance(value, tuple) else value


def _unknown(dotted: str, names: list[str]) -> InputError:
    near = difflib.get_close_matches(dotted, names, n=3, cutoff=0.4)
    hint = f"Did you mean {' or '.join(near)}?" if near else f"For example {', '.join(names[:3])}."
    return InputError("field", repr(dotted), "the name of a number of the case", hint)
