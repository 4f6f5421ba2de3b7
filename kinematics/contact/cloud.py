"""First contact about each axis of a cloud: candidate pairs shared by the axes of a cell.

Axes are halved again and again into cells of neighbours. Each cell keeps a list of pairs of
nodes that no axis of the cell can do without, thinned from its parent's list about one reference
axis; the axes of a last cell then go through their list together, each with the contact of a
neighbour as its bound.

Notes
-----
*Guarantee.* Each axis has a bound from the start: the angle of a true contact about it, or that of
its own whole descent. A cell's list misses no contact of any of its axes up to that axis's
bound (proofs in the modules ``cells``, ``thin`` and ``packet``). Where
axes differ by more than ``MAX_TILT``, the bounds are out of their domain and the cell is halved,
its last axes solved one by one. The last step runs the kernels of the one-axis path in the
same frame, so its roots are the same.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.base.kernel import kernel
from kinematics.base.motion_kernels import compose
from kinematics.contact import cells, descent
from kinematics.contact.packet import WIDTH, solve_packet
from kinematics.contact.point import contact_point
from kinematics.contact.roots import START_RAD
from kinematics.contact.thin import thin

STATUS_NAMES = ("none_in_range", "contact", "already_touching")
LARGE, LAST = 640, WIDTH
"""Axes in a cell from which new contacts are tried as bounds, and in a last cell (ours, tuned)."""
THIN_EVERY = 8
"""A cell thins its list when it is this many times smaller than at the last time (ours, tuned)."""
COARSE = 3.0
"""A list's pair is divided while its size exceeds this many strays (ours, tuned)."""
NEAR_RAD = math.radians(5.0)
"""One axis looks up to this angle first: bounds over a short turn are closer (ours, tuned)."""
SHARE, FAR = 0.9, 3.0
"""Axes farther from the fit than this many times its quantile wait for better bounds (ours)."""
POOL, FEW = 64, 16
"""Contacts of other axes tried as bounds, in a cloud and of axes one by one (ours)."""


@kernel
def try_pool(upper, fu, lower, fl, pool, n, ub, wins):  # type: ignore[no-untyped-def]
    """Lower the bound of axis n to the earliest contact that a pair of faces in the pool has."""
    for k in range(len(pool)):
        i, j = pool[k, 0], pool[k, 1]
        if i >= 0:
            t, kind, _, _ = descent.face_pair(upper, fu, i, lower, fl, j, False, ub[n])
            if t < ub[n]:
                ub[n] = t
                wins[n, 0], wins[n, 1], wins[n, 2] = kind, i, j


@kernel
def remember(pool, slot, found):  # type: ignore[no-untyped-def]
    """Put a new contact in the pool in place of the oldest; returns the next place."""
    if found[0] == descent.NONE or found[0] == descent.START:
        return slot
    for k in range(len(pool)):
        if pool[k, 0] == found[1] and pool[k, 1] == found[2]:
            return slot
    pool[slot % len(pool), 0], pool[slot % len(pool), 1] = found[1], found[2]
    return slot + 1


@kernel
def solve_whole(upper, fu, lower, fl, n, limit, found, work, ub, wins):  # type: ignore[no-untyped-def]
    """Solve axis n by a descent of the whole casts, first over a short turn."""
    for end in (min(NEAR_RAD, limit), limit):
        found[:] = 0
        ub[n] = descent.descend(upper, fu, lower, fl, 0, 0, end, found, work)
        if found[0] != descent.NONE:
            break
    wins[n] = found


@kernel
def improve(upper, fu, lower, fl, n, found, work, ub, wins):  # type: ignore[no-untyped-def]
    """Solve axis n by a descent of the whole casts up to the contact that is known of it."""
    found[:] = wins[n]
    ub[n] = descent.descend(upper, fu, lower, fl, 0, 0, ub[n], found, work)
    wins[n] = found


@kernel
def settle(n, ub, wins):  # type: ignore[no-untyped-def]
    """Call a contact at the start a start in touch."""
    if ub[n] <= START_RAD:
        ub[n], wins[n, 0] = -1.0, descent.START


@kernel
def solve_cloud(upper, lower, motion, axes, toward, limit, pool, ub, wins):  # type: ignore[no-untyped-def]
    """Solve all axes, shape (n, 2, 3).

    Parameters
    ----------
    upper, lower : tuples of arrays
        ``Hierarchy.arrays``.
    motion : ndarray, shape (4, 3)
        Start pose of the lower.
    toward : ndarray, shape (3,)
        Where the frames' x axes point.
    limit : float
        End of the range, radian.
    pool : ndarray of int64, shape (POOL, 2)
        Pairs of faces tried as bounds, -1 where empty; filled with new ones in turn.
    ub : ndarray, shape (n,)
        Out: the contact angle, radian; -1 if touching at the start, ``limit`` if there is none.
    wins : ndarray of int64, shape (n, 3)
        Out: kind, upper face, lower face; kind 0 if there is none.
    """
    n_axes = len(axes)
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    work = descent.workspace()
    found, reference = np.zeros(3, dtype=np.int64), np.empty((2, 3))
    todo = np.empty(n_axes, dtype=np.int64)
    left, slot = 0, 0
    while slot < len(pool) and pool[slot, 0] >= 0:
        slot += 1
    for n in range(n_axes):
        cells.frames(axes, n, toward, motion, fu, fl)
        ub[n], wins[n, 0] = limit, descent.NONE
        try_pool(upper, fu, lower, fl, pool, n, ub, wins)
        if wins[n, 0] == descent.NONE:
            solve_whole(upper, fu, lower, fl, n, limit, found, work, ub, wins)
            slot = remember(pool, slot, found)
        else:
            todo[left] = n
            left += 1
    members = todo[:left]
    pairs = np.zeros((4096, 2), dtype=np.int32)
    four, cell = np.empty((n_axes, 10)), np.zeros(cells.CELL_SIZE)
    own, spans = np.empty((WIDTH, 2, 4, 3)), np.empty(4)
    values = np.empty(left)
    # Cells on the stack have no axis in common, so there are never more of them than axes.
    stack, moves = np.empty((left + 1, 5), dtype=np.int64), np.ones((left + 1, 4))
    stack[0] = np.array((0, left, 0, 1, THIN_EVERY * left))
    top = 1 if left > 0 else 0
    while top > 0:
        top -= 1
        lo, hi, first, last = stack[top, 0], stack[top, 1], stack[top, 2], stack[top, 3]
        part = members[lo:hi]
        size, before = hi - lo, stack[top, 4]
        if size <= LARGE < before or size <= LAST:  # contacts found since give closer bounds
            for n in part:
                cells.frames(axes, n, toward, motion, fu, fl)
                try_pool(upper, fu, lower, fl, pool, n, ub, wins)
        cells.middle_axis(axes, part, reference)
        descent.axis_frame(reference[0], reference[1], toward, fu)
        compose(fu, motion, fl)
        usable = cells.describe(axes, part, ub, fu, descent.placed(lower[3][0], fl), four, cell)
        ends = size <= LAST
        if usable:
            if size <= LARGE and size > 4:  # those off the fit wait: their bounds are poor
                for m in range(size):
                    values[m] = ub[part[m]] - cells.fitted(cell, four[part[m]])
                far = FAR * np.sort(np.abs(values[:size]))[int(SHARE * size)] + 1e-4
                late = 0
                for m in range(size):
                    late += values[m] > far
                if 0 < late < size:
                    cells.order_by(part, values[:size])
                    stack[top, 0] = hi - late
                    moves[top + 1] = moves[top]
                    stack[top + 1] = stack[top]
                    stack[top + 1, 0], stack[top + 1, 1] = lo, hi - late
                    top += 2
                    continue
            if THIN_EVERY * size <= before:
                spans[:] = 0.0
                pairs, new = thin(upper, fu, lower, fl, cell, COARSE, pairs, first, last, spans)
                first, last, before = last, new, size
                for k in range(4):
                    moves[top, k] = spans[k] / (cell[cells.HALF + k] + 1e-12)
        if not ends:
            if usable:
                k = np.argmax(moves[top] * cell[cells.HALF : cells.HALF + 4])
                for m in range(size):
                    values[m] = four[part[m], k]
            else:
                cells.widest(axes, part, values)
            cells.order_by(part, values[:size])
            cut = lo + LAST * ((size // LAST + 1) // 2)  # so that packets are full
            stack[top, 0], stack[top, 1] = cut, hi
            stack[top, 2], stack[top, 3], stack[top, 4] = first, last, before
            moves[top + 1] = moves[top]
            stack[top + 1] = stack[top]
            stack[top + 1, 0], stack[top + 1, 1] = lo, cut
            top += 2
            continue
        if usable:
            for m in range(size):
                cells.frames(axes, part[m], toward, motion, own[m, 0], own[m, 1])
            mine = pairs[first:last]
            solve_packet(upper, fu, lower, fl, cell, mine, part, own, four, ub, wins, work)
        else:  # axes that differ too much: each its own way
            for n in part:
                cells.frames(axes, n, toward, motion, fu, fl)
                improve(upper, fu, lower, fl, n, found, work, ub, wins)
        for n in part:
            settle(n, ub, wins)
            slot = remember(pool, slot, wins[n])


@kernel
def solve_axes(upper, lower, motions, axes, toward, limit, ub, wins):  # type: ignore[no-untyped-def]
    """As ``solve_cloud``, each axis by its own descent, bounded by contacts of axes before it.

    ``motions``, shape (n, 4, 3) or (1, 4, 3): each axis's own start pose of the lower, or one.
    """
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    pool, found = np.full((FEW, 2), -1, dtype=np.int64), np.zeros(3, dtype=np.int64)
    slot, work = 0, descent.workspace()
    for n in range(len(axes)):
        cells.frames(axes, n, toward, motions[n if len(motions) > 1 else 0], fu, fl)
        ub[n], wins[n, 0] = limit, descent.NONE
        try_pool(upper, fu, lower, fl, pool, n, ub, wins)
        if wins[n, 0] == descent.NONE:
            solve_whole(upper, fu, lower, fl, n, limit, found, work, ub, wins)
        else:
            improve(upper, fu, lower, fl, n, found, work, ub, wins)
        settle(n, ub, wins)
        slot = remember(pool, slot, wins[n])


@kernel
def results(upper, lower, motions, axes, toward, ub, wins, status, closing, points, faces, kinds):  # type: ignore[no-untyped-def]
    """Fill ``FirstContacts`` arrays from ``ub`` and ``wins``; ``motions`` as in ``solve_axes``."""
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    for n in range(len(axes)):
        if wins[n, 0] == descent.NONE:
            continue
        cells.frames(axes, n, toward, motions[n if len(motions) > 1 else 0], fu, fl)
        faces[n, 0], faces[n, 1] = wins[n, 1], wins[n, 2]
        status[n] = 2 if wins[n, 0] == descent.START else 1
        closing[n] = max(0.0, math.degrees(ub[n]))
        kinds[n] = contact_point(upper, fu, wins[n, 1], lower, fl, wins[n, 2], ub[n], points[n])
