"""Where a line of sight meets a cast: on the full mesh, not on what is displayed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.errors import InputError
from kinematics.casts.cast import Cast
from kinematics.casts.occlusal import nearest_tooth


@dataclass(frozen=True, eq=False)
class Hit:
    """A point picked on a cast.

    Attributes
    ----------
    point_mm : ndarray, shape (3,), mm
        In the frame of the cast given.
    face : int
        Triangle it lies on.
    tooth : int
        ISO 3950 number of the nearest vertex, 0 without labels.
    """

    point_mm: NDArray[np.float64]
    face: int
    tooth: int


def ray(origin: ArrayLike, direction: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Check a line of sight.

    Raises
    ------
    InputError
        Not three finite numbers each, or no direction.
    """
    try:
        o = np.asarray(origin, dtype=np.float64).reshape(3)
        d = np.asarray(direction, dtype=np.float64).reshape(3)
    except (TypeError, ValueError):
        o = d = np.full(3, np.nan)
    length = float(np.linalg.norm(d))
    if not (np.isfinite(o).all() and np.isfinite(length) and length > 0.0):
        raise InputError("pick", "no line of sight", "an origin and a direction", "Click again.")
    return o, d / length


def pick(cast: Cast, origin: ArrayLike, direction: ArrayLike) -> Hit | None:
    """First point at which a ray meets a cast, or None where it misses.

    Parameters
    ----------
    cast : Cast
    origin, direction : array_like, shape (3,)
        In the cast's frame, mm.

    Notes
    -----
    *Guarantee*: the nearest crossing in front of the origin over all triangles, both sides; a
    triangle seen edge-on is not hit. *Source*: Möller T, Trumbore B, Journal of Graphics Tools
    1997;2:21-28 (from memory; compared with another ray caster in the tests).
    """
    o, d = ray(origin, direction)
    corners = cast.vertices_mm[cast.faces]
    a, e1, e2 = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = np.cross(d, e2)
    det = np.einsum("ij,ij->i", e1, p)
    size = np.linalg.norm(e1, axis=1) * np.linalg.norm(e2, axis=1)
    usable = np.abs(det) > 1e-12 * size
    inverse = np.divide(1.0, det, out=np.zeros_like(det), where=usable)
    s = o - a
    u = np.einsum("ij,ij->i", s, p) * inverse
    q = np.cross(s, e1)
    v = (q @ d) * inverse
    t = np.einsum("ij,ij->i", e2, q) * inverse
    slack = 1e-9
    met = usable & (u >= -slack) & (v >= -slack) & (u + v <= 1.0 + slack) & (t > 0.0)
    if not met.any():
        return None
    face = int(np.flatnonzero(met)[np.argmin(t[met])])
    point = o + t[face] * d
    return Hit(point, face, int(nearest_tooth(cast, point[None])[0]))
