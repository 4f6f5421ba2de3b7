"""Closure about two axes: stop angles, the error motion E and the error at points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import InputError
from kinematics.base.kernel import kernel

Stop = Literal["equal_angle", "pin", "contact"]
STOPS: tuple[Stop, ...] = ("equal_angle", "pin", "contact")
"""What may stop the articulator; always computed side by side."""

UP = np.array([0.0, 0.0, 1.0])
"""Superior in ``axis_orbital``: heights and vertical changes are measured along it."""


@kernel
def to_height(line, p, height):  # type: ignore[no-untyped-def]
    """Opening (radian) about a line, (2, 3), that brings a point p, (3,), to a height.

    Of the two solutions the one nearest 0; NaN where the point's circle does not reach it.
    *Source*: derived here; with u the line's direction and r the point relative to its foot on
    the line, the height is ``c + r_z cos t + (u x r)_z sin t``.
    """
    ux = line[0, 0] - line[1, 0]
    uy = line[0, 1] - line[1, 1]
    uz = line[0, 2] - line[1, 2]
    length = math.sqrt(ux * ux + uy * uy + uz * uz)
    ux, uy, uz = ux / length, uy / length, uz / length
    qx = p[0] - 0.5 * (line[0, 0] + line[1, 0])
    qy = p[1] - 0.5 * (line[0, 1] + line[1, 1])
    qz = p[2] - 0.5 * (line[0, 2] + line[1, 2])
    along = qx * ux + qy * uy + qz * uz
    a = qz - along * uz
    b = ux * (qy - along * uy) - uy * (qx - along * ux)
    reach = math.sqrt(a * a + b * b)
    wanted = height - (p[2] - a)
    if reach == 0.0 or abs(wanted) > reach:
        return math.nan
    phase, half = math.atan2(b, a), math.acos(wanted / reach)
    one, two = phase + half, phase - half
    one, two = math.atan2(math.sin(one), math.cos(one)), math.atan2(math.sin(two), math.cos(two))
    return one if abs(one) < abs(two) else two


def opening_to_height(axis: HingeAxis, point_mm: ArrayLike, height_mm: float) -> float:
    """Opening angle (degrees) about an axis that brings one point, shape (3,), to a height, mm.

    Raises
    ------
    InputError
        The point's circle about the axis does not reach the height.
    """
    point = np.asarray(point_mm, dtype=np.float64)
    turn = float(to_height(axis.points_mm, point, float(height_mm)))
    if np.isnan(turn):
        raise InputError(
            "opening",
            f"a height {height_mm - point[2]:+.4g} mm from the point's own",
            f"a change that its circle of radius {axis.distance_mm(point):.4g} mm about the axis "
            "can reach",
            "Reduce the vertical change, or check the axis and the point.",
        )
    return float(np.degrees(turn))


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
    """Where one stop leaves the articulator's lower cast, against the patient's pose.

    The patient's pose is the planned OVD; with ``contact`` the patient's own first contact.

    Attributes
    ----------
    stop : {"equal_angle", "pin", "contact"}
    closing_deg, true_closing_deg : float
        The articulator's closing from the record pose, and the patient's, degrees, closing
        positive.
    error_motion : RigidTransform
        E in ``axis_orbital``.
    true_mm, articulator_mm, error_mm : ndarray, shape (k, 3), mm
        Landmarks in the patient and in the articulator, and their error ``E p - p`` (x
        anteroposterior, anterior positive; y transverse, left positive; z vertical, superior
        positive).
    high_mm : ndarray, shape (k,), mm
        Error along the occlusal normal: positive "high" (arrives too early in the mouth),
        negative "open".
    """

    stop: Stop
    closing_deg: float
    true_closing_deg: float
    error_motion: RigidTransform
    true_mm: NDArray[np.float64]
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
