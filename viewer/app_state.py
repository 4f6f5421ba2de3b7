"""One viewing session without any server: changed case to numbers, undo, redo, reset.

The last good state stays until a change has been checked and its numbers are there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.assess import SAME_POSE_DEG, Assessment, assess_placed
from kinematics.axis import HingeAxis, closing_motion, opening_motion
from kinematics.case import Case
from kinematics.closure import STOPS, Stop, StopResult
from kinematics.errors import InputError
from kinematics.geometry import Geometry
from kinematics.judging import DepartureCurve, departure_curve, judge, worst_by_departure
from kinematics.landmarks import LandmarkSet
from kinematics.occlusion import ContactReport
from kinematics.placement import PlacedCase, place
from kinematics.uncertainty import uncertainty_of
from kinematics.verdict import Verdict
from viewer.app_case import changed
from viewer.app_place import place_again

MOST_UNDO = 200
"""Steps that can be undone (ours)."""


class Superseded(Exception):
    """A longer computation was given up because the case has changed meanwhile."""


@dataclass(frozen=True, eq=False)
class Reading:
    """The numbers that follow a slider at once.

    Attributes
    ----------
    decision : str
        The stop that the verdict is about: the case's, or ``pin`` where that one is unavailable.
    pair : StopResult or None
        Teeth together on both sides, as :attr:`kinematics.assess.Assessment.contact_pair`.
    """

    placed: PlacedCase
    geometry: Geometry
    contact_true: ContactReport
    contact_arbitrary: ContactReport
    stops: Mapping[Stop, StopResult]
    unavailable: Mapping[Stop, str]
    decision: Stop
    pair: StopResult | None

    @property
    def together(self) -> bool:
        """Whether the target is the patient's own tooth contact."""
        return abs(self.contact_true.closing_deg - self.true_closing_deg) < SAME_POSE_DEG

    @property
    def case(self) -> Case:
        """The case read."""
        return self.placed.case

    @property
    def true_axis(self) -> HingeAxis:
        """The located axis."""
        return self.geometry.true_axis

    @property
    def arbitrary_axis(self) -> HingeAxis:
        """The axis that was, or would be, transferred."""
        return self.geometry.arbitrary_axis

    @property
    def landmarks(self) -> LandmarkSet:
        """Landmarks at the target pose."""
        return self.geometry.landmarks

    @property
    def true_closing_deg(self) -> float:
        """The patient's closing from record to target, degrees."""
        return self.geometry.poses.true_closing_deg

    @property
    def landmarks_record_mm(self) -> NDArray[np.float64]:
        """Landmarks at the record pose, shape (k, 3), mm."""
        return opening_motion(self.true_axis, self.true_closing_deg).apply(self.landmarks.points_mm)

    @property
    def departure_mm(self) -> float:
        """Departure at the incisors, mm, opening positive."""
        record = self.landmarks_record_mm[self.landmarks.incisal_index]
        return float(record[2] - self.landmarks.incisal_point_mm[2])


def _same_poses(placed: PlacedCase, before: Reading | None) -> bool:
    if before is None or placed.landmarks is not before.placed.landmarks:
        return False
    here, there = placed.case, before.case
    return (
        (here.record, here.target, here.pin) == (there.record, there.target, there.pin)
        and placed.contacts is before.placed.contacts
        and np.array_equal(placed.mounting.true_axis.left_point_mm, before.true_axis.left_point_mm)
        and np.array_equal(
            placed.mounting.true_axis.right_point_mm, before.true_axis.right_point_mm
        )
    )


def read_numbers(placed: PlacedCase, before: Reading | None = None) -> Reading:
    """Compute what must follow a slider at once.

    Parameters
    ----------
    placed : PlacedCase
    before : Reading, optional
        The last reading; what the change leaves alone is taken from it.

    Raises
    ------
    InputError
        The record or the target cannot be reached.

    Notes
    -----
    *Guarantee*: equal to :func:`kinematics.assess.assess` in every number that both hold (tested).
    """
    reuse = _same_poses(placed, before)
    if reuse and before is not None:
        geometry = Geometry(
            placed.mounting.true_axis,
            placed.mounting.arbitrary_axis,
            before.geometry.landmarks,
            before.geometry.poses,
        )
    else:
        geometry = placed.geometry()
    opening, engine = geometry.poses.record_opening_deg, placed.contacts
    if reuse and before is not None:
        contact_true = before.contact_true
    else:
        contact_true = engine.report(opening, geometry.true_axis, "the true axis")
    arbitrary = geometry.arbitrary_axis
    contact = engine.report(opening, arbitrary, "the arbitrary axis")
    theta = geometry.poses.true_closing_deg
    stops: dict[Stop, StopResult] = {}
    unavailable: dict[Stop, str] = {}
    for stop in STOPS:
        if stop != "contact":
            stops[stop] = geometry.closed_form(stop, arbitrary, theta)
        elif contact.status == "contact":
            stops[stop] = geometry.at_angle(stop, arbitrary, theta, contact.closing_deg)
        else:
            unavailable[stop] = contact.message
    decision: Stop = placed.case.decision.stop
    if decision in unavailable:
        decision = "pin"
    return Reading(
        placed=placed,
        geometry=geometry,
        contact_true=contact_true,
        contact_arbitrary=contact,
        stops=stops,
        unavailable=unavailable,
        decision=decision,
        pair=_pair(geometry, contact_true, contact),
    )


def _pair(geometry: Geometry, true: ContactReport, arbitrary: ContactReport) -> StopResult | None:
    if not true.status == arbitrary.status == "contact":
        return None
    beyond = true.closing_deg - geometry.poses.true_closing_deg
    marks = geometry.landmarks.moved(closing_motion(geometry.true_axis, beyond))
    return replace(geometry, landmarks=marks).at_angle(
        "contact", geometry.arbitrary_axis, true.closing_deg, arbitrary.closing_deg
    )


def weigh(reading: Reading) -> tuple[Verdict | None, DepartureCurve]:
    """Verdict and curve, as far as they come without further first contacts.

    Returns
    -------
    Verdict or None
        None at stop ``contact``: its break-even departure needs first contacts
        (:func:`complete`).
    DepartureCurve
        Of the closed-form stops.
    """
    worst = worst_by_departure(reading.geometry, reading.placed.contacts)
    closed = {s: r for s, r in reading.stops.items() if s != "contact"}
    stop: Stop = "pin" if reading.decision == "contact" else reading.decision
    verdict = judge(reading.case, reading.geometry, reading.stops, stop, worst)
    curve = departure_curve(verdict, reading.geometry, closed, worst)
    return (verdict if stop == reading.decision else None), curve


def complete(
    reading: Reading,
    check: Callable[[], None] = lambda: None,
    *,
    uncertainty: bool = False,
    excursions: bool = True,
) -> Assessment:
    """Add what takes longer: return to the mouth, break-even and curve with first contacts.

    Parameters
    ----------
    reading : Reading
    check : callable
        Called between the steps; raises :class:`Superseded` to give up.
    uncertainty : bool
        Whether to propagate the case's ``[uncertainty]`` as well.
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
        progress=lambda stage, share: check(),
        curve=False,
        uncertainty=uncertainty,
        excursions=excursions,
    )
    worst = worst_by_departure(found.geometry, reading.placed.contacts)
    closed = {s: r for s, r in found.stops.items() if s != "contact"}
    curve = departure_curve(found.verdict, found.geometry, closed, worst)
    errors = dict(curve.worst_error_mm)
    if "contact" in found.charted:
        traced = np.empty(len(curve.departure_mm))
        for i, departure in enumerate(curve.departure_mm):
            check()
            traced[i] = worst("contact", found.arbitrary_axis, np.array([departure]))[0][0]
        errors["contact"] = traced
    return replace(found, curve=DepartureCurve(curve.departure_mm, errors))


def spread_of(reading: Reading, check: Callable[[], None] = lambda: None) -> list[str]:
    """How sure the answer is, in sentences; empty for a case without ``[uncertainty]``.

    Raises
    ------
    Superseded
        ``check`` said so.
    """
    found = uncertainty_of(reading.placed, progress=lambda words, share: check())
    return [] if found is None else list(found.sentences)


class Session:
    """The case as it is being changed, with its history.

    Attributes
    ----------
    original, saved : Case
        As opened, and as last saved.
    reading : Reading
        Numbers of the last good case.
    rev : int
        Grows with every change of the numbers.

    Notes
    -----
    *Guarantee*: a method that raises leaves the session as it was.
    """

    def __init__(self, case: Case) -> None:
        self.original = self.saved = case
        self.reading = read_numbers(place(case))
        self.rev = 1
        self._past: list[tuple[Case, str]] = []
        self._future: list[tuple[Case, str]] = []
        self._gesture = ""

    @property
    def case(self) -> Case:
        """The last good case."""
        return self.reading.case

    @property
    def can_undo(self) -> bool:
        """Whether there is a step to undo."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a step to redo."""
        return bool(self._future)

    @property
    def is_changed(self) -> bool:
        """Whether the case differs from the one last saved (or opened)."""
        return self.case != self.saved

    def change(self, control: str, value: Any, gesture: str = "") -> Reading:
        """Change one control; steps of one gesture (a drag) are undone together.

        Raises
        ------
        InputError
            The value cannot be used; the session stays as it was.
        """
        case = changed(self.reading.placed, self.reading.geometry, control, value)
        try:
            return self.put(case, gesture)
        except InputError as error:
            raise InputError(control, error.got, error.allowed, error.fix) from None

    def put(self, case: Case, gesture: str = "") -> Reading:
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
        placed = place_again(self.reading.placed, case)
        self.reading = read_numbers(placed, self.reading)
        self.rev += 1
