"""Read, check and write a case file, and reach its numbers by dotted name."""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any, Literal

import tomlkit
from pydantic import BaseModel, ValidationError

from kinematics.base.errors import InputError
from kinematics.base.files import read_regular_file, write_file
from kinematics.case.errors import input_error, shown
from kinematics.case.layout import known_fields
from kinematics.case.model import Case

MAX_FILE_BYTES = 5_000_000
"""Largest accepted case file (ours); a mesh given by mistake is refused at once."""
_TAKEN_BY = {
    "case": "hingewise assess, inspect and view take this file.",
    "study": "hingewise sweep takes this file.",
}
"""Which commands take a file, by its schema's name."""
MAX_KEY_PARTS = 16
"""Most parts of a dotted key (ours); reading a longer one takes time with its square."""
_NOT_KEYS = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*+(?:"""|\Z)|'
    r"'''(?:[^']|'(?!''))*+(?:'''|\Z)|"
    r'"(?:[^"\\\n]|\\.)*+"?|'
    r"'[^'\n]*+'?|#[^\n]*+",
    re.DOTALL,
)
_LONG_KEY = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{MAX_KEY_PARTS}}}")
_PLACE = re.compile(r"\(at line (\d+), column \d+\)$")
_COMMA = re.compile(r"=\s*([+-]?\d{1,15}),(\d{1,15})\s*$|(\d{1,15}),(0\d{1,15})")
_OTHER_MINUS = re.compile("[=\\[,]\\s*[\u2010-\u2015\u2212\ufe63\uff0d]\\s*[\\d.]")
_OTHER_QUOTES = re.compile("=\\s*[\u2018-\u201f\u00ab\u00bb]")


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
    Source: derived here; ``example_case.toml`` shows every field.

    Examples
    --------
    >>> import tempfile
    >>> from kinematics import case_from_dict, read_case, write_case
    >>> case = case_from_dict({
    ...     "schema": "hingewise-case/1", "label": "case 1", "true_axis": {"width_mm": 110.0},
    ...     "landmarks": [{"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]}],
    ...     "record": {"thickness_mm": 3.0, "site": "incisors"}, "target": {"as_scanned": True},
    ...     "arbitrary_axis": {
    ...         "left_anterior_mm": 5.0, "left_superior_mm": 0.0,
    ...         "right_anterior_mm": 5.0, "right_superior_mm": 0.0,
    ...     },
    ... })
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_case(case, folder + "/case.toml")
    ...     again = read_case(folder + "/case.toml")
    >>> again.label, again.record.thickness_mm
    ('case 1', 3.0)
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
        raise input_error(error, file) from None
    except RecursionError:
        got = "tables nested too deeply"
        raise InputError("case", got, "the tables of a case", "Correct them.", file) from None
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


def has_long_key(text: str) -> bool:
    """Whether a TOML text holds a dotted key of very many parts; found in linear time."""
    return _LONG_KEY.search(_NOT_KEYS.sub("s", text)) is not None


def read_toml(path: Path, kind: Literal["case", "study"], max_bytes: int) -> dict[str, Any]:
    """Read a TOML file of bounded size without ever blocking or raising anything else.

    Raises
    ------
    InputError
        Not a regular file, too large, not UTF-8, not TOML, or a file of the other kind.
    """
    what = f"a {kind} file (TOML)"
    try:
        text = read_regular_file(path, what, max_bytes, "Is it a mesh?").decode("utf-8-sig")
    except UnicodeDecodeError:
        got = "bytes that are not UTF-8"
        raise InputError("file", got, "a TOML text file", "Save it as UTF-8.", path) from None
    if has_long_key(text):
        got = f"a key of more than {MAX_KEY_PARTS} parts"
        raise InputError("file", got, "shorter keys", "Correct that key.", path)
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers of too many digits
        got = f"text that is not TOML ({shown(error)})"
        raise InputError("file", got, "TOML", _usual_cause(text, str(error)), path) from None
    schema = data.get("schema")
    for other in {*_TAKEN_BY} - {kind}:
        if isinstance(schema, str) and schema.startswith(f"hingewise-{other}/"):
            got = f"a {other} file ({shown(repr(schema))})"
            need = f"a {kind} file ('hingewise-{kind}/1')"
            raise InputError("schema", got, need, _TAKEN_BY[other], path)
    return data


def _usual_cause(text: str, error: str) -> str:
    """What to do about the line that the reader names, where its fault is a usual one."""
    place = _PLACE.search(error)
    if place is None:
        return "Correct that place."
    line = text.replace("\r\n", "\n").split("\n")[int(place[1]) - 1]
    code = line.split("#")[0]
    if _OTHER_QUOTES.search(code):
        return "The quotes are not the keyboard's: type \" instead."
    if _OTHER_MINUS.search(code):
        return "The minus sign is not the keyboard's: type - instead."
    if "\\" in code:
        return "Write the path with / instead of \\, or in single quotes."
    comma = _COMMA.search(code)
    if comma:
        whole, part = (text for text in comma.groups() if text is not None)
        return f"Is it a decimal comma? Write {whole}.{part} with a point."
    return "Correct that place."
