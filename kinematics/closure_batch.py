"""Closure errors and pin stops of a whole cloud of axes, in closed form and bounded memory."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.axis import HingeAxis
from kinematics.errors import InputError
from kinematics.kernels import kernel

CHUNK_BYTES = 32 * 2**20
"""Size of one chunk of results of the iterator, bytes (ours)."""


def closure_errors(
    true_axis: HingeAxis,
    axes: ArrayLike,
    landmarks_true_mm: ArrayLike,
    theta_closing_deg: ArrayLike,
    phi_closing_deg: ArrayLike | None = None,
    out: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Closure error of each landmark about each axis of a cloud.

    Parameters
    ----------
    true_axis : HingeAxis
    axes : array_like, shape (n, 2, 3), mm
        [left point, right point] of each arbitrary axis, in the true axis's frame.
    landmarks_true_mm : array_like, shape (k, 3), mm
        Landmarks of the lower in the patient's closed pose.
    theta_closing_deg : array_like, shape () or (n,)
        The patient's closing from the record, about the true axis.
    phi_closing_deg : array_like, shape (n,), optional
        The articulator's closing; ``theta_closing_deg`` by default (equal angle).
    out : ndarray, shape (n, k, 3), optional
        Where to put the result.

    Returns
    -------
    ndarray, shape (n, k, 3), mm
        ``E p - p`` with ``E = Rot(A, phi) Rot(T, -theta)``, closing angles; NaN where an angle is.

    Raises
    ------
    InputError
        Wrong shapes, or axis points that do not differ.

    Notes
    -----
    *Guarantee.* The same numbers as a product of rigid transforms, to rounding.
    *Source.* The project's design: the closure error is the motion ``E = M P^-1``.
    """
    pairs, points = _checked(axes, landmarks_true_mm)
    n = len(pairs)
    theta = _angles(theta_closing_deg, n, "theta_closing_deg")
    phi = theta if phi_closing_deg is None else _angles(phi_closing_deg, n, "phi_closing_deg")
    shape = (n, len(points), 3)
    if out is None:
        out = np.empty(shape)
    elif out.shape != shape or out.dtype != np.float64 or not out.flags.c_contiguous:
        raise InputError(
            "out", f"{out.dtype} {out.shape}", f"float64 {shape}", "Give a plain array."
        )
    true = np.stack([true_axis.left_point_mm, true_axis.right_point_mm])
    _errors(true, pairs, points, theta, phi, out)
    return out


def closure_error_chunks(
    true_axis: HingeAxis,
    axes: ArrayLike,
    landmarks_true_mm: ArrayLike,
    theta_closing_deg: ArrayLike,
    phi_closing_deg: ArrayLike | None = None,
    *,
    chunk_bytes: int = CHUNK_BYTES,
) -> Iterator[tuple[slice, NDArray[np.float64]]]:
    """As :func:`closure_errors`, in chunks of axes that reuse one buffer.

    Yields
    ------
    rows : slice
        Axes of this chunk.
    errors : ndarray, shape (rows, k, 3), mm
        Overwritten by the next chunk; copy what must stay.
    """
    pairs, points = _checked(axes, landmarks_true_mm)
    n = len(pairs)
    theta = _angles(theta_closing_deg, n, "theta_closing_deg")
    phi = theta if phi_closing_deg is None else _angles(phi_closing_deg, n, "phi_closing_deg")
    true = np.stack([true_axis.left_point_mm, true_axis.right_point_mm])
    step = max(1, chunk_bytes // (24 * max(1, len(points))))
    buffer = np.empty((min(step, n), len(points), 3))
    for start in range(0, n, step):
        rows = slice(start, min(start + step, n))
        out = buffer[: rows.stop - rows.start]
        _errors(true, pairs[rows], points, theta[rows], phi[rows], out)
        yield rows, out


def pin_closing_deg(
    axes: ArrayLike, pin_record_mm: ArrayLike, target_height_mm: float
) -> NDArray[np.float64]:
    """Closing angle at which the pin's tip reaches a height, for each axis of a cloud.

    Parameters
    ----------
    axes : array_like, shape (n, 2, 3), mm
        In ``axis_orbital`` (z vertical).
    pin_record_mm : array_like, shape (3,), mm
        Tip of the incisal pin in the record pose.
    target_height_mm : float
        Height (z) that it comes to.

    Returns
    -------
    ndarray, shape (n,), degrees
        The root nearest to 0, closing positive; NaN where the height is out of reach.

    Notes
    -----
    *Guarantee.* Exact for axes of any direction: the tip's height is
    ``h + b cos t + c sin t`` about an axis, so that t solves ``b cos t + c sin t = H - h``.
    *Source.* Derived here; a transverse sagittal axis gives design.md's "height held".
    """
    pin = np.asarray(pin_record_mm, dtype=np.float64)
    pairs, point = _checked(axes, pin[None] if pin.ndim == 1 else pin)
    if not math.isfinite(target_height_mm):
        raise InputError(
            "target_height_mm", repr(target_height_mm), "a finite height", "Give mm along z."
        )
    out = np.empty(len(pairs))
    _pin(pairs, point[0], float(target_height_mm), out)
    return out


def _checked(axes: ArrayLike, points: ArrayLike) -> tuple[NDArray, NDArray]:
    pairs = np.ascontiguousarray(axes, dtype=np.float64)
    if pairs.ndim != 3 or pairs.shape[1:] != (2, 3):
        raise InputError(
            "axes", f"shape {pairs.shape}", "(n, 2, 3)", "Give [left point, right point] an axis."
        )
    p = np.ascontiguousarray(points, dtype=np.float64)
    if p.ndim != 2 or p.shape[1] != 3:
        raise InputError("landmarks", f"shape {p.shape}", "(k, 3)", "Give [x, y, z] a landmark.")
    if not (np.isfinite(pairs).all() and np.isfinite(p).all()):
        raise InputError(
            "axes, landmarks", "NaN or infinity", "finite numbers in mm", "Check them."
        )
    if len(pairs) and not (pairs[:, 0] != pairs[:, 1]).any(axis=1).all():
        raise InputError("axes", "two equal points", "two points an axis", "Check the axis points.")
    return pairs, p


def _angles(value: ArrayLike, n: int, where: str) -> NDArray[np.float64]:
    given = np.asarray(value, dtype=np.float64)
    if given.shape not in ((), (1,), (n,)):
        raise InputError(where, f"shape {given.shape}", f"one angle or {n}", "Give degrees.")
    return np.ascontiguousarray(np.broadcast_to(np.radians(given), (n,)))


@kernel
def _turn(left, right, closing, matrix):  # type: ignore[no-untyped-def]
    """Fill rows 0 to 2 with the closing rotation about an axis, row 3 with its shift."""
    wx, wy, wz = right[0] - left[0], right[1] - left[1], right[2] - left[2]
    size = math.sqrt(wx * wx + wy * wy + wz * wz)
    wx, wy, wz = wx / size, wy / size, wz / size
    s = math.sin(closing)
    h = math.sin(0.5 * closing)
    v = 2.0 * h * h  # 1 - cos, without cancellation
    matrix[0, 0], matrix[1, 1], matrix[2, 2] = (
        1.0 - v * (wy * wy + wz * wz),
        1.0 - v * (wx * wx + wz * wz),
        1.0 - v * (wx * wx + wy * wy),
    )
    matrix[0, 1], matrix[1, 0] = v * wx * wy - s * wz, v * wx * wy + s * wz
    matrix[0, 2], matrix[2, 0] = v * wx * wz + s * wy, v * wx * wz - s * wy
    matrix[1, 2], matrix[2, 1] = v * wy * wz - s * wx, v * wy * wz + s * wx
    for k in range(3):
        matrix[3, k] = 0.5 * (left[k] + right[k])
        for m in range(3):
            matrix[3, k] -= matrix[k, m] * 0.5 * (left[m] + right[m])


@kernel
def _errors(true, axes, points, theta, phi, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with E p - p."""
    a, t, e = np.empty((4, 3)), np.empty((4, 3)), np.empty((4, 3))
    k_points = len(points)
    for n in range(len(axes)):
        _turn(axes[n, 0], axes[n, 1], phi[n], a)
        _turn(true[0], true[1], -theta[n], t)
        for i in range(3):
            e[3, i] = a[3, i]
            for j in range(3):
                e[i, j] = a[i, 0] * t[0, j] + a[i, 1] * t[1, j] + a[i, 2] * t[2, j]
                e[3, i] += a[i, j] * t[3, j]
            e[i, i] -= 1.0
        e00, e01, e02, e03 = e[0, 0], e[0, 1], e[0, 2], e[3, 0]
        e10, e11, e12, e13 = e[1, 0], e[1, 1], e[1, 2], e[3, 1]
        e20, e21, e22, e23 = e[2, 0], e[2, 1], e[2, 2], e[3, 2]
        for k in range(k_points):
            x, y, z = points[k, 0], points[k, 1], points[k, 2]
            out[n, k, 0] = e00 * x + e01 * y + e02 * z + e03
            out[n, k, 1] = e10 * x + e11 * y + e12 * z + e13
            out[n, k, 2] = e20 * x + e21 * y + e22 * z + e23


@kernel
def _pin(axes, pin, height, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the closing angle in degrees that brings the pin to a height."""
    for n in range(len(axes)):
        left, right = axes[n, 0], axes[n, 1]
        wx, wy, wz = right[0] - left[0], right[1] - left[1], right[2] - left[2]
        size = math.sqrt(wx * wx + wy * wy + wz * wz)
        wx, wy, wz = wx / size, wy / size, wz / size
        ox = pin[0] - 0.5 * (left[0] + right[0])
        oy = pin[1] - 0.5 * (left[1] + right[1])
        oz = pin[2] - 0.5 * (left[2] + right[2])
        along = (wx * ox + wy * oy + wz * oz) * wz
        b, c = oz - along, wx * oy - wy * ox
        # b cos t + c sin t = b + rise, so that a start at the target gives exactly 0
        rise = height - pin[2]
        reach = math.sqrt(b * b + c * c)
        target = b + rise
        if reach == 0.0 or abs(target) > reach:
            out[n] = math.nan
            if reach > 0.0 and rise == 0.0:
                out[n] = 0.0
            continue
        base = math.atan2(c, b)
        half = math.acos(target / reach)
        # Both roots as angles in (-pi, pi]; the one nearest to 0.
        best = math.inf
        for t in (base - half, base + half):
            t = t - 2.0 * math.pi * round(t / (2.0 * math.pi))
            if abs(t) < abs(best):
                best = t
        # Newton's steps on the exact residual take back what acos and the difference lose.
        for _ in range(2):
            h = math.sin(0.5 * best)
            residual = -2.0 * b * h * h + c * math.sin(best) - rise
            slope = -b * math.sin(best) + c * math.cos(best)
            if abs(slope) > 1e-9 * reach:
                best -= residual / slope
        out[n] = math.degrees(best)
