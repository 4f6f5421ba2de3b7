"""Frames behind a mounting: average anatomy, a frame on the arbitrary axis, and covariance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import InputError
from kinematics.mounting.rigid_fit import motion_jacobian

THIRD_POINT_REACH_MM = 80.0
"""Distance of the third point from the axis where none was measured (ours; a mounting only
places the point within its plane by it; the tilt by a point off its height depends on it)."""
CAST_PROBES_MM = frozen([[90.0, 0.0, -38.0], [50.0, 25.0, -35.0], [50.0, -25.0, -35.0]])
"""Where incisors and second molars lie in about every patient, axis_orbital (ours)."""
BONWILL_ARM_SD_MM = 5.4  # published range 90.2-117.9 mm of 120 subjects / 5.15 (derived here)
BALKWILL_SD_DEG = 3.6  # published range 9.0-27.6 deg of 120 subjects / 5.15 (derived here)
OCCLUSAL_PLANE_SD_DEG = 4.0  # no spread found for this plane pair; an assumption of ours


def bonwill_frame(
    incisal_mm: ArrayLike,
    left_molar_mm: ArrayLike,
    right_molar_mm: ArrayLike,
    *,
    arm_mm: float,
    base_mm: float,
    balkwill_deg: float,
    occlusal_to_axis_orbital_deg: float,
) -> RigidTransform:
    """``axis_orbital_from_f`` by Bonwill triangle and Balkwill angle, from three points in ``f``.

    Parameters
    ----------
    incisal_mm, left_molar_mm, right_molar_mm : array_like, shape (3,), mm, frame ``f``
        Incisal point and the distobuccal cusps of the lower second molars: the occlusal plane.
    arm_mm, base_mm : float, mm
        Bonwill arm (condyle to incisal point) and base (condyle to condyle).
    balkwill_deg : float
        Angle of the triangle's plane to the occlusal plane, condyles above it.
    occlusal_to_axis_orbital_deg : float
        How far the occlusal plane runs downwards anteriorly against the axis-orbital plane.

    Raises
    ------
    InputError
        Points nearly on a line, or arms too short for the base.

    Notes
    -----
    *Guarantee*: both condyles ``arm_mm`` from the incisal point, ``base_mm`` apart, at height
    ``sqrt(arm^2 - base^2/4) sin(balkwill)`` above the occlusal plane, exactly.
    *Source*: Bonwill 1858 and Balkwill 1866 as described in published_values section 4; the
    construction is derived here.
    """
    incisal = np.asarray(incisal_mm, dtype=np.float64)
    left, right = np.asarray(left_molar_mm, float), np.asarray(right_molar_mm, float)
    across = left - right
    forward = incisal - 0.5 * (left + right)
    up = np.cross(forward, across)
    if np.linalg.norm(across) < 20.0 or np.linalg.norm(up) < 10.0 * np.linalg.norm(across):
        got = "incisal point and molars that are too near to a line"
        need = "molars at least 20 mm apart and the incisal point 10 mm in front"
        raise InputError("mounting", got, need, "Check the three points and their unit (mm).")
    if arm_mm <= base_mm / 2.0 + 20.0:
        got = f"an arm of {arm_mm:g} mm on a base of {base_mm:g} mm"
        fix = "Check bonwill_arm_mm and bonwill_base_mm."
        raise InputError("mounting.bonwill_arm_mm", got, "an arm well above half the base", fix)
    y = across / np.linalg.norm(across)
    up = up / np.linalg.norm(up)
    x = np.cross(y, up)
    altitude = np.sqrt(arm_mm**2 - base_mm**2 / 4.0)
    beta, gamma = np.radians(balkwill_deg), np.radians(occlusal_to_axis_orbital_deg)
    centre = incisal - altitude * (np.cos(beta) * x - np.sin(beta) * up)
    half = 0.5 * base_mm * y
    third = centre + THIRD_POINT_REACH_MM * (np.cos(gamma) * x + np.sin(gamma) * up)
    return axis_orbital_from_points(HingeAxis(centre + half, centre - half), third)


def axis_orbital_from_articulator(
    arbitrary: HingeAxis, third_point_mm: tuple[float, float]
) -> RigidTransform:
    """Relate the frame on the arbitrary axis to the frame on the true one.

    Parameters
    ----------
    arbitrary : HingeAxis
        In ``axis_orbital``.
    third_point_mm : (float, float)
        The shared third reference point's x and y in ``articulator`` (its z is 0), mm.

    Raises
    ------
    InputError
        The third point cannot lie in both planes (it is too near to the axes).

    Notes
    -----
    *Guarantee*: the third point has z = 0 in both frames; of the two such poses the one that
    turns less. *Source*: derived here: with the frame turned by t about the arbitrary axis, the
    point's height is ``A cos t + B sin t + C``.
    """
    forward, leftward = third_point_mm
    d, m = arbitrary.direction, arbitrary.midpoint_mm
    x0 = np.array([1.0, 0.0, 0.0]) - d[0] * d
    x0 /= np.linalg.norm(x0)
    z0 = np.cross(x0, d)
    a, b = forward * x0[2], forward * z0[2]
    c = -(m[2] + leftward * d[2])
    reach = float(np.hypot(a, b))
    if abs(c) >= reach:
        got = f"a third point {forward:.4g} mm in front of the arbitrary axis"
        need = "one much farther in front than the axes are apart"
        fix = "Check the third point and the offsets of the arbitrary axis."
        raise InputError("mounting.third_point_mm", got, need, fix)
    turns = np.arctan2(b, a) + np.arccos(c / reach) * np.array([1.0, -1.0])
    turns = np.arctan2(np.sin(turns), np.cos(turns))
    t = turns[np.argmin(np.abs(turns))]
    x = np.cos(t) * x0 + np.sin(t) * z0
    matrix = np.column_stack([x, d, np.cross(x, d)])
    return RigidTransform.from_components(m, Rotation.from_matrix(matrix))


def small_motion(new: RigidTransform, old: RigidTransform) -> FloatArray:
    """(rotation vector in rad, translation in mm) that carries ``old`` to ``new``, shape (6,)."""
    step = new * old.inv()
    return np.concatenate([step.rotation.as_rotvec(), step.translation])


def propagated(
    build: Callable[[FloatArray], RigidTransform], values: FloatArray, sds: FloatArray
) -> FloatArray:
    """Motion of a pose by one sd of each of its values, shape (6, k), by central differences.

    The covariance for independent values is ``g @ g.T``.
    """
    here = build(values)
    steps = np.diag(np.maximum(1e-3 * sds, 1e-6))
    plus, minus = (
        np.column_stack([small_motion(build(values + sign * step), here) for step in steps])
        for sign in (1.0, -1.0)
    )
    return (plus - minus) / (2.0 * np.diag(steps)) * sds


def cast_shift_mm(gain: FloatArray) -> float:
    """Root mean square shift (mm) that motions, shape (6, k), make at incisors and molars.

    Notes
    -----
    Over independent causes the squares add up to the mean variance of those three points.
    """
    moved = motion_jacobian(CAST_PROBES_MM) @ gain
    return float(np.sqrt(np.sum(moved**2) / len(CAST_PROBES_MM)))
