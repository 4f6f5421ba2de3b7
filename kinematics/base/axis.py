"""A hinge axis: a line given by its left and right points, and rotation about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.errors import InputError

MIN_POINT_DISTANCE_MM = 20.0
"""Shortest accepted distance of an axis's two points; below it direction is guesswork (ours)."""
MAX_POINT_DISTANCE_MM = 300.0
"""Longest accepted distance; wider than any head, so a wrong unit (ours)."""


def as_point(value: ArrayLike, where: str) -> FloatArray:
    """Check one point and return a read-only copy.

    Parameters
    ----------
    value : array_like, shape (3,), mm
    where : str
        Name used in the error.

    Raises
    ------
    InputError
        Not three finite numbers.
    """
    try:
        point = frozen(value)
    except (TypeError, ValueError):
        raise InputError(where, repr(value), "3 numbers in mm", "Give [x, y, z].") from None
    if point.shape != (3,):
        raise InputError(where, f"shape {point.shape}", "3 numbers in mm", "Give [x, y, z].")
    if not np.isfinite(point).all():
        raise InputError(where, str(point.tolist()), "finite numbers in mm", "Give [x, y, z].")
    return point


@dataclass(frozen=True, eq=False)
class HingeAxis:
    """A transverse axis through a left and a right point, in any frame.

    Only the line matters: sliding both points along it changes no result.

    Parameters
    ----------
    left_point_mm, right_point_mm : array_like, shape (3,), mm
        On the patient's left and right. Copied and made read-only.

    Raises
    ------
    InputError
        Points not finite, or closer than 20 mm or farther than 300 mm from each other.

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> axis = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> axis.width_mm
    110.0
    >>> axis.shifted(left_anterior_mm=4.0).left_point_mm.tolist()
    [4.0, 55.0, 0.0]
    """

    left_point_mm: FloatArray
    right_point_mm: FloatArray

    def __post_init__(self) -> None:
        left = as_point(self.left_point_mm, "left_point_mm")
        right = as_point(self.right_point_mm, "right_point_mm")
        object.__setattr__(self, "left_point_mm", left)
        object.__setattr__(self, "right_point_mm", right)
        distance = float(np.linalg.norm(left - right))
        if not MIN_POINT_DISTANCE_MM <= distance <= MAX_POINT_DISTANCE_MM:
            got, where = f"points {distance:.4g} mm apart", "left_point_mm, right_point_mm"
            need = f"{MIN_POINT_DISTANCE_MM:g} to {MAX_POINT_DISTANCE_MM:g} mm apart"
            raise InputError(where, got, need, "Check the two axis points and their unit (mm).")

    @property
    def points_mm(self) -> FloatArray:
        """Left and right point, shape (2, 3), mm."""
        return np.stack([self.left_point_mm, self.right_point_mm])

    @property
    def direction(self) -> FloatArray:
        """Unit vector from the right to the left point, shape (3,)."""
        d = self.left_point_mm - self.right_point_mm
        return d / np.linalg.norm(d)

    @property
    def midpoint_mm(self) -> FloatArray:
        """Midpoint of the two points, shape (3,), mm."""
        return 0.5 * (self.left_point_mm + self.right_point_mm)

    @property
    def width_mm(self) -> float:
        """Distance between the two points, mm."""
        return float(np.linalg.norm(self.left_point_mm - self.right_point_mm))

    def transformed(self, b_from_a: RigidTransform) -> HingeAxis:
        """Return the same axis expressed in another frame (or moved)."""
        return HingeAxis(b_from_a.apply(self.left_point_mm), b_from_a.apply(self.right_point_mm))

    def shifted(
        self,
        *,
        left_anterior_mm: float = 0.0,
        left_superior_mm: float = 0.0,
        right_anterior_mm: float = 0.0,
        right_superior_mm: float = 0.0,
    ) -> HingeAxis:
        """Return the axis with each point moved along +x (anterior) and +z (superior), mm.

        Meaningful in ``axis_orbital`` only, whose axes are anterior, left and superior.
        """
        left = self.left_point_mm + np.array([left_anterior_mm, 0.0, left_superior_mm])
        right = self.right_point_mm + np.array([right_anterior_mm, 0.0, right_superior_mm])
        return HingeAxis(left, right)

    def distance_mm(self, points: ArrayLike) -> FloatArray:
        """Distance of each point from the line, shape (...,) for points (..., 3), mm."""
        q = np.asarray(points, dtype=np.float64) - self.midpoint_mm
        return np.linalg.norm(np.cross(q, self.direction), axis=-1)


def opening_motion(axis: HingeAxis, opening_deg: float) -> RigidTransform:
    """Rotation that opens the mandible about an axis by an angle (degrees, opening positive).

    Notes
    -----
    Opening is the right-handed rotation about the direction that points to the patient's left:
    with x anterior and z superior it takes an anterior point downwards.

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> from kinematics.base.axis import opening_motion
    >>> axis = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> opening_motion(axis, 2.0).apply([90.0, 0.0, -35.0]).round(3).tolist()
    [88.724, 0.0, -38.12]
    """
    turn = Rotation.from_rotvec(np.radians(opening_deg) * axis.direction)
    centre = axis.midpoint_mm
    return RigidTransform.from_components(centre - turn.apply(centre), turn)


def closing_motion(axis: HingeAxis, closing_deg: float) -> RigidTransform:
    """Rotation that closes the mandible about an axis by an angle (degrees, closing positive)."""
    return opening_motion(axis, -closing_deg)


def axis_orbital_from_points(axis: HingeAxis, third_point_mm: ArrayLike) -> RigidTransform:
    """Pose of ``axis_orbital`` from an axis and the third reference point, all in one frame.

    Parameters
    ----------
    axis : HingeAxis
        In any frame ``f``.
    third_point_mm : array_like, shape (3,), mm, frame ``f``
        Orbitale or another anterior reference point.

    Returns
    -------
    RigidTransform
        ``axis_orbital_from_f``: origin midway between the axis points, +y along the axis to the
        left, +x anterior in the plane of axis and third point, +z superior.

    Raises
    ------
    InputError
        Third point closer than 20 mm to the axis (the plane would be guesswork).

    Examples
    --------
    >>> from kinematics import HingeAxis
    >>> from kinematics.base.axis import axis_orbital_from_points
    >>> axis = HingeAxis([10.0, 55.0, 40.0], [10.0, -55.0, 40.0])
    >>> pose = axis_orbital_from_points(axis, [90.0, 30.0, 40.0])
    >>> pose.apply([90.0, 30.0, 40.0]).round(9).tolist()
    [80.0, 30.0, 0.0]
    """
    third = as_point(third_point_mm, "third_point_mm")
    y = axis.direction
    forward = third - axis.midpoint_mm
    forward = forward - (forward @ y) * y
    reach = float(np.linalg.norm(forward))
    if reach < MIN_POINT_DISTANCE_MM:
        got = f"a point {reach:.4g} mm from the axis"
        need = f"at least {MIN_POINT_DISTANCE_MM:g} mm"
        fix = "Give orbitale (or another anterior reference point) in the frame of the axis points."
        raise InputError("third_point_mm", got, need, fix)
    x = forward / reach
    z = np.cross(x, y)
    turn = Rotation.from_matrix(np.vstack([x, y, z]))
    return RigidTransform.from_components(-turn.apply(axis.midpoint_mm), turn)
