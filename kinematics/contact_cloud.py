"""First contact about each axis of a cloud: candidate pairs shared by the axes of a cell.

Axes are halved again and again into cells of neighbours. Each cell keeps a list of pairs of
nodes that no axis of the cell can do without, thinned from its parent's list about one reference
axis; an axis then starts from its cell's list, with the contact of a neighbour as its bound.

Notes
-----
*Guarantee.* A cell's list misses no contact of its axes up to an angle T (proof in
``kinematics.contact_cells``; its refinement by a table in ``kinematics.contact_table``). Boxes are
widened, never angles: the contact angle is not Lipschitz on steep cusps. T is a quantile of the
axes' bounds, each the angle of a true contact about that axis; an axis without contact up to T
waits for a round of its own, with a larger T. Where axes differ by more than ``MAX_TILT``, the
bound is out of its domain and the cell is halved; a cell of one axis has no stray. The last step
runs the kernels of the one-axis path in the same frame, so its roots are the same.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import (
    START,
    axis_frame,
    descend,
    face_pair,
    moved_frame,
    placed,
    workspace,
)
from kinematics.contact_cells import box_of, frames, halve, middle_axis, strays, thin
from kinematics.contact_point import contact_point
from kinematics.contact_roots import START_RAD
from kinematics.contact_table import (
    ROWS,
    fill_table,
    narrow,
    reference_parameters,
    survivors,
)
from kinematics.kernels import kernel

STATUS_NAMES = ("none_in_range", "contact", "already_touching")
CELL, PART = 320, 16
"""Largest number of axes in an undivided cell, and in a part of it (ours, tuned)."""
CLOSE_MM = 0.05
"""Pairs of a part with less room than this try crossed edges as directions too (ours, tuned)."""
COARSE, MEDIUM, FINE = 3.0, 1.0, 0.6
"""A pair is divided while its size exceeds this many strays: inner cells, last cells, parts."""
NEAR_RAD = math.radians(5.0)
"""One axis looks up to this angle first: bounds over a short turn are closer (ours, tuned)."""
SHARE, FEW = 0.9, 4
"""A last cell's list reaches to this quantile of its bounds, unless it has few axes (ours)."""
POOL = 64
"""Contacts of other axes tried as bounds (ours)."""


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
    ref, own_frame = np.empty((4, 3)), np.empty((4, 3))
    four, box = np.empty(10), np.empty(8)
    solved = np.zeros(n_axes, dtype=np.bool_)
    parts = np.empty((64, 2), dtype=np.int64)
    cells = np.empty((128, 4), dtype=np.int64)
    cells[0, 0], cells[0, 1], cells[0, 2], cells[0, 3] = 0, left, 0, 1
    top = 1 if left > 0 else 0
    while top > 0:
        top -= 1
        lo, hi, first, last = cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3]
        cell = members[lo:hi]
        small = hi - lo <= CELL
        if small:  # contacts found since give closer bounds
            for n in cell:
                frames(axes, n, toward, motion, fu, fl)
                try_pool(upper, fu, lower, fl, pool, n, ub, wins)
        order = np.sort(ub[cell])  # of a small cell, late ones wait for a round of their own
        end = order[int(SHARE * (hi - lo))] if small and hi - lo > FEW else order[-1]
        count[3] += 1
        middle_axis(axes, cell, reference)
        axis_frame(reference[0], reference[1], toward, fu)
        moved_frame(fu, motion, fl)
        usable = strays(axes, cell, fu, placed(lower[3][0], fl), end, stray)
        if usable:
            coarse = MEDIUM if small else COARSE
            pairs, new = thin(upper, fu, lower, fl, end, stray, coarse, pairs, first, last)
            first, last = last, new
        count[4] += last - first
        if not small:
            halve(axes, cell)
            mid = (lo + hi) // 2
            cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3] = mid, hi, first, last
            top += 1
            cells[top, 0], cells[top, 1], cells[top, 2], cells[top, 3] = lo, mid, first, last
            top += 1
            continue
        if usable:
            if last - first > table.shape[1]:
                table = np.empty((ROWS, 2 * (last - first)), dtype=np.float32)
            fill_table(upper, fu, lower, fl, pairs, first, last, end, stray, -1.0, table)
            ref[:] = fu
        middle = stray[5]
        # Parts of the cell narrow its table to the pairs they need, before they fill their own.
        parts[0, 0], parts[0, 1] = 0, hi - lo
        ahead = 1
        while ahead > 0:
            ahead -= 1
            part = cell[parts[ahead, 0] : parts[ahead, 1]]
            if len(part) > PART:
                halve(axes, part)
                mid, upto = (parts[ahead, 0] + parts[ahead, 1]) // 2, parts[ahead, 1]
                parts[ahead, 1] = mid
                parts[ahead + 1, 0], parts[ahead + 1, 1] = mid, upto
                ahead += 2
                continue
            part_end = 0.0
            for n in part:
                part_end = max(part_end, min(end, ub[n]))
            start, stop = first, last
            own = False
            if usable:
                box_of(axes, part, ref, middle, four, box)
                start = last
                pairs, stop = narrow(table, last - first, box, end - part_end, pairs, first, start)
                middle_axis(axes, part, reference)
                axis_frame(reference[0], reference[1], toward, fu)
                moved_frame(fu, motion, fl)
                own = strays(axes, part, fu, placed(lower[3][0], fl), part_end, stray)
                if own:
                    pairs, new = thin(
                        upper, fu, lower, fl, part_end, stray, FINE, pairs, start, stop
                    )
                    start, stop = stop, new
            own_table = np.empty((ROWS, stop - start if own else 0), dtype=np.float32)
            if own:
                if stop - start > len(score):
                    score = np.empty(2 * (stop - start), dtype=np.float32)
                    keep = np.empty(2 * (stop - start) + 1, dtype=np.int32)
                fill_table(
                    upper, fu, lower, fl, pairs, start, stop, part_end, stray, CLOSE_MM, own_table
                )
                own_frame[:] = fu
            count[5] += stop - start
            for n in part:
                frames(axes, n, toward, motion, fu, fl)
                try_pool(upper, fu, lower, fl, pool, n, ub, wins)
                best = ub[n]
                found[:] = wins[n]
                if best > part_end:
                    best = part_end
                    found[:] = 0
                number = stop - start
                if own:
                    reference_parameters(axes[n], own_frame, stray[5], four)
                    number = survivors(own_table, number, four, part_end - best, score, keep)
                for k in range(number):
                    pair = start + (keep[k] if own else k)
                    best = descend(
                        upper, fu, lower, fl, pairs[pair, 0], pairs[pair, 1], best, found, work,
                        count,
                    )  # fmt: skip
                    if found[0] == START:
                        break
                if found[0] == 0:  # nothing up to the list's end, so its bound still stands
                    continue
                if best <= START_RAD:
                    best, found[0] = -1.0, START
                ub[n] = best
                wins[n] = found
                solved[n] = True
                slot = remember(pool, slot, found)
        late = 0
        for m in range(hi - lo):
            if not solved[cell[m]]:
                cell[late], cell[m] = cell[m], cell[late]
                late += 1
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
        for end in (min(NEAR_RAD, limit), limit):
            found[:] = 0
            ub[n] = descend(upper, fu, lower, fl, 0, 0, end, found, work, count)
            if found[0] != 0:
                break
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
