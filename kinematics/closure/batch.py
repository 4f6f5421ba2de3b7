"""Closures of many samples at once: each with its own axes, record, target and cast position."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis
from kinematics.base.kernel import kernel
from kinematics.base.motion_kernels import compose, move, turn_about
from kinematics.closure.stops import Stop, to_height

ANGLE, DROP = 0, 1
"""How an opening is given: degrees, or mm that a site drops."""

EQUAL_ANGLE, PIN, CONTACT = 0, 1, 2
STOP_CODES: dict[Stop, int] = {"equal_angle": EQUAL_ANGLE, "pin": PIN, "contact": CONTACT}


@dataclass(frozen=True, eq=False)
class OpeningRule:
    """How an opening from the scanned pose is given.

    Attributes
    ----------
    kind : int
        :data:`ANGLE` (degrees) or :data:`DROP` (mm that the site goes down).
    value : float
    site_mm : ndarray, shape (3,), mm
        At the scanned pose; used by :data:`DROP`.
    on_pin : bool
        The site is the pin's, so an error of the cast's position does not move it.
    """

    kind: int
    value: float
    site_mm: FloatArray
    on_pin: bool = False


@dataclass(frozen=True, eq=False)
class ClosureBatch:
    """Errors of ``n`` samples at ``k`` landmarks.

    Attributes
    ----------
    error_mm : ndarray, shape (n, k, 3), mm
        As :attr:`kinematics.closure.stops.StopResult.error_mm`; NaN where a height is out of reach.
    high_mm : ndarray, shape (n, k), mm
        Shape (n, 0) where no normals were given.
    record_opening_deg, target_opening_deg, closing_deg : ndarray, shape (n,)
        Openings about the true axis from the scanned pose, of the record and of the pose that the
        patient closes to, and the articulator's closing.
    """

    error_mm: FloatArray
    high_mm: FloatArray
    record_opening_deg: FloatArray
    target_opening_deg: FloatArray
    closing_deg: FloatArray

    @property
    def magnitude_mm(self) -> FloatArray:
        """Length of each error, shape (n, k), mm."""
        return np.sqrt(np.einsum("nkc,nkc->nk", self.error_mm, self.error_mm))

    def sizes_mm(self, measure: Literal["displacement", "high"]) -> FloatArray:
        """What a tolerance limits, shape (n, k): displacement, or the size of the high amount."""
        return self.magnitude_mm if measure == "displacement" else np.abs(self.high_mm)


def identity_motions() -> FloatArray:
    """The motion of casts that lie where they were mounted, shape (1, 4, 3)."""
    return np.vstack([np.eye(3), np.zeros((1, 3))])[None]


def closures(
    true_points_mm: FloatArray,
    used_points_mm: FloatArray,
    landmarks_mm: FloatArray,
    normals: FloatArray | None,
    pin_tip_mm: FloatArray,
    record: OpeningRule,
    record_value: FloatArray,
    target: OpeningRule,
    target_value: FloatArray,
    stop: Stop,
    *,
    cast_motions: FloatArray | None = None,
    contact_closing_deg: FloatArray | None = None,
) -> ClosureBatch:
    """Close every sample about its axes.

    Parameters
    ----------
    true_points_mm, used_points_mm : ndarray, shape (n, 2, 3) or (1, 2, 3), mm
        Left and right point of the true axis and of the articulator's, in ``axis_orbital``.
    landmarks_mm, normals : ndarray, shape (k, 3)
        At the scanned pose; normals may be None where nobody asks how high.
    pin_tip_mm : ndarray, shape (3,), mm
        At the scanned pose.
    record, target : OpeningRule
        Kind and site; their values are taken from ``record_value`` and ``target_value``, (n,).
    stop : {"equal_angle", "pin", "contact"}
        ``contact`` ends both closings at their own first contact, whatever the target:
        ``contact_closing_deg``, shape (n, 2), about the true and about the used axis.
    cast_motions : ndarray, shape (n, 4, 3) or (1, 4, 3), optional
        How far the casts lie off: rotation rows, then shift in mm. They move the landmarks and
        the sites of record and target, not the pin.

    Notes
    -----
    *Guarantee*: each row is the closure of that sample by rigid transforms, to rounding (tested).
    *Source*: derived here (design of this project).
    """
    n, k = len(record_value), len(landmarks_mm)
    ways = np.empty((0, 3)) if normals is None else _rows(normals, k)
    motions = identity_motions() if cast_motions is None else cast_motions
    phi = np.full((n, 2), np.nan) if contact_closing_deg is None else contact_closing_deg
    error, high, angles = np.empty((n, k, 3)), np.empty((n, len(ways))), np.empty((n, 3))
    _close(
        _rows(true_points_mm, n, shared=True),
        _rows(used_points_mm, n, shared=True),
        _rows(landmarks_mm, k),
        ways,
        _rows(pin_tip_mm, 3),
        record.kind,
        _rows(record_value, n),
        _rows(record.site_mm, 3),
        record.on_pin,
        target.kind,
        _rows(target_value, n),
        _rows(target.site_mm, 3),
        target.on_pin,
        STOP_CODES[stop],
        _rows(motions, n, shared=True),
        _rows(phi, n),
        error,
        high,
        angles,
    )
    return ClosureBatch(error, high, angles[:, 0], angles[:, 1], angles[:, 2])


def record_motions(true_points_mm: FloatArray, opening_deg: FloatArray) -> FloatArray:
    """Motions from the scanned to the record pose, shape (n, 4, 3): rotation rows, then shift."""
    n = len(opening_deg)
    out = np.empty((n, 4, 3))
    _motions(_rows(true_points_mm, n, shared=True), _rows(opening_deg, n), out)
    return out


def _rows(array: FloatArray, n: int, *, shared: bool = False) -> FloatArray:
    """Return an array as the kernels take it, which do not check that it has n rows.

    Where ``shared``, one row may serve all.
    """
    rows = np.ascontiguousarray(array, dtype=np.float64)
    if len(rows) != n and not (shared and len(rows) == 1):
        raise ValueError(f"{len(rows)} rows where {n} are needed")
    return rows


@kernel
def _motions(true_points, opening, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the opening of each row about its line (or the one line)."""
    for i in range(len(opening)):
        line = true_points[i if len(true_points) > 1 else 0]
        turn_about(line, math.radians(opening[i]), out[i])


@kernel
def _opening(kind, value, site, on_pin, line, cast, p):  # type: ignore[no-untyped-def]
    """Opening (radian) that a rule of degrees or of a site's drop gives; p, (3,), is scratch."""
    if kind == ANGLE:
        return math.radians(value)
    if on_pin:
        p[:] = site
    else:
        move(cast, site, p)
    return to_height(line, p, p[2] - value)


@kernel
def _close(  # type: ignore[no-untyped-def]
    true_points,
    used_points,
    landmarks,
    normals,
    pin,
    record_kind,
    record_value,
    record_site,
    record_on_pin,
    target_kind,
    target_value,
    target_site,
    target_on_pin,
    stop,
    motions,
    phi,
    error,
    high,
    angles,
):
    """Fill ``error``, ``high`` and ``angles``; arguments as in ``closures``."""
    to_record, to_target, back = np.empty((4, 3)), np.empty((4, 3)), np.empty((4, 3))
    recorded, bite, mouth = np.empty((4, 3)), np.empty((4, 3)), np.empty((4, 3))
    p, q = np.empty(3), np.empty(3)
    record = target = closed = 0.0
    shared = len(true_points) == 1 and len(motions) == 1
    for i in range(len(record_value)):  # what a row shares with the one before is kept
        true = true_points[i if len(true_points) > 1 else 0]
        used = used_points[i if len(used_points) > 1 else 0]
        cast = motions[i if len(motions) > 1 else 0]
        if not shared or i == 0 or record_value[i] != record_value[i - 1]:
            record = _opening(
                record_kind, record_value[i], record_site, record_on_pin, true, cast, p
            )
            turn_about(true, record, to_record)
            compose(to_record, cast, recorded)
        if stop == CONTACT:
            target = record - math.radians(phi[i, 0])
        elif not shared or i == 0 or target_value[i] != target_value[i - 1]:
            target = _opening(
                target_kind, target_value[i], target_site, target_on_pin, true, cast, p
            )
        if not shared or i == 0 or target != closed:
            turn_about(true, target, to_target)
            compose(to_target, cast, mouth)
            closed = target
        if stop == EQUAL_ANGLE:
            closing = record - target
        elif stop == PIN:
            move(to_record, pin, p)
            move(to_target, pin, q)
            closing = -to_height(used, p, q[2])
        else:
            closing = math.radians(phi[i, 1])
        turn_about(used, -closing, back)
        compose(back, recorded, bite)
        bite -= mouth  # from here what moves a landmark by its error
        e00, e01, e02, e03 = bite[0, 0], bite[0, 1], bite[0, 2], bite[3, 0]
        e10, e11, e12, e13 = bite[1, 0], bite[1, 1], bite[1, 2], bite[3, 1]
        e20, e21, e22, e23 = bite[2, 0], bite[2, 1], bite[2, 2], bite[3, 2]
        for j in range(len(landmarks)):
            x, y, z = landmarks[j, 0], landmarks[j, 1], landmarks[j, 2]
            error[i, j, 0] = e00 * x + e01 * y + e02 * z + e03
            error[i, j, 1] = e10 * x + e11 * y + e12 * z + e13
            error[i, j, 2] = e20 * x + e21 * y + e22 * z + e23
        m00, m01, m02 = mouth[0, 0], mouth[0, 1], mouth[0, 2]
        m10, m11, m12 = mouth[1, 0], mouth[1, 1], mouth[1, 2]
        m20, m21, m22 = mouth[2, 0], mouth[2, 1], mouth[2, 2]
        for j in range(len(normals)):
            nx, ny, nz = normals[j, 0], normals[j, 1], normals[j, 2]
            high[i, j] = -(
                error[i, j, 0] * (m00 * nx + m01 * ny + m02 * nz)
                + error[i, j, 1] * (m10 * nx + m11 * ny + m12 * nz)
                + error[i, j, 2] * (m20 * nx + m21 * ny + m22 * nz)
            )
        angles[i, 0] = math.degrees(record)
        angles[i, 1] = math.degrees(target)
        angles[i, 2] = math.degrees(closing)


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
    motions = record_motions(axis.points_mm[None], -angles)
    return motions[:, :3] @ np.asarray(point_mm, dtype=np.float64) + motions[:, 3]
