"""Cells of neighbouring axes: how far one reference axis stands for them all.

A cell keeps the pairs of nodes that none of its axes can do without, found about a reference axis.

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
widened, never angles: the contact angle is not Lipschitz on steep cusps. T is given.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import apart, axis_frame, moved_frame, placed
from kinematics.contact_table import reference_parameters
from kinematics.kernels import kernel

MAX_TILT = 0.5
"""Largest difference |w - w0| of directions within a cell; a wider cell is halved (ours)."""


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
def middle_axis(axes, members, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the mean of some axes' points."""
    out[:] = 0.0
    for n in members:
        out += axes[n]
    out /= len(members)


@kernel
def box_of(axes, members, frame, middle, four, box):  # type: ignore[no-untyped-def]
    """Fill ``box`` with the middle and half size of some axes' four numbers in a frame."""
    box[:4] = math.inf
    box[4:] = -math.inf
    for n in members:
        reference_parameters(axes[n], frame, middle, four)
        for k in range(4):
            box[k] = min(box[k], four[k])
            box[4 + k] = max(box[4 + k], four[k])
    for k in range(4):
        least, most = box[k], box[4 + k]
        box[k], box[4 + k] = 0.5 * (least + most), 0.5 * (most - least)
