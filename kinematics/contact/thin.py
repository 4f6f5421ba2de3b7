"""The pairs of nodes that a cell of axes needs, thinned from the list of the cell around it.

Notes
-----
*Guarantee.* A pair is dropped only if no axis n of the cell brings its lower part to its upper part
by t <= T_n, the axis's own angle. Three tests, any of which is enough. The first two are
``descent.apart`` with the strays of ``kinematics.contact.cells``, up to the largest T_n.

The third takes the direction into account, and that the T_n follow the axes: T_n is within SLACK of
``T0 + slope . g``, g the axis's four parameters and T0 = FIT, and within LAG of T0. Let d be the
unit normal of the upper disc and H_n(t) the height along d, at t, of the lower disc's centre about
axis n, H_0 that about the reference. For t = L t', L = T_n / T0, t' from 0 to T0, let
``P(t') = H_n(L t') - H_0(t')``, and P1 the same without what is not linear in g, which differs
from P by at most r2. Then P1(0) = 0 and, with v = H_0'(T0) and c(T) . g the part of
H_n(T) - H_0(T) that is linear in g,

``P1(T0) = (c(T0) + v slope) . g + rest,  |rest| <= |v| SLACK + r1 + r3``

- r1 = rho LAG^2 / 2 for the curve of H_0 (rho: distance from the axis times the part of d across);
- r2, what is not linear in g (strays' proof): across w0 (sin T / 2 + 1 - cos T) e^2 |x|, along w0
  (1 - cos T) e |x| + sin T (|sx gy| + |sy gx|) + sin T e^3 |x|, each times d's part that way;
- r3 = LAG |c'(T0) . g| + LAG^2 (|g| + 1.11 e |x|) / 2, with the same parts, for c(T_n) - c(T0)
  (a slope, the tangent of the tilt, is at most 1.11 e).

P1'' is at most B = |L^2 - 1| rho + rho LAG + L^2 (|g| + 1.11 e |x|) in size (with d's parts again),
so P(t') <= max(0, P1(T0)) + B T0^2 / 8 + r2, where T0^2 |L^2 - 1| <= 2 LAG END. So the lower disc
stays below a plane between them if it does about the reference, up to T0, with more than this to
spare. For |g| stands |gx| + |gy|, each at its largest in the cell. The disc's tilt against
the plane differs by at most LAG plus TWIST. The plane parallel to the lower disc, turning with
it, is the same with casts and signs of t changed.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.base.kernel import kernel
from kinematics.contact import cells
from kinematics.contact.descent import apart, placed, spheres_apart, wave_range

PARALLEL = 0.98
"""Discs whose normals' cosine is above this are kept apart by the upper's plane only (ours)."""


@kernel
def beyond(n, u, v, sign, cell, span):  # type: ignore[no-untyped-def]
    """Whether a plane along u's normal n keeps disc v, turning by ``sign`` t, from disc u.

    ``span`` (4) is filled with the largest change along n by each parameter, mm. Returns
    (answer, stray along n).
    """
    t0, end = cell[cells.FIT], cell[cells.END]
    ct, st = cell[cells.COS], cell[cells.SIN]
    x, y, z = n[0], n[1], n[2]
    # Heights of the centre about the reference, up to T0, and their speed there.
    f, g = x * v[0] + y * v[1], sign * (y * v[0] - x * v[1])
    lo, hi = wave_range(f, g, ct, st)
    speed = g * ct - f * st
    level = x * u[0] + y * u[1] + z * (u[2] - v[2])
    # Sine of the angle of the two normals, at its largest.
    p, q = x * v[3] + y * v[4], sign * (y * v[3] - x * v[4])
    c0, c1 = p + z * v[5], p * ct + q * st + z * v[5]
    tip = math.sqrt(max(0.0, 1.0 - min(c0 * c0, c1 * c1)) + 1e-6)
    tip += 0.125 * t0 * t0 + cell[cells.LAG] + cell[cells.TWIST]
    room = u[6] + v[6] + tip * v[7] + 1e-9
    # Linear in the parameters: (I - R0) transposed times n, and the axial part.
    height = v[2] - cell[cells.MIDDLE]
    ex, ey = x - ct * x - sign * st * y, y - ct * y + sign * st * x
    px, py = st * x - sign * ct * y, st * y + sign * ct * x  # their rates with T
    drift, slack = 0.0, abs(speed) * cell[cells.SLACK]
    for k in range(4):
        c = ex if k == 0 else ey
        if k == 2:
            c = height * ex + sign * z * st * v[1]
        elif k == 3:
            c = height * ey - sign * z * st * v[0]
        c += speed * cell[cells.SLOPE + k]
        span[k] = abs(c) * cell[cells.HALF + k]
        drift += c * cell[cells.MID + k]
        slack += span[k]
    # What is left out (module docstring): first bounds of g and of the slopes.
    e, lag = cell[cells.TILT], cell[cells.LAG]
    sx, sy = (
        abs(cell[cells.MID + 2]) + cell[cells.HALF + 2],
        abs(cell[cells.MID + 3]) + cell[cells.HALF + 3],
    )
    gx = abs(cell[cells.MID]) + cell[cells.HALF] + abs(height) * sx
    gy = abs(cell[cells.MID + 1]) + cell[cells.HALF + 1] + abs(height) * sy
    wide, axial = gx + gy, abs(z)
    rho2 = v[0] * v[0] + v[1] * v[1]
    reach = math.sqrt(rho2) + wide
    swing = math.sqrt((x * x + y * y) * rho2)  # rho times the part of d across
    across = swing + wide
    second = (0.5 * cell[cells.SINE] + cell[cells.FALL]) * e * e * across
    second += axial * (
        cell[cells.FALL] * reach * e + cell[cells.SINE] * (sx * gy + sy * gx + e * e * e * reach)
    )
    both = wide + 1.11 * axial * e * reach
    rate = abs(px) * gx + abs(py) * gy + axial * (sx * abs(v[1]) + sy * abs(v[0]))
    slack += 1.01 * (0.5 * swing * lag * lag + lag * rate + 0.5 * lag * lag * both)
    bend = 0.125 * (2.0 * lag * end + t0 * t0 * lag) * swing + 0.125 * end * end * both
    bend = 1.01 * (bend + second)
    room += bend
    high, low = max(0.0, drift + slack), max(0.0, slack - drift)
    return level - hi > room + high or lo - level > room + low, slack + bend


@kernel
def thin(upper, fu, lower, fl, cell, coarse, pairs, lo, hi, spans):  # type: ignore[no-untyped-def]
    """Append to ``pairs`` what a cell needs of pairs[lo:hi]; returns the list and its new end.

    A pair is divided while its size exceeds ``coarse`` strays. ``spans`` (4) is increased by
    what each parameter's half size moves the pairs that are kept.
    """
    discs_u, right_u, discs_l, right_l = upper[3], upper[4], lower[3], lower[4]
    across, along, end = cell[cells.ACROSS], cell[cells.ALONG], cell[cells.END]
    ct, st = math.cos(end), math.sin(end)
    stray = math.sqrt(across * across + along * along)
    stack = np.empty((256, 2), dtype=np.int32)
    span, other = np.empty(4), np.empty(4)
    top_of_list = hi
    at_u, at_v = 0, 0
    du, dv = placed(discs_u[0], fu), placed(discs_l[0], fl)
    for k in range(lo, hi):
        stack[0, 0], stack[0, 1] = pairs[k, 0], pairs[k, 1]
        top = 1
        while top > 0:
            top -= 1
            u, v = stack[top, 0], stack[top, 1]
            if u != at_u:
                at_u, du = u, placed(discs_u[u], fu)
            if v != at_v:
                at_v, dv = v, placed(discs_l[v], fl)
            if spheres_apart(du, dv, end, ct, st, stray):
                continue
            clear, slack = beyond((du[3], du[4], du[5]), du, dv, 1.0, cell, span)
            if clear:
                continue
            cosine = abs(du[3] * dv[3] + du[4] * dv[4] + du[5] * dv[5])
            if cosine < PARALLEL:  # otherwise much the same plane
                clear, _ = beyond((dv[3], dv[4], dv[5]), dv, du, -1.0, cell, other)
                if clear:
                    continue
            if slack > across and apart(du, dv, end, ct, st, across, along):
                continue
            ru, rl = right_u[u], right_l[v]
            size = du[6] + dv[6] + math.sqrt(max(0.0, 1.0 - cosine * cosine)) * max(du[7], dv[7])
            if (ru < 0 and rl < 0) or size <= coarse * slack:
                if top_of_list == len(pairs):
                    more = np.empty((2 * len(pairs), 2), dtype=np.int32)
                    more[:top_of_list] = pairs
                    pairs = more
                pairs[top_of_list, 0], pairs[top_of_list, 1] = u, v
                top_of_list += 1
                for i in range(4):
                    spans[i] += span[i]
                continue
            if rl < 0 or (ru >= 0 and du[7] >= dv[7]):
                stack[top, 0], stack[top, 1] = ru, v
                stack[top + 1, 0], stack[top + 1, 1] = u + 1, v
            else:
                stack[top, 0], stack[top, 1] = u, rl
                stack[top + 1, 0], stack[top + 1, 1] = u, v + 1
            top += 2
    return pairs, top_of_list
