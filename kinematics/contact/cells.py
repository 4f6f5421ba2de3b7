"""Cells of neighbouring axes: what one reference axis and one bound say about them all.

A cell is a set of axes, each with an angle up to which its contact is sought. In the frame of the
cell's reference axis another axis is four numbers (``parameters``): its offset (gx, gy) at the
height of the lower cast's middle, and its slopes (sx, sy).

Notes
-----
*Guarantee of the strays.* Let w0 be the reference axis's direction and w another's, e = |w - w0|,
and take a point p of the lower cast. Let c0 and c be the points of the two axes in the plane
through p across w0, g = c - c0 and x = p - c. About the axes p goes to c + R x and to
c0 + R0 (x + g), so that they differ by ``(I - R0) g + (R - R0) x``. The first lies across w0 and
is 2 sin(t/2) |g| long. In the second, ``R x - R0 x = sin t (w - w0) x x + (1 - cos t)(w . x) w``,
with |w . x| <= e |x|; as w - w0 is e^2/2 long along w0, its part across w0 is at most
``(sin t / 2 + 1 - cos t) e^2 |x|`` and along w0 at most ``(sin t + 1 - cos t) e |x|``.
All are largest at t = T (sin t at a quarter turn at most), |x| at most rho + |g|, and |g| is convex
along w0, so largest at the ends of the lower cast. If an axis of the cell brings p to a point q
of the upper by t <= T, the reference axis brings p within these strays of q: so discs that the
reference axis keeps farther apart than that never meet (``broadphase.apart``). Boxes are
widened, never angles: the contact angle is not Lipschitz on steep cusps.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.base.kernel import kernel
from kinematics.base.motion_kernels import compose
from kinematics.contact.descent import axis_frame

MAX_TILT = 0.5
"""Largest difference |w - w0| of directions within a cell; a wider cell is halved (ours)."""
END, ACROSS, ALONG, WIDE, TILT, MIDDLE = 0, 1, 2, 3, 4, 5
FIT, SLACK, LAG, MID, HALF, SLOPE = 6, 7, 8, 9, 13, 17
COS, SIN, SINE, FALL, TWIST = 21, 22, 23, 24, 25
LEAST_RAD = 1e-9
"""Least END and FIT of a cell, radian (ours)."""
TWIST_SHARE = 2.03
"""TWIST over TILT sin(END / 2): sin(a / 4) = sin(t / 2) e / 2 for the angle a (quaternions), so
``a <= 2.03 e sin(t / 2)`` for e up to MAX_TILT (derived here)."""
CELL_SIZE = 26
"""Entries of a cell's record: see ``describe``."""


@kernel
def frames(axes, n, toward, motion, fu, fl):  # type: ignore[no-untyped-def]
    """Fill the frames of axis n of a cloud."""
    axis_frame(axes[n, 0], axes[n, 1], toward, fu)
    compose(fu, motion, fl)


@kernel
def parameters(axis, frame, middle, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with (gx, gy, sx, sy) of an axis in the reference frame; returns |w - w0|.

    ``out`` has 10 entries; those from 4 on are scratch.
    """
    a, b = out[4:7], out[7:10]
    for k in range(3):
        a[k], b[k] = frame[3, k], frame[3, k]
        for m in range(3):
            a[k] += frame[k, m] * axis[0, m]
            b[k] += frame[k, m] * axis[1, m]
    dx, dy, dz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    length = math.sqrt(dx * dx + dy * dy + dz * dz)
    out[2], out[3] = dx / dz, dy / dz
    s = middle - a[2]
    out[0], out[1] = a[0] + s * out[2], a[1] + s * out[3]
    return math.sqrt(dx * dx + dy * dy + (dz - length) ** 2) / length


@kernel
def describe(axes, members, ends, frame, disc, four, cell):  # type: ignore[no-untyped-def]
    """Fill a cell's record; False if its axes differ too much for its bounds.

    Parameters
    ----------
    axes : ndarray, shape (n, 2, 3)
    members : ndarray of int64
        The cell's axes.
    ends : ndarray, shape (n,)
        Angle up to which each axis's contact is sought, radian.
    frame : ndarray, shape (4, 3)
        Frame of the reference axis.
    disc : tuple
        The whole lower cast's disc about the reference axis.
    four : ndarray, shape (n, 10)
        Out, in the first four columns of the members' rows: their parameters.
    cell : ndarray, shape (CELL_SIZE,)
        Out: END, the largest of the angles; ACROSS and ALONG, the strays up to END, mm; WIDE,
        largest |g| within the lower cast, mm; TILT, largest |w - w0|; MIDDLE, height of the lower
        cast's middle, mm; FIT and SLOPE (4), a fit of the angles, ``FIT + SLOPE . parameters``;
        SLACK, its largest error, radian; LAG, the largest distance of an angle from FIT, radian;
        MID (4) and HALF (4), middle and half size of the parameters' box; COS and SIN of FIT;
        SINE, FALL and TWIST up to END: the largest sine, 1 - cos, and a bound on the angle of the
        rotation that parts a turn about an axis of the cell from one about the reference, radian.
    """
    size = math.sqrt(disc[6] * disc[6] + disc[7] * disc[7])
    rho = math.sqrt(disc[0] * disc[0] + disc[1] * disc[1]) + size
    wide, tilt, end = 0.0, 0.0, LEAST_RAD
    cell[MID : MID + 4] = math.inf
    cell[HALF : HALF + 4] = -math.inf
    for n in members:
        own = four[n]
        e = parameters(axes[n], frame, disc[2], own)
        if not e <= MAX_TILT:
            return False
        tilt, end = max(tilt, e), max(end, ends[n])
        for z in (-size, size):
            x, y = own[0] + z * own[2], own[1] + z * own[3]
            wide = max(wide, math.sqrt(x * x + y * y))
        for k in range(4):
            cell[MID + k] = min(cell[MID + k], own[k])
            cell[HALF + k] = max(cell[HALF + k], own[k])
    for k in range(4):
        least, most = cell[MID + k], cell[HALF + k]
        cell[MID + k], cell[HALF + k] = 0.5 * (least + most), 0.5 * (most - least)
    x = rho + wide
    sine, rest = math.sin(min(end, 0.5 * math.pi)), 1.0 - math.cos(end)
    cell[END] = end
    cell[ACROSS] = 2.0 * math.sin(0.5 * end) * wide
    cell[ACROSS] += (0.5 * sine + rest) * tilt * tilt * x + 1e-9
    cell[ALONG] = (sine + rest) * tilt * x + 1e-9
    cell[WIDE], cell[TILT], cell[MIDDLE] = wide, tilt, disc[2]
    fit_ends(members, ends, four, cell)
    cell[COS], cell[SIN] = math.cos(cell[FIT]), math.sin(cell[FIT])
    cell[SINE], cell[FALL] = sine, rest
    cell[TWIST] = TWIST_SHARE * math.sin(0.5 * end) * tilt
    return True


@kernel
def fit_ends(members, ends, four, cell):  # type: ignore[no-untyped-def]
    """Fill FIT, SLOPE, SLACK and LAG: the angles as a linear function of the parameters.

    Least squares with a slight ridge. Any fit keeps the bounds true; a good one makes them close.
    """
    matrix, right = np.zeros((5, 5)), np.zeros(5)
    scale, row = np.ones(5), np.empty(5)
    for k in range(4):
        scale[k + 1] = 1.0 / (abs(cell[MID + k]) + cell[HALF + k] + 1e-12)
    for n in members:
        row[0] = 1.0
        for k in range(4):
            row[k + 1] = scale[k + 1] * four[n, k]
        for i in range(5):
            right[i] += row[i] * ends[n]
            for k in range(5):
                matrix[i, k] += row[i] * row[k]
    for i in range(5):
        matrix[i, i] += 1e-6 * len(members)
    for i in range(5):  # elimination; the ridge makes the matrix positive definite
        for r in range(i + 1, 5):
            share = matrix[r, i] / matrix[i, i]
            for k in range(i, 5):
                matrix[r, k] -= share * matrix[i, k]
            right[r] -= share * right[i]
    for i in range(4, -1, -1):
        for k in range(i + 1, 5):
            right[i] -= matrix[i, k] * right[k]
        right[i] /= matrix[i, i]
    cell[FIT] = min(max(right[0], LEAST_RAD), cell[END])
    for k in range(4):
        cell[SLOPE + k] = scale[k + 1] * right[k + 1]
    slack, lag = 0.0, 0.0
    for n in members:
        slack = max(slack, abs(ends[n] - fitted(cell, four[n])))
        lag = max(lag, abs(ends[n] - cell[FIT]))
    cell[SLACK], cell[LAG] = slack * (1.0 + 1e-9), lag * (1.0 + 1e-9)


@kernel
def fitted(cell, own):  # type: ignore[no-untyped-def]
    """A cell's fit of an axis's angle."""
    t = cell[FIT]
    for k in range(4):
        t += cell[SLOPE + k] * own[k]
    return t


@kernel
def order_by(members, values):  # type: ignore[no-untyped-def]
    """Sort members by values, shape (number of members,)."""
    members[:] = members[np.argsort(values)]


@kernel
def widest(axes, members, values):  # type: ignore[no-untyped-def]
    """Fill ``values`` with the coordinate of the axes' points in which they differ most."""
    best, side, k = -1.0, 0, 0
    for s in range(2):
        for c in range(3):
            least, most = math.inf, -math.inf
            for n in members:
                least, most = min(least, axes[n, s, c]), max(most, axes[n, s, c])
            if most - least > best:
                best, side, k = most - least, s, c
    for m in range(len(members)):
        values[m] = axes[members[m], side, k]


@kernel
def middle_axis(axes, members, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the mean of some axes' points."""
    out[:] = 0.0
    for n in members:
        out += axes[n]
    out /= len(members)
