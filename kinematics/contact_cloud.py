"""First contact about each axis of a cloud: candidate pairs shared by the axes of a cell.

Axes are halved again and again into cells of neighbours. Each cell keeps a list of pairs of
nodes that no axis of the cell can do without, thinned from its parent's list about one reference
axis; an axis then starts from its cell's list, with the contact of a neighbour as its bound.

Notes
-----
*Guarantee.* The thinned list misses no contact of any axis of the cell up to the angle T. Proof.
Let w0 be the reference axis's direction and w another's, e = |w - w0|, and take a point p of the
lower cast. Let c0 and c be the points of the two axes in the plane through p across w0,
g = c - c0 and x = p - c. About the axes p goes to c + R x and to c0 + R0 (x + g), so that they
differ by ``(I - R0) g + (R - R0) x``. The first lies across w0 and is 2 sin(t/2) |g|
long. In the second, ``R x - R0 x = sin t (w - w0) x x + (1 - cos t)(w . x) w``, with
|w . x| <= e |x|; as w - w0 is e^2/2 long along w0, its part across w0 is at most
``(sin t / 2 + 1 - cos t) e^2 |x|`` and along w0 at most ``(sin t + 1 - cos t) e |x|``.
All are largest at t = T (sin t at a quarter turn at most), |x| at most rho + |g|, and |g| is convex
along w0, so largest at the ends of the lower cast. If an axis of the cell brings p to a point q
of the upper by t <= T, the reference axis brings p within these strays of q: so discs that the
reference axis keeps farther apart than that never meet (``broadphase.apart``). Boxes are
widened, never angles: the contact angle is not Lipschitz on steep cusps. T is the largest bound of
the cell's axes, each the angle of a true contact about it. Where axes differ by more than
``MAX_TILT``, the bound is not used and the cell is halved; a cell of one axis has no stray. The
last step runs the kernels of the one-axis path in the same frame, so its roots are the same.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import (
    START,
    apart,
    axis_frame,
    descend,
    face_pair,
    moved_frame,
    placed,
    workspace,
)
from kinematics.contact_point import contact_point
from kinematics.contact_roots import START_RAD
from kinematics.contact_table import (
    ROWS,
    fill_table,
    reference_parameters,
    survivors,
)
from kinematics.kernels import kernel

STATUS_NAMES = ("none_in_range", "contact", "already_touching")
MAX_TILT = 0.5
"""Largest difference |w - w0| of directions within a cell; a wider cell is halved (ours)."""
CELL = 80
"""Largest number of axes in an undivided cell (ours, tuned)."""
COARSE, FINE = 3.0, 0.8
"""A pair is divided while its size exceeds this many strays: inner cells, last cells (tuned)."""
SHARE, FEW = 0.9, 4
"""A last cell's list reaches to this quantile of its bounds, unless it has few axes (ours)."""
POOL = 64
"""Contacts of other axes tried as bounds (ours)."""


@kernel
def frames(axes, n, toward, motion, fu, fl):  # type: ignore[no-untyped-def]
    """Fill the frames of axis n of a cloud."""
    axis_frame(axes[n, 0], axes[n, 1], toward, fu)
    moved_frame(fu, motion, fl)


@kernel
def strays(axes, members, frame, disc, end, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with a cell's bounds (module docstring); False if they cannot be used.

    They are: largest stray across and along the axis, |g|, e, |x|, and the height of the lower
    cast's middle. ``disc`` is the lower cast's, about the reference axis.
    """
    size = math.sqrt(disc[6] * disc[6] + disc[7] * disc[7])
    rho = math.sqrt(disc[0] * disc[0] + disc[1] * disc[1]) + size
    wide, tilt = 0.0, 0.0
    four = np.empty(10)
    for n in members:
        e = reference_parameters(axes[n], frame, disc[2], four)
        if not e <= MAX_TILT:
            return False
        tilt = max(tilt, e)
        for z in (-size, size):
            x, y = four[0] + z * four[2], four[1] + z * four[3]
            wide = max(wide, math.sqrt(x * x + y * y))
    x = rho + wide
    sine, rest = math.sin(min(end, 0.5 * math.pi)), 1.0 - math.cos(end)
    out[0] = 2.0 * math.sin(0.5 * end) * wide + (0.5 * sine + rest) * tilt * tilt * x + 1e-9
    out[1] = (sine + rest) * tilt * x + 1e-9
    out[2], out[3], out[4], out[5] = wide, tilt, x, disc[2]
    return True


@kernel
def thin(upper, fu, lower, fl, end, stray, coarse, pairs, lo, hi):  # type: ignore[no-untyped-def]
    """Append to ``pairs`` what a cell needs of pairs[lo:hi]; returns the list and its new end."""
    discs_u, right_u, discs_l, right_l = upper[3], upper[4], lower[3], lower[4]
    across, along = stray[0], stray[1]
    ct, st = math.cos(end), math.sin(end)
    stack = np.empty((256, 2), dtype=np.int32)
    top_of_list = hi
    for k in range(lo, hi):
        stack[0, 0], stack[0, 1] = pairs[k, 0], pairs[k, 1]
        top = 1
        while top > 0:
            top -= 1
            u, v = stack[top, 0], stack[top, 1]
            du, dv = placed(discs_u[u], fu), placed(discs_l[v], fl)
            if apart(du, dv, end, ct, st, across, along):
                continue
            ru, rl = right_u[u], right_l[v]
            turn = abs(du[3] * dv[3] + du[4] * dv[4] + du[5] * dv[5])
            size = du[6] + dv[6] + math.sqrt(max(0.0, 1.0 - turn * turn)) * max(du[7], dv[7])
            if (ru < 0 and rl < 0) or size <= coarse * across:
                if top_of_list == len(pairs):
                    more = np.empty((2 * len(pairs), 2), dtype=np.int32)
                    more[:top_of_list] = pairs
                    pairs = more
                pairs[top_of_list, 0], pairs[top_of_list, 1] = u, v
                top_of_list += 1
                continue
            if rl < 0 or (ru >= 0 and du[7] >= dv[7]):
                stack[top, 0], stack[top, 1] = ru, v
                stack[top + 1, 0], stack[top + 1, 1] = u + 1, v
            else:
                stack[top, 0], stack[top, 1] = u, rl
                stack[top + 1, 0], stack[top + 1, 1] = u, v + 1
            top += 2
    return pairs, top_of_list


@kernel
def halve(axes, members):  # type: ignore[no-untyped-def]
    """Order members so that the halves differ most in one coordinate of an axis's points."""
    best, side, k = -1.0, 0, 0
    for s in range(2):
        for c in range(3):
            least, most = math.inf, -math.inf
            for n in members:
                least, most = min(least, axes[n, s, c]), max(most, axes[n, s, c])
            if most - least > best:
                best, side, k = most - least, s, c
    values = np.empty(len(members))
    for m in range(len(members)):
        values[m] = axes[members[m], side, k]
    members[:] = members[np.argsort(values)]


@kernel
def try_pool(upper, fu, lower, fl, pool, n, ub, wins):  # type: ignore[no-untyped-def]
    """Lower the bound of axis n to the earliest contact that a pair of faces in the pool has."""
    for k in range(len(pool)):
        i, j = pool[k, 0], pool[k, 1]
        if i >= 0:
            t, kind, _, _ = face_pair(upper, fu, i, lower, fl, j, False, ub[n])
            if t < ub[n]:
                ub[n] = t
                wins[n, 0], wins[n, 1], wins[n, 2] = kind, i, j


@kernel
def remember(pool, slot, found):  # type: ignore[no-untyped-def]
    """Put a new contact in the pool in place of the oldest; returns the next place."""
    if found[0] == 0 or found[0] == START:
        return slot
    for k in range(len(pool)):
        if pool[k, 0] == found[1] and pool[k, 1] == found[2]:
            return slot
    pool[slot % len(pool), 0], pool[slot % len(pool), 1] = found[1], found[2]
    return slot + 1


@kernel
def solve_cloud(upper, lower, motion, axes, toward, limit, pool, ub, wins, count):  # type: ignore[no-untyped-def]
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
    count : ndarray of int64, shape (6,)
        Node pairs, face pairs, whole descents, cells, pairs of all cells' lists, list starts.
    """
    n_axes = len(axes)
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    work = workspace()
    found, stray, reference = np.zeros(3, dtype=np.int64), np.zeros(6), np.empty((2, 3))
    todo = np.empty(n_axes, dtype=np.int64)
    left, slot = 0, 0
    while slot < len(pool) and pool[slot, 0] >= 0:
        slot += 1
    for n in range(n_axes):
        frames(axes, n, toward, motion, fu, fl)
        ub[n] = limit
        wins[n, 0] = 0
        try_pool(upper, fu, lower, fl, pool, n, ub, wins)
        if wins[n, 0] == 0:
            count[2] += 1
            found[:] = 0
            ub[n] = descend(upper, fu, lower, fl, 0, 0, limit, found, work, count)
            wins[n] = found
            slot = remember(pool, slot, found)
        else:
            todo[left] = n
            left += 1
    members = todo[:left]
    pairs = np.zeros((4096, 2), dtype=np.int32)
    table = np.empty((ROWS, 4096), dtype=np.float32)
    score, keep = np.empty(4096, dtype=np.float32), np.empty(4097, dtype=np.int32)
    ref, four = np.empty((4, 3)), np.empty(10)
    cells = np.empty((128, 4), dtype=np.int64)
    cells[0, 0], cells[0, 1], cells[0, 2], cells[0, 3] = 0, left, 0, 1
    top = 1 if left > 0 else 0
    while top > 0:
        top -= 1
        lo, hi, first, last = cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3]
        cell = members[lo:hi]
        end = 0.0
        reference[:] = 0.0
        for n in cell:
            if hi - lo <= CELL:  # contacts found since give closer bounds
                frames(axes, n, toward, motion, fu, fl)
                try_pool(upper, fu, lower, fl, pool, n, ub, wins)
            end = max(end, ub[n])
            reference += axes[n]
        reference /= hi - lo
        if hi - lo <= CELL and hi - lo > FEW:  # late ones wait for a round of their own
            end = np.sort(ub[cell])[int(SHARE * (hi - lo))]
        count[3] += 1
        axis_frame(reference[0], reference[1], toward, fu)
        moved_frame(fu, motion, fl)
        usable = strays(axes, cell, fu, placed(lower[3][0], fl), end, stray)
        if usable:
            coarse = FINE if hi - lo <= CELL else COARSE
            pairs, new = thin(upper, fu, lower, fl, end, stray, coarse, pairs, first, last)
            first, last = last, new
        count[4] += last - first
        if hi - lo > CELL:
            halve(axes, cell)
            mid = (lo + hi) // 2
            cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3] = mid, hi, first, last
            top += 1
            cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3] = lo, mid, first, last
            top += 1
            continue
        size = last - first
        if usable:
            if size > table.shape[1]:
                table = np.empty((ROWS, 2 * size), dtype=np.float32)
                score = np.empty(2 * size, dtype=np.float32)
                keep = np.empty(2 * size + 1, dtype=np.int32)
            fill_table(
                upper, fu, lower, fl, pairs, first, last, end, stray[2], stray[3], stray[4],
                stray[5], table,
            )  # fmt: skip
            ref[:] = fu
        late = 0
        for m in range(hi - lo):
            n = cell[m]
            frames(axes, n, toward, motion, fu, fl)
            try_pool(upper, fu, lower, fl, pool, n, ub, wins)
            best = ub[n]
            found[:] = wins[n]
            if best > end:
                best = end
                found[:] = 0
            number = size
            if usable:
                reference_parameters(axes[n], ref, stray[5], four)
                number = survivors(table, size, four, end - best, score, keep)
            for k in range(number):
                count[5] += 1
                pair = first + (keep[k] if usable else k)
                best = descend(
                    upper, fu, lower, fl, pairs[pair, 0], pairs[pair, 1], best, found, work, count
                )
                if found[0] == START:
                    break
            if found[0] == 0:  # nothing up to the list's end, so its bound still stands
                cell[late] = n
                late += 1
                continue
            if best <= START_RAD:
                best, found[0] = -1.0, START
            ub[n] = best
            wins[n] = found
            slot = remember(pool, slot, found)
        if late > 0:
            cells[top, 1] = lo + late  # the same cell again, with its parent's list
            top += 1


@kernel
def solve_axes(upper, lower, motion, axes, toward, limit, ub, wins):  # type: ignore[no-untyped-def]
    """As ``solve_cloud``, each axis by its own whole descent."""
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    found, count = np.zeros(3, dtype=np.int64), np.zeros(2, dtype=np.int64)
    work = workspace()
    for n in range(len(axes)):
        frames(axes, n, toward, motion, fu, fl)
        found[:] = 0
        ub[n] = descend(upper, fu, lower, fl, 0, 0, limit, found, work, count)
        wins[n] = found


@kernel
def results(upper, lower, motion, axes, toward, ub, wins, status, closing, points, faces, kinds):  # type: ignore[no-untyped-def]
    """Fill ``FirstContacts`` arrays from ``ub`` and ``wins``."""
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    for n in range(len(axes)):
        if wins[n, 0] == 0:
            continue
        frames(axes, n, toward, motion, fu, fl)
        faces[n, 0], faces[n, 1] = wins[n, 1], wins[n, 2]
        status[n] = 2 if wins[n, 0] == START else 1
        closing[n] = max(0.0, math.degrees(ub[n]))
        kinds[n] = contact_point(upper, fu, wins[n, 1], lower, fl, wins[n, 2], ub[n], points[n])
