"""One placed case closed about both axes: first contacts, stops, both bites with teeth together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.base.axis import HingeAxis, closing_motion, opening_motion
from kinematics.case.read import Case
from kinematics.casts.cast import Cast
from kinematics.closure.geometry import Geometry
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.place import PlacedCase
from kinematics.closure.stops import STOPS, Stop, StopResult
from kinematics.closure.tooth_contact import ContactReport

SAME_POSE_DEG = 0.01
"""Target and first contact closer than this count as one pose (ours: 15 µm at the incisors)."""


class ByGeometry:
    """Shorthands of a record that holds the rigid geometry of a case."""

    geometry: Geometry

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
        """Theta: the patient's closing from the record to the target, degrees."""
        return self.geometry.poses.true_closing_deg


@dataclass(frozen=True, eq=False)
class Closures(ByGeometry):
    """The closures of one placed case; lengths in mm, frame ``axis_orbital``.

    Attributes
    ----------
    geometry : Geometry
        At the target pose.
    contact_true, contact_arbitrary : ContactReport
        First contact from the record about each axis.
    stops, unavailable
        Result by stop, and the reason for a stop that has none.
    decision : str
        The stop that the verdict is about: the case's, or ``pin`` where that one is unavailable.
    pair : StopResult or None
        Both bites with the teeth together: the articulator at its first contact against the
        patient at the patient's own, whatever the target. None where either has no contact.
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
    def beyond_deg(self) -> float:
        """Closing from the target to the patient's own first contact, degrees."""
        return self.contact_true.closing_deg - self.true_closing_deg

    @property
    def together(self) -> bool:
        """Whether the target is the patient's own tooth contact."""
        return abs(self.beyond_deg) < SAME_POSE_DEG

    @property
    def case(self) -> Case:
        """The case."""
        return self.placed.case

    @cached_property
    def lower_target(self) -> Cast | None:
        """The lower at the target pose."""
        lower = self.placed.lower
        return None if lower is None else lower.moved(self.geometry.poses.target_from_scanned)

    @property
    def pin_tip_record_mm(self) -> NDArray[np.float64]:
        """Pin tip at the record pose, shape (3,), mm."""
        to_record = opening_motion(self.true_axis, self.true_closing_deg)
        return to_record.apply(self.geometry.pin_tip_target_mm)

    @cached_property
    def landmarks_record_mm(self) -> NDArray[np.float64]:
        """Landmarks at the record pose, shape (k, 3), mm."""
        points = opening_motion(self.true_axis, self.true_closing_deg).apply(
            self.landmarks.points_mm
        )
        points.flags.writeable = False
        return points

    @property
    def departure_mm(self) -> float:
        """Departure at the incisors, mm, opening positive."""
        record = self.landmarks_record_mm[self.landmarks.incisal_index]
        return float(record[2] - self.landmarks.incisal_point_mm[2])


def close(placed: PlacedCase, before: Closures | None = None) -> Closures:
    """Close a placed case about both axes.

    Parameters
    ----------
    placed : PlacedCase
    before : Closures, optional
        Of the case before a change; what the change leaves alone is taken from it.

    Raises
    ------
    InputError
        The record or the target cannot be reached.

    Notes
    -----
    *Guarantee*: the same numbers with and without ``before`` (tested).
    """
    engine = placed.contacts
    if before is not None and _same_poses(placed, before):
        arbitrary = placed.mounting.arbitrary_axis
        geometry = replace(before.geometry, arbitrary_axis=arbitrary)
        contact_true = before.contact_true
    else:
        geometry = placed.geometry()
        contact_true = engine.report(
            geometry.poses.record_opening_deg, geometry.true_axis, "the true axis"
        )
    arbitrary, theta = geometry.arbitrary_axis, geometry.poses.true_closing_deg
    contact = engine.report(geometry.poses.record_opening_deg, arbitrary, "the arbitrary axis")
    stops: dict[Stop, StopResult] = {}
    unavailable: dict[Stop, str] = {}
    for stop in STOPS:
        if stop != "contact":
            stops[stop] = geometry.closed_form(stop, arbitrary, theta)
        elif contact.status == "contact":
            stops[stop] = geometry.at_angle(stop, arbitrary, theta, contact.closing_deg)
        else:
            unavailable[stop] = contact.message
    wanted: Stop = placed.case.decision.stop
    pair = None
    if contact_true.status == contact.status == "contact":
        pair = _teeth_together(geometry, contact_true.closing_deg, contact.closing_deg)
    return Closures(
        placed=placed,
        geometry=geometry,
        contact_true=contact_true,
        contact_arbitrary=contact,
        stops=stops,
        unavailable=unavailable,
        decision="pin" if wanted in unavailable else wanted,
        pair=pair,
    )


def _same_poses(placed: PlacedCase, before: Closures) -> bool:
    """Whether a change left record, target, pin, casts, landmarks and true axis alone."""
    if placed.landmarks is not before.placed.landmarks:
        return False
    here, there = placed.case, before.case
    true = placed.mounting.true_axis
    return (
        (here.record, here.target, here.pin) == (there.record, there.target, there.pin)
        and placed.contacts is before.placed.contacts
        and np.array_equal(true.left_point_mm, before.true_axis.left_point_mm)
        and np.array_equal(true.right_point_mm, before.true_axis.right_point_mm)
    )


def _teeth_together(geometry: Geometry, true_deg: float, articulator_deg: float) -> StopResult:
    """Both at their first contact; landmarks at the patient's own."""
    to_contact = closing_motion(geometry.true_axis, true_deg - geometry.poses.true_closing_deg)
    marks = geometry.landmarks.moved(to_contact)
    return replace(geometry, landmarks=marks).at_angle(
        "contact", geometry.arbitrary_axis, true_deg, articulator_deg
    )
