"""One case's rigid geometry at the target pose: closures for any axis and any departure."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kinematics.articulator.records import Motions
from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.poses import Poses
from kinematics.closure.stops import (
    Stop,
    StopResult,
    openings_to_height,
    pin_closing,
    rotated_about,
    stop_result,
)


@dataclass(frozen=True, eq=False)
class Geometry:
    """One case's rigid geometry in ``axis_orbital``: all that the closure needs.

    Attributes
    ----------
    true_axis, arbitrary_axis : HingeAxis
    landmarks : LandmarkSet
        At the target (true) pose.
    poses : Poses
    recorded : mapping of record kind to RigidTransform
        Motion of the lower from the target pose to each guidance record.
    """

    true_axis: HingeAxis
    arbitrary_axis: HingeAxis
    landmarks: LandmarkSet
    poses: Poses
    recorded: Motions = field(default_factory=dict)

    @property
    def pin_tip_target_mm(self) -> NDArray[np.float64]:
        """Pin tip at the target pose, shape (3,), mm."""
        return self.poses.target_from_scanned.apply(self.poses.pin_tip_scanned_mm)

    def closing_for_departure(self, departure_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Closing (degrees) from records that lie ``departure_mm`` (n,) from the target.

        The target stays; the record moves. Measured at the incisors, opening positive. NaN where
        the incisors' circle does not reach the height.
        """
        point = self.landmarks.incisal_point_mm
        return openings_to_height(self.true_axis, point[None], point[2] + departure_mm)

    def departure_errors(
        self,
        stop: Stop,
        axis: HingeAxis,
        true_closing_deg: NDArray[np.float64],
        contact_closing_deg: NDArray[np.float64] | None = None,
    ) -> NDArray[np.float64]:
        """Size of every landmark's error for many closings from the record at once.

        Parameters
        ----------
        stop : {"equal_angle", "pin", "contact"}
        axis : HingeAxis
        true_closing_deg : ndarray, shape (n,)
        contact_closing_deg : ndarray, shape (n,), optional
            The articulator's closing, needed for ``contact``.

        Returns
        -------
        ndarray, shape (n, k), mm
            NaN where the stop is not reached.

        Notes
        -----
        *Guarantee*: equal to :meth:`closed_form` and :meth:`at_angle` within rounding (tested).
        """
        theta = np.asarray(true_closing_deg, dtype=np.float64)
        marks = self.landmarks.points_mm
        record = rotated_about(self.true_axis, theta, marks)
        if stop == "equal_angle":
            phi = theta
        elif stop == "pin":
            pin = self.pin_tip_target_mm
            pin_record = rotated_about(self.true_axis, theta, pin[None])[:, 0]
            phi = -openings_to_height(axis, pin_record, np.full(len(theta), pin[2]))
        else:
            assert contact_closing_deg is not None
            phi = contact_closing_deg
        closed = rotated_about(axis, -phi, record)
        return np.linalg.norm(closed - marks, axis=-1)

    def closed_form(self, stop: Stop, axis: HingeAxis, true_closing_deg: float) -> StopResult:
        """Evaluate ``equal_angle`` or ``pin`` for an axis and a closing from the record."""
        angle = true_closing_deg
        if stop == "pin":
            pin_record = closing_motion(self.true_axis, true_closing_deg).inv()
            angle = pin_closing(
                self.true_axis, axis, true_closing_deg, pin_record.apply(self.pin_tip_target_mm)
            )
        return self.at_angle(stop, axis, true_closing_deg, angle)

    def at_angle(
        self, stop: Stop, axis: HingeAxis, true_closing_deg: float, articulator_deg: float
    ) -> StopResult:
        """Evaluate a stop whose articulator angle is known."""
        marks = self.landmarks
        return stop_result(
            stop,
            self.true_axis,
            axis,
            true_closing_deg,
            articulator_deg,
            marks.points_mm,
            marks.normals,
        )
