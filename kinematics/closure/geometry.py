"""A placed case at its record and its target: the poses that closings start from and aim at."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.records import Motions
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.closure.batch import ANGLE, DROP, ClosureBatch, OpeningRule, closures
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.place import PlacedCase
from kinematics.closure.stops import (
    Stop,
    StopResult,
    error_motion,
    opening_for_drop,
    pin_closing,
)
from kinematics.closure.tooth_contact import MAX_CLOSING_DEG
from kinematics.mounting.methods import lower_to_upper

PIN_AHEAD_OF_INCISORS_MM = 40.0
"""Where the pin tip is taken to stand when the case does not say: this far in front of the incisal
point, at its height (ours; a round figure from the proportions of published_values.md 8.6)."""

MAX_OPENING_DEG = 45.0
"""Openings beyond this are refused: no mandible hinges so far (ours)."""


@dataclass(frozen=True, eq=False)
class Geometry:
    """A placed case with the openings of its record and target; frame ``axis_orbital``.

    Attributes
    ----------
    placed : PlacedCase
        Holds both axes; everything opens about its true axis.
    record_opening_deg, target_opening_deg : float
        Degrees from the scanned pose, opening positive.
    pin_tip_scanned_mm : ndarray, shape (3,), mm
    """

    placed: PlacedCase
    record_opening_deg: float
    target_opening_deg: float
    pin_tip_scanned_mm: NDArray[np.float64]

    @property
    def true_axis(self) -> HingeAxis:
        """The located axis."""
        return self.placed.true_axis

    @property
    def arbitrary_axis(self) -> HingeAxis:
        """The axis that was, or would be, transferred."""
        return self.placed.arbitrary_axis

    @property
    def true_closing_deg(self) -> float:
        """Theta: the patient's closing from the record to the target, degrees."""
        return self.record_opening_deg - self.target_opening_deg

    @property
    def record_from_scanned(self) -> RigidTransform:
        """Motion from the scanned to the record pose."""
        return opening_motion(self.true_axis, self.record_opening_deg)

    @property
    def target_from_scanned(self) -> RigidTransform:
        """Motion from the scanned to the target pose."""
        return opening_motion(self.true_axis, self.target_opening_deg)

    @property
    def record_from_target(self) -> RigidTransform:
        """Motion from the target pose back to the record pose."""
        return opening_motion(self.true_axis, self.true_closing_deg)

    @cached_property
    def landmarks(self) -> LandmarkSet:
        """Landmarks at the target pose."""
        return self.placed.landmarks.moved(self.target_from_scanned)

    @property
    def pin_tip_target_mm(self) -> NDArray[np.float64]:
        """Pin tip at the target pose, shape (3,), mm."""
        return self.target_from_scanned.apply(self.pin_tip_scanned_mm)

    @property
    def pin_tip_record_mm(self) -> NDArray[np.float64]:
        """Pin tip at the record pose, shape (3,), mm."""
        return self.record_from_scanned.apply(self.pin_tip_scanned_mm)

    @cached_property
    def recorded(self) -> Motions:
        """Motion of the lower from the target pose to each guidance record."""
        placed = self.placed
        from_upper = placed.mounting.axis_orbital_from_upper_scan
        target = self.target_from_scanned * from_upper * lower_to_upper(placed.case)
        return {
            record.kind: from_upper * record.upper_scan_from_lower_scan * target.inv()
            for record in placed.scans.records
        }

    @cached_property
    def target_drop_mm(self) -> float:
        """How far the incisal point lies below its scanned place at the target, mm."""
        return float(self.placed.landmarks.incisal_point_mm[2] - self.landmarks.incisal_point_mm[2])

    def record_openings_deg(self, departure_mm: FloatArray) -> FloatArray:
        """Openings from the scanned pose, degrees, of records ``departure_mm`` (n,) off the target.

        Measured at the incisors, opening positive. NaN where
        the incisors' circle does not reach the height.
        """
        return self.closed("equal_angle", self.true_axis, departure_mm).record_opening_deg

    def closed(
        self,
        stop: Stop,
        axis: HingeAxis,
        departure_mm: FloatArray | None = None,
        *,
        contact_closing_deg: FloatArray | None = None,
    ) -> ClosureBatch:
        """Close about an axis from the case's record, or from records nearer or farther.

        Parameters
        ----------
        stop : {"equal_angle", "pin", "contact"}
        axis : HingeAxis
            The articulator's.
        departure_mm : ndarray, shape (n,), optional
            Where the records lie from the target, at the incisors, opening positive; one row at
            the case's own record without it.
        contact_closing_deg : ndarray, shape (n, 2), optional
            From each record to first contact about the true axis and about this one, needed for
            ``contact``.
        """
        marks = self.placed.landmarks
        at = marks.incisal_point_mm
        kind, record = ANGLE, np.array([self.record_opening_deg])
        if departure_mm is not None:
            kind, record = DROP, self.target_drop_mm - departure_mm
        return closures(
            self.true_axis.points_mm[None],
            axis.points_mm[None],
            marks.points_mm,
            marks.normals,
            self.pin_tip_scanned_mm,
            OpeningRule(kind, 0.0, at),
            record,
            OpeningRule(ANGLE, 0.0, at),
            np.full(len(record), self.target_opening_deg),
            stop,
            contact_closing_deg=contact_closing_deg,
        )

    def result(
        self,
        stop: Stop,
        axis: HingeAxis,
        contact_closing_deg: tuple[float, float] = (np.nan, np.nan),
    ) -> StopResult:
        """Close once from the case's record: a batch of one row, with its exact error motion.

        ``contact_closing_deg`` leads to first contact about the true axis and about this one.

        Raises
        ------
        InputError
            The pin cannot reach the patient's height about the axis.
        """
        row = self.closed(stop, axis, contact_closing_deg=np.array([contact_closing_deg]))
        angle = float(row.closing_deg[0])
        theta = contact_closing_deg[0] if stop == "contact" else self.true_closing_deg
        if stop == "pin" and np.isnan(angle):
            angle = pin_closing(self.true_axis, axis, theta, self.pin_tip_record_mm)  # says why
        to_bite = opening_motion(self.true_axis, self.record_opening_deg - theta)
        true_mm = to_bite.apply(self.placed.landmarks.points_mm)
        return StopResult(
            stop=stop,
            closing_deg=angle,
            error_motion=error_motion(self.true_axis, axis, theta, angle),
            true_closing_deg=theta,
            true_mm=true_mm,
            articulator_mm=true_mm + row.error_mm[0],
            error_mm=row.error_mm[0],
            high_mm=row.high_mm[0],
        )


def pin_tip(case: Case, landmarks: LandmarkSet) -> NDArray[np.float64]:
    """Pin tip at the scanned pose in ``axis_orbital``, mm: the case's, or 40 mm ahead."""
    if case.pin.tip_mm is not None:
        return np.array(case.pin.tip_mm, dtype=np.float64)
    return landmarks.incisal_point_mm + np.array([PIN_AHEAD_OF_INCISORS_MM, 0.0, 0.0])


def site_point(
    site: str, landmarks: LandmarkSet, pin_tip_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Point at which a vertical change is measured: ``incisors``, ``pin`` or a landmark."""
    if site == "incisors":
        return landmarks.incisal_point_mm
    if site == "pin":
        return pin_tip_mm
    return landmarks.point(site)


def geometry_of(placed: PlacedCase) -> Geometry:
    """Find the record and the target pose that a placed case asks for.

    Raises
    ------
    InputError
        The site is unknown, the height cannot be reached, an opening exceeds 45 degrees, or the
        target is a first contact that there is not.
    """
    case, landmarks = placed.case, placed.landmarks
    pin = pin_tip(case, landmarks)
    record, target = case.record, case.target

    def drop(site: str, amount_mm: float, field: str) -> float:
        try:
            return opening_for_drop(placed.true_axis, site_point(site, landmarks, pin), amount_mm)
        except InputError as error:
            where = f"{field.split('.')[0]}.site" if error.where == "site" else field
            raise InputError(where, error.got, error.allowed, error.fix) from None

    record_deg = record.opening_deg or 0.0
    if record.thickness_mm is not None:
        record_deg = drop(record.site or "incisors", record.thickness_mm, "record.thickness_mm")
    check_opening("record", record_deg)
    target_deg = target.opening_deg or 0.0
    if target.vdo_change_mm is not None:
        target_deg = drop(target.site or "incisors", target.vdo_change_mm, "target.vdo_change_mm")
    elif target.opening_deg is None and target.first_contact:
        target_deg = contact_opening_deg(placed, record_deg)
    check_opening("target", target_deg)
    return Geometry(placed, float(record_deg), float(target_deg), pin)


def contact_opening_deg(placed: PlacedCase, record_opening_deg: float) -> float:
    """Opening from the scanned pose at which the teeth first meet about the true axis, degrees.

    Raises
    ------
    InputError
        There are no casts, they touch at the record already, or they never meet.
    """
    at_record = opening_motion(placed.true_axis, record_opening_deg)
    found = placed.contacts.first_contact(at_record, placed.true_axis)
    if found is None:
        raise InputError(
            "target.first_contact",
            "no casts",
            "[casts] with upper and lower",
            "Give the casts, or another form of target.",
        )
    if found.status == "already_touching":
        finding = placed.contacts.touching_finding(at_record, placed.true_axis)
        raise InputError("record", finding.message, "casts apart at the record pose", finding.fix)
    if found.status != "contact":
        raise InputError(
            "target.first_contact",
            f"casts that never meet within {MAX_CLOSING_DEG:g} degrees",
            "casts that meet when closed about the true axis",
            "Check that upper and lower belong together and share one frame, and the axis.",
        )
    return record_opening_deg - float(found.closing_deg)


def check_opening(field: str, opening_deg: float) -> None:
    """Refuse an opening that no mandible makes."""
    if not abs(opening_deg) <= MAX_OPENING_DEG:
        raise InputError(
            field,
            f"an opening of {opening_deg:.4g} degrees",
            f"at most {MAX_OPENING_DEG:g} degrees",
            "Check the vertical change, its site and the axis.",
        )
