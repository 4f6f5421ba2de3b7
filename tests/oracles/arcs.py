"""Closed forms of arcs and chords in the sagittal plane, for teaching and for checking.

All functions take the true axis as the origin, x anterior and y up, the arbitrary axis at (a, b),
and count closing counter-clockwise positive. Lengths in mm, angles in degrees.
*Source*: derived here; the general three-dimensional code does not use these.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kinematics.base.arrays import FloatArray


def arc_length(radius_mm: float, angle_deg: float) -> float:
    """Length of the arc, ``r theta``, mm."""
    return radius_mm * float(np.radians(angle_deg))


def chord(radius_mm: float, angle_deg: float) -> float:
    """Length of the chord, ``2 r sin(theta/2)``, mm.

    Examples
    --------
    >>> from tests.oracles.arcs import arc_length, chord
    >>> round(chord(100.0, 2.0), 4), round(arc_length(100.0, 2.0), 4)
    (3.4905, 3.4907)
    """
    return 2.0 * radius_mm * float(np.sin(0.5 * np.radians(angle_deg)))


def sagitta(radius_mm: float, angle_deg: float) -> float:
    """Height of the arc over its chord, ``r (1 - cos(theta/2))``, mm."""
    return 2.0 * radius_mm * float(np.sin(0.25 * np.radians(angle_deg)) ** 2)


def turn(angle_deg: float) -> FloatArray:
    """Plane rotation matrix, shape (2, 2), counter-clockwise positive."""
    t = np.radians(angle_deg)
    return np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])


def equal_angle_error(axis_error_mm: ArrayLike, closing_deg: float) -> FloatArray:
    """Error of every tooth when both axes close by the same angle, shape (2,), mm.

    ``(I - R(theta)) A``: an anterior axis error moves teeth vertically, a superior one
    anteroposteriorly; its length is ``2 sin(theta/2) |A|``.

    Examples
    --------
    An axis 5 mm too far forward and 2 degrees of closing: 175 µm, vertically.

    >>> from tests.oracles.arcs import equal_angle_error
    >>> equal_angle_error([5.0, 0.0], 2.0).round(4).tolist()
    [0.003, -0.1745]
    """
    return (np.eye(2) - turn(closing_deg)) @ np.asarray(axis_error_mm, dtype=np.float64)


def any_angle_error(
    point_mm: ArrayLike, axis_error_mm: ArrayLike, closing_deg: float, articulator_deg: float
) -> FloatArray:
    """Error at the closed point P for unequal angles, ``(R(phi-theta)-I) P + (I-R(phi)) A``."""
    p = np.asarray(point_mm, dtype=np.float64)
    a = np.asarray(axis_error_mm, dtype=np.float64)
    eye = np.eye(2)
    return (turn(articulator_deg - closing_deg) - eye) @ p + (eye - turn(articulator_deg)) @ a


def height_stop_angle(stop_mm: ArrayLike, axis_error_mm: ArrayLike, closing_deg: float) -> float:
    """Articulator's closing angle that restores the height of the closed point G, degrees.

    ``phi = asin((G_y - b)/r) - atan2(Q_y - b, Q_x - a)``, Q the open point, r = |Q - A|.
    """
    g = np.asarray(stop_mm, dtype=np.float64)
    a = np.asarray(axis_error_mm, dtype=np.float64)
    q = turn(-closing_deg) @ g - a
    return float(np.degrees(np.arcsin((g[1] - a[1]) / np.hypot(*q)) - np.arctan2(q[1], q[0])))


def arc_gap(point_mm: ArrayLike, axis_error_mm: ArrayLike, closing_deg: float) -> float:
    """Gap at the closed point between the two arcs through the open point, mm.

    ``|A-Q| - |A-P| = 2 A.(P-Q) / (|A-Q| + |A-P|)``: the best single-point match over all angles.
    """
    p = np.asarray(point_mm, dtype=np.float64)
    a = np.asarray(axis_error_mm, dtype=np.float64)
    q = turn(-closing_deg) @ p
    return float(2.0 * a @ (p - q) / (np.hypot(*(a - q)) + np.hypot(*(a - p))))
