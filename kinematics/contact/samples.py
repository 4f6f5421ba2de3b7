"""First contacts of many samples at once, each with its own axis and its own start pose."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray
from kinematics.contact import first_contact
from kinematics.contact.cloud import results, solve_axes


def sample_contacts(
    prepared: first_contact.PreparedPair,
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

    Raises
    ------
    InputError
        Axes not finite, or with points too close or too far apart; range out of bounds.

    Notes
    -----
    *Guarantee*: each row is what :func:`kinematics.contact.first_contact.first_contact` answers for
    that pose and axis; rows do not depend on each other or on the number of threads.
    """
    axes = first_contact.checked_axes(axes_mm)
    n = len(axes)
    if n > 1 and (lower_motions == lower_motions[:1]).all():
        start = RigidTransform.from_components(
            lower_motions[0, 3], Rotation.from_matrix(lower_motions[0, :3])
        )
        found = first_contact.first_contacts(
            prepared.with_lower_motion(start),
            axes,
            max_closing_deg=max_closing_deg,
            threads=threads,
        )
        return found.status, found.closing_deg, found.point_mm
    turn, shift = prepared.lower_motion[:3], prepared.lower_motion[3]
    motions = np.empty((n, 4, 3))
    motions[:, :3] = lower_motions[:, :3] @ turn
    motions[:, 3] = lower_motions[:, :3] @ shift + lower_motions[:, 3]
    status, kind = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8)
    closing, points = np.full(n, math.nan), np.full((n, 3), math.nan)
    faces = np.empty((n, 2), dtype=np.int64)
    angle, wins = np.empty(n), np.zeros((n, 3), dtype=np.int64)
    limit = first_contact.limit_rad(max_closing_deg)
    casts = prepared.upper.arrays, prepared.lower.arrays

    def work(part: NDArray[np.intp]) -> None:
        span = slice(int(part[0]), int(part[-1]) + 1)
        own = motions[span], axes[span], prepared.toward
        found = angle[span], wins[span]
        solve_axes(*casts, *own, limit, *found)
        ends = status[span], closing[span], points[span], faces[span], kind[span]
        results(*casts, *own, *found, *ends)

    workers = first_contact.usable_threads(threads)
    first_contact.in_threads(
        work, [p for p in np.array_split(np.arange(n), workers) if len(p)], workers
    )
    return status, closing, points
