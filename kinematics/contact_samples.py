"""First contacts of many samples at once, each with its own axis and its own start pose."""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.broadphase import START, descend, workspace
from kinematics.contact import PreparedPair, first_contacts
from kinematics.contact_cloud import frames, remember, try_pool
from kinematics.contact_point import contact_point
from kinematics.kernels import kernel

FloatArray = NDArray[np.float64]


POOL = 16
"""Contacts of earlier samples tried as bounds (ours)."""


@kernel
def _solve_samples(upper, lower, motions, axes, toward, limit, angle, wins):  # type: ignore[no-untyped-def]
    """Solve each sample by its own descent, bounded by the contacts of samples before it."""
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    found, count = np.zeros(3, dtype=np.int64), np.zeros(2, dtype=np.int64)
    pool = np.full((POOL, 2), -1, dtype=np.int64)
    slot = 0
    work = workspace()
    for n in range(len(axes)):
        frames(axes, n, toward, motions[n], fu, fl)
        angle[n] = limit
        wins[n, 0] = 0
        try_pool(upper, fu, lower, fl, pool, n, angle, wins)
        found[:] = wins[n]
        angle[n] = descend(upper, fu, lower, fl, 0, 0, angle[n], found, work, count)
        wins[n] = found
        slot = remember(pool, slot, found)


@kernel
def _finish(  # type: ignore[no-untyped-def]
    upper, lower, motions, axes, toward, angle, wins, status, closing, points
):
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    for n in range(len(axes)):
        if wins[n, 0] == 0:
            continue
        frames(axes, n, toward, motions[n], fu, fl)
        status[n] = 2 if wins[n, 0] == START else 1
        closing[n] = max(0.0, math.degrees(angle[n]))
        contact_point(upper, fu, wins[n, 1], lower, fl, wins[n, 2], angle[n], points[n])


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
    axes = np.ascontiguousarray(axes_mm, dtype=np.float64)
    if n > 1 and (lower_motions == lower_motions[:1]).all():
        start = RigidTransform.from_components(
            lower_motions[0, 3], Rotation.from_matrix(lower_motions[0, :3])
        )
        found = first_contacts(
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
    status = np.zeros(n, dtype=np.int8)
    closing, points = np.full(n, math.nan), np.full((n, 3), math.nan)
    angle, wins = np.empty(n), np.zeros((n, 3), dtype=np.int64)
    limit = math.radians(max_closing_deg)
    toward = prepared.upper.discs[0, :3].astype(np.float64)
    workers = max(1, min(threads or len(os.sched_getaffinity(0)), n))
    casts = prepared.upper.arrays, prepared.lower.arrays

    def work(part: NDArray[np.intp]) -> None:
        span = slice(int(part[0]), int(part[-1]) + 1)
        own = motions[span], axes[span], toward
        _solve_samples(*casts, *own, limit, angle[span], wins[span])
        _finish(*casts, *own, angle[span], wins[span], status[span], closing[span], points[span])

    parts = [p for p in np.array_split(np.arange(n), workers) if len(p)]
    if len(parts) == 1:
        work(parts[0])
    elif parts:
        with ThreadPoolExecutor(len(parts)) as pool:
            list(pool.map(work, parts))
    return status, closing, points
