"""A cell's candidate pairs as a table: one line of arithmetic dismisses a pair for one axis.

A row is a plane that keeps the pair's parts from each other: its normal d, fixed to the upper, the
centre p of the lower part, and how far below the plane the lower part starts. In the frame of
the cell's reference axis, its origin moved to the height of the lower cast's middle.

Notes
-----
*Guarantee.* About an axis through a along the unit vector w, the height of p along d is, after a
turn by t, ``d . p + S sin t + Q (1 - cos t)`` with ``S = w . (p x d) + d . (a x w)`` and
``Q = (d . w) (w . p - w . a) - d . p + d . a``: exact, whatever the axis. Its largest rise up to T
is ``sqrt(S^2 + Q^2) + Q`` where S > 0 and the speed S cos T + Q sin T < 0 (a crest between), else
the larger of 0 and the rise at T. The lower part reaches above p by at most its reach about the
reference axis, up to the cell's largest angle, plus its size times the difference of the turns
(``contact_cells``: TWIST). So a pair with more room than its rise does not meet up to T. Rows are
kept in single precision; ``ROUNDING`` covers it.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import corner, placed, point, wave_range
from kinematics.contact_cells import END, FIT, MIDDLE, TWIST, WIDE
from kinematics.contact_roots import normal
from kinematics.kernels import kernel

ROUNDING = 4e-6
"""Single precision of a rise, a share of the lengths in it: 6e-8 a step, 30 steps, and room."""
ROWS = 7
"""Rows of a table: d (3), p (3), room at the start (mm)."""


@kernel
def rise(s, q, ct, st):  # type: ignore[no-untyped-def]
    """Largest value of S sin t + Q (1 - cos t) for t from 0 to T (below pi)."""
    if s > 0.0 and s * ct + q * st < 0.0:
        return math.sqrt(s * s + q * q) + q
    return max(0.0, s * st + q * (1.0 - ct))


@kernel
def reaches(d, tri_u, tri_v, du, dv, leaves, ct, st, end):  # type: ignore[no-untyped-def]
    """Heights along d: (top and bottom of the upper part, reach of the lower part up and down).

    The lower part's reach is from its disc's centre, about the reference axis, for t from 0 to T.
    """
    if leaves:
        a, b, c, p, q, r = tri_u[0], tri_u[1], tri_u[2], tri_v[0], tri_v[1], tri_v[2]
        top, bottom, up, down = -math.inf, math.inf, -math.inf, -math.inf
        for k in range(3):
            x = corner(a, b, c, k)
            h = d[0] * x[0] + d[1] * x[1] + d[2] * x[2]
            top, bottom = max(top, h), min(bottom, h)
            x = corner(p, q, r, k)
            x0, x1, x2 = x[0] - dv[0], x[1] - dv[1], x[2] - dv[2]
            lo, hi = wave_range(d[0] * x0 + d[1] * x1, d[1] * x0 - d[0] * x1, ct, st)
            up, down = max(up, hi + d[2] * x2), max(down, -lo - d[2] * x2)
        return top, bottom, up, down
    turn = abs(d[0] * du[3] + d[1] * du[4] + d[2] * du[5])
    half = du[6] + math.sqrt(max(0.0, 1.0 - turn * turn) + 1e-6) * du[7]
    h = d[0] * du[0] + d[1] * du[1] + d[2] * du[2]
    f, g = d[0] * dv[3] + d[1] * dv[4], d[1] * dv[3] - d[0] * dv[4]
    c0, c1 = f + d[2] * dv[5], f * ct + g * st + d[2] * dv[5]
    sine = math.sqrt(max(0.0, 1.0 - min(c0 * c0, c1 * c1)) + 1e-6) + 0.125 * end * end
    own = dv[6] + sine * dv[7]
    return h + half, h - half, own, own


@kernel
def fill_table(upper, fu, lower, fl, pairs, first, last, cell, close, table):  # type: ignore[no-untyped-def]
    """Fill ``table``, shape (ROWS, last - first), for pairs[first:last] of a cell.

    Pairs with less room than ``close`` (mm) at the cell's angle about the reference axis try
    crossed edges as normals too.
    """
    end = max(cell[END], cell[FIT])
    ct, st = math.cos(end), math.sin(end)
    ct0, st0 = math.cos(cell[FIT]), math.sin(cell[FIT])
    o = (0.0, 0.0, 0.0)
    for k in range(last - first):
        u, v = pairs[first + k, 0], pairs[first + k, 1]
        ru, rl = upper[4][u], lower[4][v]
        leaves = ru < 0 and rl < 0
        du, dv = placed(upper[3][u], fu), placed(lower[3][v], fl)
        tri_u, tri_v = (o, o, o), (o, o, o)
        n, m = (du[3], du[4], du[5]), (dv[3], dv[4], dv[5])
        if leaves:
            fa, fb = upper[1][-1 - ru], lower[1][-1 - rl]
            tri_u = (
                point(upper[0], fa[0], fu),
                point(upper[0], fa[1], fu),
                point(upper[0], fa[2], fu),
            )
            tri_v = (
                point(lower[0], fb[0], fl),
                point(lower[0], fb[1], fl),
                point(lower[0], fb[2], fl),
            )
            x, area = normal(tri_u[0], tri_u[1], tri_u[2])
            if area > 0.0:
                n = x
            x, area = normal(tri_v[0], tri_v[1], tri_v[2])
            if area > 0.0:
                m = x
        m = (ct0 * m[0] - st0 * m[1], st0 * m[0] + ct0 * m[1], m[2])
        z = dv[2] - cell[MIDDLE]
        loose = cell[TWIST] * (dv[6] + dv[7]) + 1e-9
        loose += ROUNDING * (abs(dv[0]) + abs(dv[1]) + abs(z) + cell[WIDE] + 1.0)
        best = -math.inf
        table[:, k] = 0.0  # without any normal the pair is always looked at
        table[6, k] = -1.0
        for side in range(12 if leaves else 3):
            if side >= 3 and best > close:
                break  # clear enough; the crossed edges are for the close ones
            if side == 0:
                d = n
            elif side == 1:
                d = m
            elif side == 2:
                same = 1.0 if n[0] * m[0] + n[1] * m[1] + n[2] * m[2] > 0.0 else -1.0
                d = (n[0] + same * m[0], n[1] + same * m[1], n[2] + same * m[2])
            else:
                i, j = (side - 3) // 3, (side - 3) % 3
                x, y = (
                    corner(tri_u[0], tri_u[1], tri_u[2], i),
                    corner(tri_u[0], tri_u[1], tri_u[2], i + 1),
                )
                a = (y[0] - x[0], y[1] - x[1], y[2] - x[2])
                x, y = (
                    corner(tri_v[0], tri_v[1], tri_v[2], j),
                    corner(tri_v[0], tri_v[1], tri_v[2], j + 1),
                )
                b = (y[0] - x[0], y[1] - x[1], y[2] - x[2])
                b = (ct0 * b[0] - st0 * b[1], st0 * b[0] + ct0 * b[1], b[2])
                d = (
                    a[1] * b[2] - a[2] * b[1],
                    a[2] * b[0] - a[0] * b[2],
                    a[0] * b[1] - a[1] * b[0],
                )
            length = math.sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2])
            if length < 1e-9:
                continue
            d = (d[0] / length, d[1] / length, d[2] / length)
            top, bottom, up, down = reaches(d, tri_u, tri_v, du, dv, leaves, ct, st, end)
            level = d[0] * dv[0] + d[1] * dv[1] + d[2] * dv[2]
            below, above = bottom - level - up, level - top - down
            if below < above:
                d = (-d[0], -d[1], -d[2])
                below = above
            s, q = d[1] * dv[0] - d[0] * dv[1], -d[0] * dv[0] - d[1] * dv[1]
            room = below - loose
            bound = room - rise(s, q, ct0, st0)
            if bound <= best:
                continue
            best = bound
            table[0, k], table[1, k], table[2, k] = d[0], d[1], d[2]
            table[3, k], table[4, k], table[5, k] = dv[0], dv[1], z
            table[6, k] = room


@kernel
def left_over(dx, dy, dz, px, py, pz, room, own, ct, st, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the room that an axis leaves; a pair below 0 must be looked at.

    ``own`` holds the axis's direction w (3), a x w (3), w . a and a (3); all of single precision.
    """
    wx, wy, wz, bx, by, bz, wa, ax, ay = (
        own[0], own[1], own[2], own[3], own[4], own[5], own[6], own[7], own[8],
    )  # fmt: skip
    zero, one = np.float32(0.0), np.float32(1.0)
    for k in range(len(out)):
        x, y, z, p, q, r = dx[k], dy[k], dz[k], px[k], py[k], pz[k]
        s = wx * (q * z - r * y) + wy * (r * x - p * z) + wz * (p * y - q * x)
        s += x * bx + y * by + z * bz
        along = x * wx + y * wy + z * wz
        across = (wx * p + wy * q + wz * r - wa) * along
        across += x * (ax - p) + y * (ay - q) - z * r
        last = max(zero, s * st + across * (one - ct))
        crest = np.sqrt(s * s + across * across) + across
        over = (s > zero) & (s * ct + across * st < zero)
        out[k] = room[k] - (crest if over else last)


@kernel
def survivors(table, size, four, end, own, score, keep):  # type: ignore[no-untyped-def]
    """Fill ``keep`` with the columns that an axis must look at up to ``end``; returns their number.

    ``four`` is the axis's parameters; ``own`` (9), ``score`` and ``keep`` are workspace.
    """
    length = math.sqrt(1.0 + four[2] * four[2] + four[3] * four[3])
    w = (four[2] / length, four[3] / length, 1.0 / length)
    own[0], own[1], own[2] = w[0], w[1], w[2]
    own[3], own[4] = four[1] * w[2], -four[0] * w[2]
    own[5] = four[0] * w[1] - four[1] * w[0]
    own[6] = w[0] * four[0] + w[1] * four[1]
    own[7], own[8] = four[0], four[1]
    left_over(
        table[0, :size],
        table[1, :size],
        table[2, :size],
        table[3, :size],
        table[4, :size],
        table[5, :size],
        table[6, :size],
        own,
        np.float32(math.cos(end)),
        np.float32(math.sin(end)),
        score[:size],
    )
    number = 0
    for k in range(size):
        keep[number] = k
        number += score[k] <= 0.0
    return number
