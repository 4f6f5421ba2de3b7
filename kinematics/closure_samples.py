"""Closures of many samples at once: each with its own axes, record, target and cast position."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.closure import Stop
from kinematics.kernels import kernel

FloatArray = NDArray[np.float64]

ANGLE, DROP, DEPARTURE = 0, 1, 2
"""How an opening is given: degrees; mm that a site drops; mm from the target at the incisors."""

STOP_CODES: dict[Stop, int] = {"equal_angle": 0, "pin": 1, "contact": 2}


@dataclass(frozen=True, eq=False)
class OpeningRule:
    """How an opening from the scanned pose is given.

    Attributes
    ----------
    kind : int
        :data:`ANGLE` (degrees), :data:`DROP` (mm that the site goes down) or :data:`DEPARTURE`
        (record only: mm at the incisors from record to target, opening positive).
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
        As :attr:`kinematics.closure.StopResult.error_mm`; NaN where a height is out of reach.
    high_mm : ndarray, shape (n, k), mm
    record_opening_deg, target_opening_deg, closing_deg : ndarray, shape (n,)
        Openings about the true axis from the scanned pose, and the articulator's closing.
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


def identity_motions() -> FloatArray:
    """The motion of casts that lie where they were mounted, shape (1, 4, 3)."""
    return np.vstack([np.eye(3), np.zeros((1, 3))])[None]


def closures(
    true_points_mm: FloatArray,
    used_points_mm: FloatArray,
    landmarks_mm: FloatArray,
    normals: FloatArray,
    pin_tip_mm: FloatArray,
    incisal_mm: FloatArray,
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
        At the scanned pose.
    pin_tip_mm, incisal_mm : ndarray, shape (3,), mm
        At the scanned pose.
    record, target : OpeningRule
        Kind and site; their values are taken from ``record_value`` and ``target_value``, (n,).
    stop : {"equal_angle", "pin", "contact"}
        ``contact`` takes the articulator's angle from ``contact_closing_deg``, shape (n,).
    cast_motions : ndarray, shape (n, 4, 3) or (1, 4, 3), optional
        How far the casts lie off: rotation rows, then shift in mm. They move the landmarks and
        the incisal point, not the pin.

    Notes
    -----
    *Guarantee*: each row equals :func:`kinematics.closure.stop_result` of that sample to
    rounding. *Source*: derived here (design of this project).
    """
    n = len(record_value)
    k = len(landmarks_mm)
    motions = identity_motions() if cast_motions is None else cast_motions
    phi = np.full(n, np.nan) if contact_closing_deg is None else contact_closing_deg
    error, high, angles = np.empty((n, k, 3)), np.empty((n, k)), np.empty((n, 3))
    _close(
        _c(true_points_mm),
        _c(used_points_mm),
        _c(landmarks_mm),
        _c(normals),
        _c(pin_tip_mm),
        _c(incisal_mm),
        record.kind,
        _c(record_value),
        _c(record.site_mm),
        record.on_pin,
        target.kind,
        _c(target_value),
        _c(target.site_mm),
        target.on_pin,
        STOP_CODES[stop],
        _c(motions),
        _c(phi),
        error,
        high,
        angles,
    )
    return ClosureBatch(error, high, angles[:, 0], angles[:, 1], angles[:, 2])


def record_motions(true_points_mm: FloatArray, opening_deg: FloatArray) -> FloatArray:
    """Motions from the scanned to the record pose, shape (n, 4, 3): rotation rows, then shift."""
    out = np.empty((len(opening_deg), 4, 3))
    _motions(_c(true_points_mm), _c(opening_deg), out)
    return out


def _c(array: FloatArray) -> FloatArray:
    return np.ascontiguousarray(array, dtype=np.float64)


@kernel
def _turn(points, angle, out):  # type: ignore[no-untyped-def]
    """Fill ``out``, shape (4, 3), with the opening by ``angle`` (radian) about a line."""
    ux = points[0, 0] - points[1, 0]
    uy = points[0, 1] - points[1, 1]
    uz = points[0, 2] - points[1, 2]
    length = math.sqrt(ux * ux + uy * uy + uz * uz)
    ux, uy, uz = ux / length, uy / length, uz / length
    half = math.sin(0.5 * angle)
    s, v = math.sin(angle), 2.0 * half * half
    out[0, 0], out[0, 1], out[0, 2] = (
        1.0 - v * (1.0 - ux * ux),
        v * ux * uy - s * uz,
        v * ux * uz + s * uy,
    )
    out[1, 0], out[1, 1], out[1, 2] = (
        v * ux * uy + s * uz,
        1.0 - v * (1.0 - uy * uy),
        v * uy * uz - s * ux,
    )
    out[2, 0], out[2, 1], out[2, 2] = (
        v * ux * uz - s * uy,
        v * uy * uz + s * ux,
        1.0 - v * (1.0 - uz * uz),
    )
    for i in range(3):
        total = 0.5 * (points[0, i] + points[1, i])
        for j in range(3):
            total -= out[i, j] * 0.5 * (points[0, j] + points[1, j])
        out[3, i] = total


@kernel
def _apply(motion, p, out):  # type: ignore[no-untyped-def]
    for i in range(3):
        total = motion[3, i]
        for j in range(3):
            total += motion[i, j] * p[j]
        out[i] = total


@kernel
def _to_height(points, p, height):  # type: ignore[no-untyped-def]
    """Opening (radian) that brings a point to a height; NaN where its circle does not reach it."""
    ux = points[0, 0] - points[1, 0]
    uy = points[0, 1] - points[1, 1]
    uz = points[0, 2] - points[1, 2]
    length = math.sqrt(ux * ux + uy * uy + uz * uz)
    ux, uy, uz = ux / length, uy / length, uz / length
    qx = p[0] - 0.5 * (points[0, 0] + points[1, 0])
    qy = p[1] - 0.5 * (points[0, 1] + points[1, 1])
    qz = p[2] - 0.5 * (points[0, 2] + points[1, 2])
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


@kernel
def _motions(true_points, opening, out):  # type: ignore[no-untyped-def]
    for i in range(len(opening)):
        _turn(true_points[i if len(true_points) > 1 else 0], math.radians(opening[i]), out[i])


@kernel
def _close(  # type: ignore[no-untyped-def]
    true_points,
    used_points,
    landmarks,
    normals,
    pin,
    incisal,
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
    rec, tgt, art = np.empty((4, 3)), np.empty((4, 3)), np.empty((4, 3))
    p, q, m, moved = np.empty(3), np.empty(3), np.empty(3), np.empty(3)
    normal = np.empty(3)
    for i in range(len(record_value)):
        t = true_points[i if len(true_points) > 1 else 0]
        u = used_points[i if len(used_points) > 1 else 0]
        x = motions[i if len(motions) > 1 else 0]
        if target_kind == 0:
            opening_t = math.radians(target_value[i])
        else:
            if target_on_pin:
                p[:] = target_site
            else:
                _apply(x, target_site, p)
            opening_t = _to_height(t, p, p[2] - target_value[i])
        _turn(t, opening_t, tgt)
        if record_kind == 0:
            opening_r = math.radians(record_value[i])
        elif record_kind == 1:
            if record_on_pin:
                p[:] = record_site
            else:
                _apply(x, record_site, p)
            opening_r = _to_height(t, p, p[2] - record_value[i])
        else:
            _apply(x, incisal, q)
            _apply(tgt, q, p)
            opening_r = opening_t + _to_height(t, p, p[2] + record_value[i])
        _turn(t, opening_r, rec)
        if stop == 0:
            closing = opening_r - opening_t
        elif stop == 1:
            _apply(rec, pin, p)
            _apply(tgt, pin, q)
            closing = -_to_height(u, p, q[2])
        else:
            closing = math.radians(phi[i])
        _turn(u, -closing, art)
        for j in range(len(landmarks)):
            _apply(x, landmarks[j], p)
            _apply(rec, p, q)
            _apply(art, q, m)
            _apply(tgt, p, q)
            total = 0.0
            for c in range(3):
                moved[c] = (
                    x[c, 0] * normals[j, 0] + x[c, 1] * normals[j, 1] + x[c, 2] * normals[j, 2]
                )
            for c in range(3):
                normal[c] = tgt[c, 0] * moved[0] + tgt[c, 1] * moved[1] + tgt[c, 2] * moved[2]
                error[i, j, c] = m[c] - q[c]
                total -= (m[c] - q[c]) * normal[c]
            high[i, j] = total
        angles[i, 0] = math.degrees(opening_r)
        angles[i, 1] = math.degrees(opening_t)
        angles[i, 2] = math.degrees(closing)
