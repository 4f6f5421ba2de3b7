"""Closure about two axes: stop angles, the error motion E and the error at points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import InputError

Stop = Literal["equal_angle", "pin", "contact"]
STOPS: tuple[Stop, ...] = ("equal_angle", "pin", "contact")
"""What may stop the articulator; always computed side by side."""

UP = np.array([0.0, 0.0, 1.0])
"""Superior in ``axis_orbital``: heights and vertical changes are measured along it."""


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
    """Opening angle (degrees) about an axis that brings one point, shape (3,), to a height, mm.

    Raises
    ------
    InputError
        The point's circle about the axis does not reach the height.
    """
    point = np.asarray(point_mm, dtype=np.float64)
    turn = float(openings_to_height(axis, point[None], np.array([height_mm]))[0])
    if np.isnan(turn):
        raise InputError(
            "opening",
            f"a height {height_mm - point[2]:+.4g} mm from the point's own",
            f"a change that its circle of radius {axis.distance_mm(point):.4g} mm about the axis "
            "can reach",
            "Reduce the vertical change, or check the axis and the point.",
        )
    return turn


def rotated_about(
    axis: HingeAxis, opening_deg: NDArray[np.float64], points_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Points opened about an axis by many angles at once.

    Parameters
    ----------
    axis : HingeAxis
    opening_deg : ndarray, shape (n,)
        Degrees, opening positive.
    points_mm : ndarray, shape (k, 3) or (n, k, 3), mm

    Returns
    -------
    ndarray, shape (n, k, 3), mm

    Notes
    -----
    Rodrigues' formula; one transform an angle costs some hundred times more.
    *Guarantee*: equal to :func:`kinematics.base.axis.opening_motion` within rounding (tested).
    """
    u = axis.direction
    q = points_mm - axis.midpoint_mm
    t = np.radians(opening_deg)[:, None, None]
    along = (q @ u)[..., None] * u
    across = q - along
    return axis.midpoint_mm + along + np.cos(t) * across + np.sin(t) * np.cross(u, across)


def opening_for_drop(axis: HingeAxis, point_mm: ArrayLike, drop_mm: float) -> float:
    """Opening angle (degrees, opening positive) that lowers a point by ``drop_mm``.

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> from kinematics.closure.stops import opening_for_drop
    >>> axis = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> round(opening_for_drop(axis, [90.0, 0.0, -35.0], 3.0), 4)
    1.9228
    """
    point = np.asarray(point_mm, dtype=np.float64)
    return opening_to_height(axis, point, float(point[2]) - drop_mm)


def pin_closing(
    true_axis: HingeAxis,
    arbitrary_axis: HingeAxis,
    true_closing_deg: float,
    pin_tip_record_mm: ArrayLike,
) -> float:
    """Articulator closing (degrees) at which the pin tip stands at the patient's height.

    Parameters
    ----------
    true_axis, arbitrary_axis : HingeAxis
        In ``axis_orbital``.
    true_closing_deg : float
        The patient's closing from the record pose to the target.
    pin_tip_record_mm : array_like, shape (3,), mm
        Tip of the incisal pin, carried with the lower, at the record pose.

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> from kinematics.closure.stops import pin_closing
    >>> true = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> arbitrary = true.shifted(left_anterior_mm=5.0, right_anterior_mm=5.0)
    >>> round(pin_closing(true, arbitrary, 2.0, [130.0, 0.0, -35.0]), 4)
    2.0792
    """
    height = closing_motion(true_axis, true_closing_deg).apply(pin_tip_record_mm)[2]
    return -opening_to_height(arbitrary_axis, pin_tip_record_mm, float(height))


def error_motion(
    true_axis: HingeAxis,
    arbitrary_axis: HingeAxis,
    true_closing_deg: float,
    articulator_closing_deg: float,
) -> RigidTransform:
    """The closure error ``E = M P^-1 = Rot(A, phi) Rot(T, theta)^-1``, in ``axis_orbital``.

    Parameters
    ----------
    true_axis, arbitrary_axis : HingeAxis
    true_closing_deg, articulator_closing_deg : float
        theta and phi, degrees, closing positive, both from the record pose.

    Notes
    -----
    The record pose cancels: E acts on points at the target (true) pose.
    *Source*: derived here (design of this project).

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> from kinematics.closure.stops import error_motion
    >>> true = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> arbitrary = true.shifted(left_anterior_mm=5.0, right_anterior_mm=5.0)
    >>> molar = np.array([50.0, 25.0, -35.0])
    >>> (error_motion(true, arbitrary, 2.0, 2.0).apply(molar) - molar).round(4).tolist()
    [0.003, 0.0, -0.1745]
    """
    articulator = closing_motion(arbitrary_axis, articulator_closing_deg)
    return articulator * closing_motion(true_axis, true_closing_deg).inv()


@dataclass(frozen=True, eq=False)
class Screw:
    """A rigid motion as one turn about, and one slide along, a line.

    Attributes
    ----------
    point_mm : ndarray, shape (3,), mm
        Point of the line nearest the frame's origin; NaN for a pure translation.
    direction : ndarray, shape (3,)
        Unit vector; the slide's direction where nothing turns; zero for the identity.
    angle_deg, slide_mm : float
    """

    point_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    angle_deg: float
    slide_mm: float


def screw(motion: RigidTransform) -> Screw:
    """Return a rigid motion's screw (Chasles): axis, angle in degrees, slide in mm.

    Notes
    -----
    *Guarantee*: angle in [0, 180]; below 1e-10 rad the motion counts as a pure translation.
    """
    rotvec = motion.rotation.as_rotvec()
    shift = np.asarray(motion.translation, dtype=np.float64)
    angle = float(np.linalg.norm(rotvec))
    if angle < 1e-10:
        slide = float(np.linalg.norm(shift))
        direction = shift / slide if slide > 0.0 else np.zeros(3)
        return Screw(np.full(3, np.nan), direction, 0.0, slide)
    u = rotvec / angle
    across = shift - (shift @ u) * u
    point = 0.5 * (across + np.cross(u, across) / np.tan(0.5 * angle))
    return Screw(point, u, float(np.degrees(angle)), float(shift @ u))


@dataclass(frozen=True, eq=False)
class StopResult:
    """Where one stop leaves the articulator's lower cast, against the patient's target pose.

    Attributes
    ----------
    stop : {"equal_angle", "pin", "contact"}
    closing_deg : float
        The articulator's closing from the record pose, degrees, closing positive.
    error_motion : RigidTransform
        E in ``axis_orbital``.
    articulator_mm, error_mm : ndarray, shape (k, 3), mm
        Landmarks in the articulator, and their error ``E p - p`` (x anteroposterior, anterior
        positive; y transverse, left positive; z vertical, superior positive).
    high_mm : ndarray, shape (k,), mm
        Error along the occlusal normal: positive "high" (arrives too early in the mouth),
        negative "open".
    """

    stop: Stop
    closing_deg: float
    error_motion: RigidTransform
    articulator_mm: NDArray[np.float64]
    error_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]

    @property
    def magnitude_mm(self) -> NDArray[np.float64]:
        """Length of each landmark's error, shape (k,), mm."""
        return np.linalg.norm(self.error_mm, axis=-1)

    @property
    def worst(self) -> tuple[int, float]:
        """Index of the landmark with the largest error, and that error, mm."""
        size = self.magnitude_mm
        index = int(np.argmax(size))
        return index, float(size[index])


def high_amount(
    motion: RigidTransform, points_mm: NDArray[np.float64], normals: NDArray[np.float64]
) -> NDArray[np.float64]:
    """High (positive) or open (negative) amount at points of the lower at the target pose, mm.

    Parameters
    ----------
    motion : RigidTransform
        The error motion E.
    points_mm, normals : ndarray, shape (n, 3)
        Lower points at the target pose and their unit outward normals.

    Notes
    -----
    Where the articulator holds the lower too low, what fills the gap there is too high in the
    mouth: ``-(E p - p) . n``. First order in the error. *Source*: derived here.
    """
    return -np.einsum("ij,ij->i", motion.apply(points_mm) - points_mm, normals)


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
        error_motion=motion,
        articulator_mm=moved,
        error_mm=moved - true_mm,
        high_mm=high_amount(motion, true_mm, normals).reshape(-1),
    )


ARC_STEPS = 48


def arc(
    axis: HingeAxis,
    point_mm: ArrayLike,
    closing_deg: float,
    *,
    start_deg: float = 0.0,
    steps: int = ARC_STEPS,
) -> NDArray[np.float64]:
    """Path of a point of the lower about an axis, from ``start_deg`` to ``closing_deg``.

    Returns
    -------
    ndarray, shape (steps + 1, 3), mm
        Angles count closing positive from the pose of ``point_mm``; the ends are included.
    """
    angles = np.linspace(start_deg, closing_deg, steps + 1)
    return rotated_about(axis, -angles, np.asarray(point_mm, dtype=np.float64)[None])[:, 0]
