"""A cell's candidate pairs as a table: one line of arithmetic dismisses a pair for one axis.

In the frame of the cell's reference axis another axis is four numbers: its offset (gx, gy) at the
height of the lower cast's middle, and its slopes (sx, sy). To first order, it moves a point of
the lower cast, compared with the reference, by a linear function of these four.

Notes
-----
*Guarantee.* Let d be a unit vector and m the least distance, along d and over t from 0 to T, of
the pair's lower part below its upper part about the reference axis. About another axis the
lower part strays by the vector of ``kinematics.contact_cloud``, along d by ``psi(t)`` plus a rest.
``psi`` is linear in the four numbers, psi(0) = 0 and |psi''| <= M = |g| + |d_z| e |x|, so that
psi(t) <= max(0, psi(T)) + M T^2 / 8. The rest is of second order in the cell's size and is bounded,
term by term, in ``fill_table``. So the pair does not meet if max(0, psi(T)) < m - rest. Up
to an angle T' < T the distance m grows by v (T - T'), where v is the least speed at which the
lower part rises along d about the reference axis, if that is positive. Numbers are kept in
single precision; ``ROUNDING_MM`` covers it.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import corner, placed, point, wave_range
from kinematics.contact_roots import normal
from kinematics.kernels import kernel

ROUNDING_MM = 1e-5
"""Single precision of the table's sums, mm: 6e-8 of terms below 20 mm, with room (ours)."""
ROWS = 6


@kernel
def reference_parameters(axis, frame, middle, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with (gx, gy, sx, sy) of an axis in the reference frame; returns |w - w0|."""
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
def room(d, tri_u, tri_v, du, dv, leaves, ct, st, end):  # type: ignore[no-untyped-def]
    """Distance along d over t from 0 to T (least) and the least speed, for both signs of d."""
    a, b, c, p, q, r = tri_u[0], tri_u[1], tri_u[2], tri_v[0], tri_v[1], tri_v[2]
    best, speed, sign = -math.inf, 0.0, 1.0
    if leaves:
        low, high = math.inf, -math.inf
        for k in range(3):
            x = corner(a, b, c, k)
            h = d[0] * x[0] + d[1] * x[1] + d[2] * x[2]
            low, high = min(low, h), max(high, h)
        least, most, slow, fast = math.inf, -math.inf, math.inf, -math.inf
        for k in range(3):
            x = corner(p, q, r, k)
            f, g = d[0] * x[0] + d[1] * x[1], d[1] * x[0] - d[0] * x[1]
            lo, hi = wave_range(f, g, ct, st)
            least, most = min(least, lo + d[2] * x[2]), max(most, hi + d[2] * x[2])
            lo, hi = wave_range(g, -f, ct, st)
            slow, fast = min(slow, lo), max(fast, hi)
    else:
        turn = abs(d[0] * du[3] + d[1] * du[4] + d[2] * du[5])
        half = du[6] + math.sqrt(max(0.0, 1.0 - turn * turn) + 1e-6) * du[7]
        h = d[0] * du[0] + d[1] * du[1] + d[2] * du[2]
        low, high = h - half, h + half
        f, g = d[0] * dv[3] + d[1] * dv[4], d[1] * dv[3] - d[0] * dv[4]
        c0, c1 = f + d[2] * dv[5], f * ct + g * st + d[2] * dv[5]
        sine = math.sqrt(max(0.0, 1.0 - min(c0 * c0, c1 * c1)) + 1e-6) + 0.125 * end * end
        half = dv[6] + sine * dv[7]
        f, g = d[0] * dv[0] + d[1] * dv[1], d[1] * dv[0] - d[0] * dv[1]
        lo, hi = wave_range(f, g, ct, st)
        least, most = lo + d[2] * dv[2] - half, hi + d[2] * dv[2] + half
        slow, fast = wave_range(g, -f, ct, st)
    if low - most >= least - high:
        best, speed, sign = low - most, slow, 1.0
    else:
        best, speed, sign = least - high, -fast, -1.0
    return best, max(0.0, speed), sign


@kernel
def rest(d, size, end, stray):  # type: ignore[no-untyped-def]
    """What psi leaves out along a unit vector d, for a lower part of a size (module docstring)."""
    wide, tilt, reach = stray[2], stray[3], stray[4]
    sine, fall = math.sin(min(end, 0.5 * math.pi)), 1.0 - math.cos(end)
    axial = abs(d[2])
    flat = math.sqrt(max(0.0, 1.0 - axial * axial))
    curve = 0.125 * end * end * (wide + axial * tilt * reach)
    second = flat * (0.5 * sine + fall) * tilt * tilt * reach
    second += axial * (fall * reach + sine * wide + sine * tilt * tilt * reach) * tilt
    spread = (2.4 * math.sin(0.5 * end) + sine) * tilt * size
    return 1.01 * (curve + second + spread) + ROUNDING_MM


@kernel
def coefficients(d, dv, ct, st, middle):  # type: ignore[no-untyped-def]
    """Psi(T) along d of the lower disc dv, by (gx, gy, sx, sy)."""
    x, y = d[0], d[1]
    ex, ey = x - (ct * x + st * y), y - (ct * y - st * x)  # (I - R0(T)) transposed, times d
    height, side = dv[2] - middle, d[2] * st
    return ex, ey, height * ex + side * dv[1], height * ey - side * dv[0]


@kernel
def fill_table(upper, fu, lower, fl, pairs, first, last, end, stray, close, table):  # type: ignore[no-untyped-def]
    """Fill ``table``, shape (ROWS, last - first): psi's four coefficients, v, and m - rest.

    ``stray`` is a cell's, from ``kinematics.contact_cloud.strays``; pairs with less room than
    ``close`` try crossed edges as directions too.
    """
    ct, st = math.cos(end), math.sin(end)
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
        m = (ct * m[0] - st * m[1], st * m[0] + ct * m[1], m[2])
        size = dv[6] + dv[7]
        best = -math.inf
        table[:, k] = 0.0  # without any direction the pair is always looked at
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
                b = (ct * b[0] - st * b[1], st * b[0] + ct * b[1], b[2])
                d = (
                    a[1] * b[2] - a[2] * b[1],
                    a[2] * b[0] - a[0] * b[2],
                    a[0] * b[1] - a[1] * b[0],
                )
            length = math.sqrt(d[0] * d[0] + d[1] * d[1] + d[2] * d[2])
            if length < 1e-9:
                continue
            d = (d[0] / length, d[1] / length, d[2] / length)
            gap, speed, sign = room(d, tri_u, tri_v, du, dv, leaves, ct, st, end)
            bound = gap - rest(d, size, end, stray)
            if bound <= best:
                continue
            best = bound
            c0, c1, c2, c3 = coefficients(d, dv, ct, st, stray[5])
            table[0, k], table[1, k] = sign * c0, sign * c1
            table[2, k], table[3, k] = sign * c2, sign * c3
            table[4, k] = speed * (1.0 - 1e-6)
            table[5, k] = bound


@kernel
def scores(c0, c1, c2, c3, v, bound, gx, gy, sx, sy, early, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the distance that is left; a pair below 0 must be looked at."""
    zero = np.float32(0.0)
    for k in range(len(out)):
        psi = c0[k] * gx + c1[k] * gy + c2[k] * sx + c3[k] * sy
        out[k] = bound[k] + v[k] * early - max(zero, psi)


@kernel
def survivors(table, size, parameters, early, score, keep):  # type: ignore[no-untyped-def]
    """Fill ``keep`` with the columns that an axis must look at; returns their number.

    ``early`` is T less the axis's own bound, rounded down.
    """
    f = np.float32
    scores(
        table[0, :size],
        table[1, :size],
        table[2, :size],
        table[3, :size],
        table[4, :size],
        table[5, :size],
        f(parameters[0]),
        f(parameters[1]),
        f(parameters[2]),
        f(parameters[3]),
        f(early * (1.0 - 1e-6)),
        score[:size],
    )
    number = 0
    for k in range(size):
        keep[number] = k
        number += score[k] <= 0.0
    return number


@kernel
def narrow(table, size, box, early, pairs, first, at):  # type: ignore[no-untyped-def]
    """Append to ``pairs``, from ``at``, those of pairs[first:first + size] that a box needs.

    ``box`` holds the middle and the half size of the four numbers, as of some of the cell's
    axes; ``early`` is T less their largest bound. Returns the list and its new end.
    """
    f = np.float32
    g0, g1, g2, g3 = f(box[0]), f(box[1]), f(box[2]), f(box[3])
    h0, h1, h2, h3 = f(box[4]), f(box[5]), f(box[6]), f(box[7])
    late, zero = f(early * (1.0 - 1e-6)), f(0.0)
    if at + size > len(pairs):
        more = np.empty((2 * (at + size), 2), dtype=np.int32)
        more[:at] = pairs[:at]
        pairs = more
    for k in range(size):
        a, b, c, d = table[0, k], table[1, k], table[2, k], table[3, k]
        psi = a * g0 + b * g1 + c * g2 + d * g3
        psi += abs(a) * h0 + abs(b) * h1 + abs(c) * h2 + abs(d) * h3
        pairs[at, 0], pairs[at, 1] = pairs[first + k, 0], pairs[first + k, 1]
        at += table[5, k] + table[4, k] * late - max(zero, psi) <= zero
    return pairs, at
