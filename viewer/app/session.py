"""One viewing session without any server: changed case to numbers, undo, redo, reset.

The last good state stays until a change has been checked and its numbers are there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from kinematics.assessment import Assessment, assess_placed
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.closure.close import Closures, close
from kinematics.closure.place import place
from kinematics.decision.curve import DepartureCurve, departure_curve
from kinematics.uncertainty.propagate import propagate
from kinematics.uncertainty.risk import inputs_of
from kinematics.uncertainty.summary import UncertaintySummary
from viewer.app.controls import changed

FIRST_TRIALS = 10_000
"""Trials after which a chance is shown for the first time: a third of a second (ours)."""
MOST_UNDO = 200
"""Steps that can be undone (ours)."""


class Superseded(Exception):
    """A longer computation was given up because the case has changed meanwhile."""


def quick_curve(reading: Closures) -> DepartureCurve:
    """The error against departure as far as it comes without further first contacts."""
    return departure_curve(reading, stops=[s for s in reading.stops if s != "contact"])


def complete(
    reading: Closures,
    check: Callable[[], None] = lambda: None,
    *,
    uncertainty: bool = False,
    excursions: bool = True,
) -> Assessment:
    """Add what takes longer: return to the mouth, curve with first contacts.

    Parameters
    ----------
    reading : Closures
    check : callable
        Called between the steps; raises :class:`Superseded` to give up.
    uncertainty : bool
        Whether to propagate what is uncertain as well.
    excursions : bool
        Whether to compare the excursions, where the case has ``[articulator]``.

    Raises
    ------
    Superseded
        ``check`` said so.
    """
    check()
    found = assess_placed(
        reading.placed,
        progress=lambda words, share: check(),
        curve=False,
        uncertainty=uncertainty,
        excursions=excursions,
        closed=reading,
    )
    largest = float("nan") if found.decision is None else found.decision.largest_closure_mm
    curve = departure_curve(reading, largest, progress=lambda words, share: check())
    return replace(found, curve=curve)


def spread_of(
    reading: Closures,
    check: Callable[[], None] = lambda: None,
    tell: Callable[[float], None] = lambda share: None,
    *,
    first: bool = False,
) -> UncertaintySummary | None:
    """The chances that the answer rests on.

    Parameters
    ----------
    reading : Closures
    check : callable
        Called every second or two; raises :class:`Superseded` to give up.
    tell : callable
        Called with the share of the trials allowed that are done.
    first : bool
        Stop after the first :data:`FIRST_TRIALS` trials; None comes back with tooth contact,
        where each trial takes long.

    Raises
    ------
    Superseded
        ``check`` said so.

    Notes
    -----
    On one core, so that a slider finds another one free.
    """

    def progress(words: str, share: float) -> None:
        check()
        tell(share)

    if first and reading.stop == "contact":
        return None
    most = FIRST_TRIALS if first else None
    return propagate(inputs_of(reading, threads=1), max_trials=most, progress=progress)


class Session:
    """The case as it is being changed, with its history.

    Attributes
    ----------
    original, saved : Case
        As opened, and as last saved.
    reading : Closures
        Numbers of the last good case.
    rev : int
        Grows with every change of the numbers.

    Notes
    -----
    *Guarantee*: a method that raises leaves the session as it was.
    """

    def __init__(self, case: Case) -> None:
        self.original = self.saved = case
        self.reading = close(place(case))
        self.rev = 1
        self._past: list[tuple[Case, str]] = []
        self._future: list[tuple[Case, str]] = []
        self._gesture = ""

    @property
    def case(self) -> Case:
        """The last good case."""
        return self.reading.case

    def steps(self) -> dict[str, bool]:
        """Which steps there are to take, and whether the case differs from the one last saved."""
        return {
            "undo": bool(self._past),
            "redo": bool(self._future),
            "reset": self.case != self.original,
            "changed": self.case != self.saved,
        }

    def change(self, control: str, value: Any, gesture: str = "") -> Closures:
        """Change one control; steps of one gesture (a drag) are undone together.

        Raises
        ------
        InputError
            The value cannot be used; the session stays as it was.
        """
        case = changed(self.reading, control, value)
        try:
            return self.put(case, gesture)
        except InputError as error:
            raise InputError(control, error.got, error.allowed, error.fix) from None

    def put(self, case: Case, gesture: str = "") -> Closures:
        """Replace the case as one step.

        Raises
        ------
        InputError
            The case cannot be placed or posed; the session stays as it was.
        """
        if case == self.case:
            return self.reading
        before = self.case
        self._show(case)
        if not (gesture and gesture == self._gesture and self._past):
            self._past.append((before, gesture))
            del self._past[:-MOST_UNDO]
        self._gesture = gesture
        self._future.clear()
        return self.reading

    def undo(self) -> bool:
        """Take the last step back; False where there is none."""
        return self._travel(self._past, self._future)

    def redo(self) -> bool:
        """Take an undone step again; False where there is none."""
        return self._travel(self._future, self._past)

    def reset(self) -> bool:
        """Return to the case as opened (a step that can be undone)."""
        if self.case == self.original:
            return False
        self.put(self.original)
        return True

    def _travel(self, source: list[tuple[Case, str]], other: list[tuple[Case, str]]) -> bool:
        if not source:
            return False
        case, gesture = source[-1]
        before = self.case
        self._show(case)
        source.pop()
        other.append((before, gesture))
        self._gesture = ""
        return True

    def _show(self, case: Case) -> None:
        placed = self.reading.placed.with_case(case)
        self.reading = close(placed, self.reading)
        self.rev += 1
