"""The lower as scanned, at the record and at the target; all about the true axis."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.stops import opening_for_drop

PIN_AHEAD_OF_INCISORS_MM = 40.0
"""Where the pin tip is taken to stand when the case does not say: this far in front of the incisal
point, at its height (ours; a round figure from the proportions of published_values.md 8.6)."""

MAX_OPENING_DEG = 45.0
"""Openings beyond this are refused: no mandible hinges so far (ours)."""


@dataclass(frozen=True, eq=False)
class Poses:
    """Openings of the lower about the true axis, counted from the scanned pose.

    Attributes
    ----------
    record_opening_deg, target_opening_deg : float
        Degrees, opening positive.
    record_from_scanned, target_from_scanned : RigidTransform
        Motions in ``axis_orbital``.
    pin_tip_scanned_mm : ndarray, shape (3,), mm
    """

    true_axis: HingeAxis
    record_opening_deg: float
    target_opening_deg: float
    pin_tip_scanned_mm: NDArray[np.float64]

    @property
    def true_closing_deg(self) -> float:
        """The patient's closing from the record to the target, degrees (theta)."""
        return self.record_opening_deg - self.target_opening_deg

    @property
    def record_from_scanned(self) -> RigidTransform:
        """Motion from the scanned to the record pose."""
        return opening_motion(self.true_axis, self.record_opening_deg)

    @property
    def target_from_scanned(self) -> RigidTransform:
        """Motion from the scanned to the target pose."""
        return opening_motion(self.true_axis, self.target_opening_deg)

    def departure_mm(self, point_scanned_mm: NDArray[np.float64]) -> float:
        """Vertical way of a point from record to target, mm, opening positive."""
        record = self.record_from_scanned.apply(point_scanned_mm)
        target = self.target_from_scanned.apply(point_scanned_mm)
        return float(record[2] - target[2])


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


def poses_for(
    case: Case,
    true_axis: HingeAxis,
    landmarks: LandmarkSet,
    true_contact_opening_deg: Callable[[float], float],
) -> Poses:
    """Find the record and the target pose that a case asks for.

    Parameters
    ----------
    case : Case
    true_axis : HingeAxis
        In ``axis_orbital``.
    landmarks : LandmarkSet
        At the scanned pose.
    true_contact_opening_deg : callable
        Given the record's opening, the opening (degrees from the scanned pose) at which the teeth
        first meet about the true axis; called only where the target is the first contact.

    Raises
    ------
    InputError
        The site is unknown, the height cannot be reached, or an opening exceeds 45 degrees.
    """
    pin = pin_tip(case, landmarks)
    record, target = case.record, case.target

    def drop(site: str, amount_mm: float, field: str) -> float:
        try:
            return opening_for_drop(true_axis, site_point(site, landmarks, pin), amount_mm)
        except InputError as error:
            where = f"{field.split('.')[0]}.site" if error.where == "site" else field
            raise InputError(where, error.got, error.allowed, error.fix) from None

    if record.thickness_mm is not None:
        record_deg = drop(record.site or "incisors", record.thickness_mm, "record.thickness_mm")
    else:
        record_deg = record.opening_deg if record.opening_deg is not None else 0.0
    _check_opening("record", record_deg)
    if target.vdo_change_mm is not None:
        target_deg = drop(target.site or "incisors", target.vdo_change_mm, "target.vdo_change_mm")
    elif target.opening_deg is not None:
        target_deg = target.opening_deg
    elif target.first_contact:
        target_deg = true_contact_opening_deg(record_deg)
    else:
        target_deg = 0.0
    _check_opening("target", target_deg)
    return Poses(true_axis, float(record_deg), float(target_deg), pin)


def _check_opening(field: str, opening_deg: float) -> None:
    if not abs(opening_deg) <= MAX_OPENING_DEG:
        raise InputError(
            field,
            f"an opening of {opening_deg:.4g} degrees",
            f"at most {MAX_OPENING_DEG:g} degrees",
            "Check the vertical change, its site and the axis.",
        )
