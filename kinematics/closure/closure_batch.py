"""Closure errors of a whole cloud of axes, in closed form and bounded memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.base.kernel import kernel
from kinematics.base.motion_kernels import compose, turn_about

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
def _errors(true, axes, points, theta, phi, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with E p - p."""
    a, t, e = np.empty((4, 3)), np.empty((4, 3)), np.empty((4, 3))
    for n in range(len(axes)):
        turn_about(axes[n], -phi[n], a)
        turn_about(true, theta[n], t)
        compose(a, t, e)
        for i in range(3):
            e[i, i] -= 1.0
        e00, e01, e02, e03 = e[0, 0], e[0, 1], e[0, 2], e[3, 0]
        e10, e11, e12, e13 = e[1, 0], e[1, 1], e[1, 2], e[3, 1]
        e20, e21, e22, e23 = e[2, 0], e[2, 1], e[2, 2], e[3, 2]
        for k in range(len(points)):
            x, y, z = points[k, 0], points[k, 1], points[k, 2]
            out[n, k, 0] = e00 * x + e01 * y + e02 * z + e03
            out[n, k, 1] = e10 * x + e11 * y + e12 * z + e13
            out[n, k, 2] = e20 * x + e21 * y + e22 * z + e23
