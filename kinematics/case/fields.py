"""Checked building blocks of a case file: text, points, matrices, teeth, and how one is refused."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Annotated, Any, NoReturn, Self

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)
from pydantic_core import PydanticCustomError
from scipy.spatial.transform import RigidTransform

from kinematics.base.teeth import is_tooth

MAX_TEXT = 80
"""Longest label or name in characters (ours: it must fit a page heading)."""
UNPRINTABLE = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
"""Unicode categories of characters that steer a terminal or reorder text."""
RIGID_TOLERANCE = 1e-6
"""Accepted deviation of a rotation matrix from orthonormal, per entry (ours)."""
MAX_COORDINATE_MM = 1000.0
"""Largest accepted coordinate; a scan frame may lie off the head, but not by metres (ours)."""


def unit_of(name: str) -> str:
    """The unit that the name of a field carries; empty where it has none."""
    suffix = name.rpartition("_")[2]
    return {"mm": "mm", "deg": "deg"}.get(suffix, "")


def say_units(schema: dict[str, Any]) -> None:
    """Add its unit to every field of a table's JSON schema."""
    for name, field in schema["properties"].items():
        if unit_of(name):
            field["unit"] = unit_of(name)


class Table(BaseModel):
    """One table of the case file: immutable, no unknown keys, finite numbers, no conversions.

    Every field says what it is: form, recording sheet, example and JSON schema are made from it.
    """

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        strict=True,
        allow_inf_nan=False,
        serialize_by_alias=True,
        json_schema_extra=say_units,
    )


def required(description: str) -> Any:
    """A field that its table must have."""
    return Field(description=description)


def optional(description: str, default: Any = None) -> Any:
    """A field that may be left out."""
    return Field(default=default, description=description)


def refuse(got: str, allowed: str, fix: str, field: str = "") -> NoReturn:
    """Refuse a value inside a pydantic validator; the reader turns it into an ``InputError``.

    Parameters
    ----------
    got, allowed, fix : str
        As in :class:`kinematics.base.errors.InputError`.
    field : str
        Dotted field relative to the table being checked; empty for the table itself.
    """
    raise PydanticCustomError(
        "hingewise",
        "got {got}, need {allowed}. {fix}",
        {"got": got, "allowed": allowed, "fix": fix, "field": field},
    )


def or_else(allowed: str, fix: str) -> WrapValidator:
    """Say in these words what a value must be, where it is not even of the right kind."""

    def check(value: Any, handler: ValidatorFunctionWrapHandler) -> Any:
        try:
            return handler(value)
        except ValidationError as error:
            if any(e["loc"] or e["type"] == "hingewise" for e in error.errors()):
                raise
        return refuse("nothing" if value in ("", []) else shown_value(value), allowed, fix)

    return WrapValidator(check)


def shown_value(value: Any) -> str:
    """A value of the file as it may stand in a message."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a number of too many digits, or nested too deeply
        text = f"a {type(value).__name__} too large to show"
    return text if len(text) <= 60 else f"{text[:57]}..."


def checked_text(text: str) -> str:
    """Refuse a text that is empty, long, or holds control characters or markup."""
    if not text.strip():
        refuse("an empty text", f"1 to {MAX_TEXT} characters", "Give a short name.")
    if len(text) > MAX_TEXT:
        refuse(f"{len(text)} characters", f"at most {MAX_TEXT}", "Shorten it.")
    check_printable(text)
    for char in text:
        if char in "<>":
            refuse(f"the character {char!r}", "text without < or >", "Remove the markup.")
    return text


def check_printable(text: str, fix: str = "Type the text again by hand.") -> str:
    """Refuse control characters; ``fix`` is what to do about them."""
    for char in text:
        if unicodedata.category(char) in UNPRINTABLE:
            refuse(f"the control character U+{ord(char):04X}", "printable characters", fix)
    return text


def checked_path(path: str) -> str:
    """Refuse a path with control characters; a backslash may have made them."""
    escaped = any(char in path for char in "\a\b\t\n\f\r")  # what a backslash and a letter make
    fix = "Write the path with / instead of \\, or in single quotes."
    return check_printable(path, fix) if escaped else check_printable(path)


FileName = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(checked_path)]
"""Path of a file of the case, without control characters."""
Text = Annotated[str, AfterValidator(checked_text)]
"""A short printable text without markup or control characters."""


def as_tuple(value: Any) -> Any:
    """A list of the file as the tuple that pydantic checks strictly."""
    return tuple(value) if isinstance(value, list) else value


def checked_point(point: tuple[float, float, float]) -> tuple[float, float, float]:
    """Refuse coordinates that lie off any head."""
    if max(abs(v) for v in point) > MAX_COORDINATE_MM:
        need = f"coordinates within {MAX_COORDINATE_MM:g} mm"
        refuse(f"{list(point)}", need, "Check the unit: coordinates are in mm.")
    return point


Point = Annotated[
    tuple[float, float, float], BeforeValidator(as_tuple), AfterValidator(checked_point)
]
"""Three finite coordinates in mm."""

_Row = Annotated[tuple[float, float, float, float], BeforeValidator(as_tuple)]
Positive = Annotated[float, Field(gt=0.0)]
"""A number above zero."""
NotNegative = Annotated[float, Field(ge=0.0)]
"""A number of zero or more."""


def checked_rigid(rows: tuple[_Row, _Row, _Row, _Row]) -> tuple[_Row, _Row, _Row, _Row]:
    """Refuse a matrix that is no rigid motion, and say what it looks like."""
    m = np.array(rows)
    need = "a rigid motion: rotation, translation in mm in the last column, last row 0 0 0 1"
    if np.abs(m[3] - [0, 0, 0, 1]).max() > RIGID_TOLERANCE:
        transposed = np.abs(m[:, 3] - [0, 0, 0, 1]).max() <= RIGID_TOLERANCE
        hint = "It looks transposed: turn rows into columns." if transposed else "Check the rows."
        refuse(f"last row {m[3].tolist()}", need, hint)
    turn = m[:3, :3]
    gram = turn.T @ turn
    scale = float(np.sqrt(max(np.trace(gram) / 3.0, 0.0)))
    if np.abs(gram - np.eye(3)).max() > RIGID_TOLERANCE:
        if scale > 0 and np.abs(gram / scale**2 - np.eye(3)).max() <= 1e-4:
            fix = "Is it a change of unit? Set [casts] unit and give the rigid part in mm."
            refuse(f"a matrix that scales by {scale:.6g}", need, fix)
        refuse("a matrix that shears or stretches", need, "Copy all 16 numbers in full digits.")
    if np.linalg.det(turn) < 0:
        refuse("a reflection", need, "It mirrors left and right: undo the flip of one axis.")
    return rows


RigidMatrix = Annotated[
    tuple[_Row, _Row, _Row, _Row], BeforeValidator(as_tuple), AfterValidator(checked_rigid)
]
"""A 4x4 rigid motion, row by row, translation in mm."""


def as_rigid(matrix: Sequence[Sequence[float]]) -> RigidTransform:
    """Turn a checked 4x4 (see ``RigidMatrix``) into a ``RigidTransform``."""
    return RigidTransform.from_matrix(np.array(matrix, dtype=np.float64))


def checked_tooth(number: int) -> int:
    """Refuse a number that is no tooth."""
    if not is_tooth(number):
        got = f"{number}" if abs(number) < 10**9 else "a number of many digits"
        need = "an ISO 3950 tooth number: 11-18, 21-28, 31-38, 41-48, or deciduous 51-55 to 81-85"
        refuse(got, need, "Give the two-digit number: quadrant, then position from the midline.")
    return number


Tooth = Annotated[int, AfterValidator(checked_tooth)]
"""An ISO 3950 tooth number."""


class LowerPosition(Table):
    """A position of the lower: its pose, or the file of a scan of it there, in ``upper_scan``."""

    file: FileName | None = optional(
        "Scan of the lower in this position, in the frame of the upper scan"
    )
    upper_scan_from_lower_scan: RigidMatrix | None = optional(
        "Its pose instead; 4x4, translation in mm in the last column"
    )

    @model_validator(mode="after")
    def one_form(self) -> Self:
        """Either the scan or the pose, never both."""
        if (self.file is None) == (self.upper_scan_from_lower_scan is None):
            got = "neither" if self.file is None else "both"
            fix = "Name the scan of the lower in this position, or give its 4x4 pose."
            refuse(got, "either file or upper_scan_from_lower_scan", fix, "file")
        return self
