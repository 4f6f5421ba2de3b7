"""Closures by numpy and scipy alone, one sample at a time: what the engine is held against."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.closure.stops import Stop, StopResult, error_motion, high_amount


def openings_to_height(
    axis: HingeAxis, points_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Opening angles about an axis that bring points to heights (z of ``axis_orbital``).

    Parameters
    ----------
    axis : HingeAxis
        Any direction; it need not be horizontal.
    points_mm : ndarray, shape (n, 3) or (1, 3), mm
    heights_mm : ndarray, shape (n,), mm

    Returns
    -------
    ndarray, shape (n,)
        Degrees, opening positive; of the two solutions the one nearest 0; NaN where the point's
        circle about the axis does not reach the height.

    Notes
    -----
    *Guarantee*: exact up to rounding. *Source*: derived here; with u the axis direction and r the
    point relative to its foot on the axis, the height is ``c + r_z cos t + (u x r)_z sin t``.
    """
    u = axis.direction
    q = points_mm - axis.midpoint_mm
    along = (q @ u)[:, None] * u
    r = q - along
    a, b = r[:, 2], np.cross(u, r)[:, 2]
    reach = np.hypot(a, b)
    wanted = heights_mm - axis.midpoint_mm[2] - along[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = wanted / reach
    half = np.arccos(np.clip(share, -1.0, 1.0))
    phase = np.arctan2(b, a)
    turns = np.stack([phase + half, phase - half])
    turns = np.arctan2(np.sin(turns), np.cos(turns))
    nearest = np.where(np.abs(turns[0]) <= np.abs(turns[1]), turns[0], turns[1])
    return np.degrees(np.where(np.abs(share) <= 1.0, nearest, np.nan))


def opening_to_height(axis: HingeAxis, point_mm: ArrayLike, height_mm: float) -> float:
    """The same for one point, shape (3,)."""
    point = np.asarray(point_mm, dtype=np.float64)
    return float(openings_to_height(axis, point[None], np.array([height_mm]))[0])


def opening_for_drop(axis: HingeAxis, point_mm: ArrayLike, drop_mm: float) -> float:
    """Opening that lowers a point by a drop, degrees."""
    point = np.asarray(point_mm, dtype=np.float64)
    return opening_to_height(axis, point, float(point[2]) - drop_mm)


def pin_closing(
    true_axis: HingeAxis, axis: HingeAxis, true_closing_deg: float, pin_tip_record_mm: ArrayLike
) -> float:
    """Articulator closing at which the pin tip stands at the patient's height, degrees."""
    height = closing_motion(true_axis, true_closing_deg).apply(pin_tip_record_mm)[2]
    return -opening_to_height(axis, pin_tip_record_mm, float(height))


def stop_result(
    stop: Stop,
    true_axis: HingeAxis,
    arbitrary_axis: HingeAxis,
    true_closing_deg: float,
    articulator_closing_deg: float,
    true_mm: NDArray[np.float64],
    normals: NDArray[np.float64],
) -> StopResult:
    """Evaluate one stop at landmarks given at the target pose, shape (k, 3), mm."""
    motion = error_motion(true_axis, arbitrary_axis, true_closing_deg, articulator_closing_deg)
    moved = motion.apply(true_mm).reshape(-1, 3)
    return StopResult(
        stop=stop,
        closing_deg=articulator_closing_deg,
        true_closing_deg=true_closing_deg,
        true_mm=true_mm,
        error_motion=motion,
        articulator_mm=moved,
        error_mm=moved - true_mm,
        high_mm=high_amount(motion, true_mm, normals).reshape(-1),
    )
