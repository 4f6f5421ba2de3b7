"""The project's errors and findings: what is wrong, what was got, what is allowed, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal


class HingewiseError(Exception):
    """Base class of every error that the project raises on purpose."""


class InputError(HingewiseError):
    """The user's input cannot be used; the command line exits with code 2.

    Parameters
    ----------
    where : str
        Field or file part at fault, for example ``arbitrary_axis.left_point_mm``.
    got, allowed, fix : str
        What was found, what would be accepted, and what to do next.
    file : Path or str, optional
        The file that holds it.
    """

    def __init__(
        self, where: str, got: str, allowed: str, fix: str, file: Path | str | None = None
    ) -> None:
        self.where, self.got, self.allowed, self.fix = where, got, allowed, fix
        self.file = None if file is None else str(file)
        super().__init__(str(self))

    def __reduce__(self) -> tuple[type[InputError], tuple[str | None, ...]]:
        """Pickle by fields, so that a worker process can hand the error back."""
        return (type(self), (self.where, self.got, self.allowed, self.fix, self.file))

    def __str__(self) -> str:
        place = f"{self.file}: {self.where}" if self.file else self.where
        return f"{place}: got {self.got}, need {self.allowed}. {self.fix}"


@dataclass(frozen=True)
class Finding:
    """One remark of a check that does not stop the work (or says why it would stop).

    Attributes
    ----------
    level : {"error", "warning", "note"}
    where : str
        Field, file or part, as in :class:`InputError`.
    message, fix : str
        What was found, and what to do about it.
    """

    level: Literal["error", "warning", "note"]
    where: str
    message: str
    fix: str
