"""What an error of the third reference point costs: nothing in hinge error, degrees in guidance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.articulator.instrument import (
    AVERAGE_BENNETT_DEG,
    AVERAGE_INCLINATION_DEG,
    ArticulatorSettings,
)
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.model import Case
from kinematics.closure.stops import error_motion, pin_closing
from kinematics.mounting.frames import THIRD_POINT_REACH_MM
from kinematics.mounting.mount import Mounting


@dataclass(frozen=True)
class ThirdPointEffect:
    """Cost of a third point used too high (positive) or too low.

    Attributes
    ----------
    error_superior_mm, reach_mm : float
        Height error of the point, and its distance from the transferred axis.
    tilt_deg : float
        How far the casts then stand turned in the articulator, opening positive.
    sd_superior_mm, tilt_sd_deg : float
        Standard uncertainty of the point's height, and of the turn that follows from it. A
        sagittal guidance angle is as uncertain as the turn, degree for degree; the closure error
        at equal angles and at tooth contact does not depend on it.
    equal_angle_change_mm : float
        Largest change of the closure error's magnitude at the points, same closing angle on both
        sides; zero up to rounding. A contact stop is unchanged for the same reason.
    pin_change_mm : float
        The same with the pin as the stop: small, not zero, because the pin holds a height along
        the articulator's own vertical.
    sagittal_deg, bennett_deg : (float, float)
        Guidance angles against the true frame, and as they read in the articulator.
    """

    error_superior_mm: float
    reach_mm: float
    tilt_deg: float
    equal_angle_change_mm: float
    pin_change_mm: float
    sagittal_deg: tuple[float, float]
    bennett_deg: tuple[float, float]
    sd_superior_mm: float = 0.0
    tilt_sd_deg: float = 0.0


def third_point_effect(
    true_axis: HingeAxis,
    arbitrary_axis: HingeAxis,
    true_closing_deg: float,
    target_mm: ArrayLike,
    pin_tip_record_mm: ArrayLike,
    *,
    error_superior_mm: float,
    reach_mm: float,
    sagittal_deg: float = AVERAGE_INCLINATION_DEG,
    bennett_deg: float = AVERAGE_BENNETT_DEG,
    sd_superior_mm: float = 0.0,
) -> ThirdPointEffect:
    """Compute the effect by turning the casts about the transferred axis and closing again.

    Parameters
    ----------
    true_axis, arbitrary_axis : HingeAxis
        In ``axis_orbital``; the arbitrary one is transferred.
    true_closing_deg : float
        From record to target, closing positive.
    target_mm : array_like, shape (n, 3), mm
        Points of the lower at the target pose.
    pin_tip_record_mm : array_like, shape (3,), mm
        Belongs to the articulator and does not turn with the casts.
    error_superior_mm, reach_mm : float
    sagittal_deg, bennett_deg : float
        Guidance angles of the patient.
    sd_superior_mm : float
        Standard uncertainty of the point's height.

    Raises
    ------
    InputError
        A reach that is not above 0.

    Notes
    -----
    *Guarantee*: none about small angles; everything is recomputed in the turned frame, but for
    ``tilt_sd_deg``, which is of first order: ``sd reach / (reach^2 + error^2)``, in radians.
    *Source*: derived here. With F the turn, the error motion becomes ``F E F^-1``: the same screw
    elsewhere, so every magnitude stays; a sagittal path steepens by exactly F's angle.
    """
    if not reach_mm > 0.0:
        raise InputError(
            "third_point.reach_mm", f"{reach_mm:g}", "a distance above 0 mm", "Measure it."
        )
    tilt = float(np.degrees(np.arctan2(error_superior_mm, reach_mm)))
    turn = opening_motion(arbitrary_axis, tilt)
    points = np.asarray(target_mm, dtype=np.float64).reshape(-1, 3)
    turned_true, turned_points = true_axis.transformed(turn), turn.apply(points).reshape(-1, 3)
    turned_arbitrary = arbitrary_axis.transformed(turn)
    theta = true_closing_deg

    def change(before_deg: float, after_deg: float) -> float:
        before = error_motion(true_axis, arbitrary_axis, theta, before_deg)
        after = error_motion(turned_true, turned_arbitrary, theta, after_deg)
        old = np.linalg.norm(before.apply(points) - points, axis=1)
        new = np.linalg.norm(after.apply(turned_points) - turned_points, axis=1)
        return float(np.abs(new - old).max())

    pin = pin_closing(true_axis, arbitrary_axis, theta, pin_tip_record_mm)
    turned_pin = pin_closing(turned_true, turned_arbitrary, theta, pin_tip_record_mm)
    forward, side = 1.0, np.tan(np.radians(bennett_deg))
    path = np.array([forward, -side, -np.tan(np.radians(sagittal_deg))])
    seen = opening_motion(level_axis(arbitrary_axis), tilt).rotation.apply(path)
    return ThirdPointEffect(
        error_superior_mm=error_superior_mm,
        reach_mm=reach_mm,
        tilt_deg=tilt,
        equal_angle_change_mm=change(theta, theta),
        pin_change_mm=change(pin, turned_pin),
        sagittal_deg=(sagittal_deg, rise_deg(-seen[2], seen[0])),
        bennett_deg=(bennett_deg, rise_deg(-seen[1], seen[0])),
        sd_superior_mm=sd_superior_mm,
        tilt_sd_deg=float(
            np.degrees(sd_superior_mm * reach_mm / (reach_mm**2 + error_superior_mm**2))
        ),
    )


def third_point_effect_of_case(
    case: Case,
    mounting: Mounting,
    true_closing_deg: float,
    target_mm: ArrayLike,
    pin_tip_record_mm: ArrayLike,
    guidance: ArticulatorSettings,
) -> ThirdPointEffect | None:
    """Return the effect for a case's ``[third_point]``; None without that table.

    ``guidance`` is the patient's; of each angle the mean of both sides counts.
    """
    table = case.third_point
    if table is None:
        return None
    sagittal = 0.5 * (
        guidance.sagittal_inclination_left_deg + guidance.sagittal_inclination_right_deg
    )
    bennett = 0.5 * (guidance.bennett_left_deg + guidance.bennett_right_deg)
    return third_point_effect(
        mounting.true_axis,
        mounting.arbitrary_axis,
        true_closing_deg,
        target_mm,
        pin_tip_record_mm,
        error_superior_mm=table.error_superior_mm,
        reach_mm=table.reach_mm if table.reach_mm is not None else THIRD_POINT_REACH_MM,
        sagittal_deg=sagittal,
        bennett_deg=bennett,
        sd_superior_mm=table.sd_superior_mm,
    )


def rise_deg(rise: float, run: float) -> float:
    """Angle of a path that rises so much over a run, degrees."""
    return float(np.degrees(np.arctan2(rise, run)))


def level_axis(axis: HingeAxis) -> HingeAxis:
    """The transverse axis of the articulator's own frame: guidance angles refer to it."""
    half: NDArray[np.float64] = np.array([0.0, axis.width_mm / 2.0, 0.0])
    return HingeAxis(half, -half)
