"""Read a TOML file of bounded size, and say what is usually wrong where it is none."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Literal

from kinematics.base.errors import InputError
from kinematics.base.files import read_regular_file
from kinematics.case.errors import shown

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
        raise InputError(
            "file", "bytes that are not UTF-8", "a TOML text file", "Save it as UTF-8.", path
        ) from None
    if has_long_key(text):
        raise InputError(
            "file", f"a key of more than {MAX_KEY_PARTS} parts", "shorter keys",
            "Correct that key.", path,
        )  # fmt: skip
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: also numbers of too many digits
        raise InputError(
            "file",
            f"text that is not TOML ({shown(error)})",
            "TOML",
            _usual_cause(text, str(error)),
            path,
        ) from None
    schema = data.get("schema")
    for other in {*_TAKEN_BY} - {kind}:
        if isinstance(schema, str) and schema.startswith(f"hingewise-{other}/"):
            raise InputError(
                "schema",
                f"a {other} file ({shown(repr(schema))})",
                f"a {kind} file ('hingewise-{kind}/1')",
                _TAKEN_BY[other],
                path,
            )
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
