"""First contacts of many samples at once, each with its own axis and its own start pose."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from kinematics.contact import PreparedPair
from kinematics.contact_cloud import solve_axes
from kinematics.kernels import kernel

FloatArray = NDArray[np.float64]


@kernel
def _solve_samples(  # type: ignore[no-untyped-def]
    upper, lower, motions, axes, limit, status, closing, points, upper_face, lower_face, kinds
):
    for i in range(len(axes)):
        solve_axes(
            upper,
            lower,
            motions[i],
            axes[i : i + 1],
            limit,
            status[i : i + 1],
            closing[i : i + 1],
            points[i : i + 1],
            upper_face[i : i + 1],
            lower_face[i : i + 1],
            kinds[i : i + 1],
        )


def sample_contacts(
    prepared: PreparedPair,
    lower_motions: FloatArray,
    axes_mm: FloatArray,
    *,
    max_closing_deg: float,
    threads: int | None = None,
) -> tuple[NDArray[np.int8], FloatArray, FloatArray]:
    """First contact of each sample's lower, moved to its start, about its axis.

    Parameters
    ----------
    prepared : PreparedPair
        With the lower at the pose that ``lower_motions`` start from.
    lower_motions : ndarray, shape (n, 4, 3)
        Rotation rows, then shift in mm, of each sample's start pose.
    axes_mm : ndarray, shape (n, 2, 3), mm
    max_closing_deg : float
    threads : int, optional
        All usable cores by default.

    Returns
    -------
    status : ndarray of int8, shape (n,)
        0 none in range, 1 contact, 2 already touching.
    closing_deg : ndarray, shape (n,)
        NaN without contact, 0 where already touching.
    point_mm : ndarray, shape (n, 3)

    Notes
    -----
    *Guarantee*: each row is what :func:`kinematics.contact.first_contact` answers for that pose
    and axis; rows do not depend on each other or on the number of threads.
    """
    n = len(axes_mm)
    turn, shift = prepared.lower_motion[:3], prepared.lower_motion[3]
    motions = np.empty((n, 4, 3))
    motions[:, :3] = lower_motions[:, :3] @ turn
    motions[:, 3] = lower_motions[:, :3] @ shift + lower_motions[:, 3]
    axes = np.ascontiguousarray(axes_mm, dtype=np.float64)
    status = np.zeros(n, dtype=np.int8)
    closing, points = np.full(n, math.nan), np.full((n, 3), math.nan)
    upper_face, lower_face = np.full(n, -1, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    kinds = np.zeros(n, dtype=np.int8)
    limit = math.radians(max_closing_deg)
    workers = max(1, min(threads or len(os.sched_getaffinity(0)), n))

    def work(part: NDArray[np.intp]) -> None:
        span = slice(int(part[0]), int(part[-1]) + 1)
        _solve_samples(
            prepared.upper.arrays,
            prepared.lower.arrays,
            motions[span],
            axes[span],
            limit,
            *(a[span] for a in (status, closing, points, upper_face, lower_face, kinds)),
        )

    parts = [p for p in np.array_split(np.arange(n), workers) if len(p)]
    if len(parts) == 1:
        work(parts[0])
    elif parts:
        with ThreadPoolExecutor(len(parts)) as pool:
            list(pool.map(work, parts))
    return status, closing, points
