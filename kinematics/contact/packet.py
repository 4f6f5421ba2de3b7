"""Packets of axes: a pair of nodes is tested for all the axes of a last cell at once.

An axis is a lane of single-precision numbers in the frame of the cell's reference axis, its
origin moved to the height of the lower cast's middle; a mask says which axes still need a pair.

Notes
-----
*Guarantee.* A pair is dropped for an axis only if, about that very axis and up to that axis's
angle T (below pi), its parts stay apart. About an axis along the unit vector w with the point a
next to the origin, p moves in t by ``A sin t + B (1 - cos t)``, ``A = w x p + a x w``,
``B = w x A``: exact, whatever the axis. Two tests, either of which is enough:

- a plane with normal d below which p starts by more than p's largest rise,
  ``S sin t + Q (1 - cos t)`` with ``S = d . A`` and ``Q = d . B``: ``sqrt(S^2 + Q^2) + Q`` where
  S > 0 and the speed S cos T + Q sin T < 0 (a crest between), else the larger of 0 and the rise at
  T. For two discs the plane is parallel to the upper's, or to the lower's and turning with it
  (then the upper's centre turns back); the other disc reaches beyond its centre by at most its
  half thickness plus its radius times the sine of the angle of the normals: about the reference
  as in ``descent.apart``, and about another axis the turns differ by at most TWIST
  (``cells``). For two triangles it is either's own, or one along crossed edges, any of
  which will do, and each corner of the other stays below it;
- the spheres around the discs: the squared distance of the centres is a wave in t. Where it does
  not grow at T it is least at one end. Else the way lies within ``rho T^2 / 8`` of its chord,
  rho the largest distance of the lower cast from an axis of the cell.

Single precision is covered by ``ROUNDING``. A pair of faces that is left goes through the kernels
of the one-axis path, in the axis's own frame.

*Source.* Derived here; packets of rays are from ray tracing (Wald et al. 2001, from memory).
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.base.kernel import kernel
from kinematics.contact.cells import END, FIT, MIDDLE, TWIST, WIDE
from kinematics.contact.descent import descend, placed, point
from kinematics.contact.roots import START_RAD, corner, normal, turned

WIDTH = 32
"""Largest number of axes in a packet: the bits of a mask."""
LANES = 12
"""Rows of a packet: w (3), a x w (3), a (3), cos T, sin T, 1 - cos T."""
ROUNDING = 4e-6
"""Single precision of a rise, a share of the lengths in it: 6e-8 a step, 30 steps, and room."""
FAR = 0.25
"""A test is tried if about the reference axis it lacks at most this many of the cell's strays
(ours, tuned)."""


@kernel
def inner(a, b):  # type: ignore[no-untyped-def]
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@kernel
def fill_lane(lanes, k, four, end):  # type: ignore[no-untyped-def]
    """Fill lane k for an axis with the parameters ``four`` and the angle ``end``."""
    length = math.sqrt(1.0 + four[2] * four[2] + four[3] * four[3])
    wx, wy, wz = four[2] / length, four[3] / length, 1.0 / length
    along = wx * four[0] + wy * four[1]
    ax, ay, az = four[0] - along * wx, four[1] - along * wy, -along * wz
    lanes[0, k], lanes[1, k], lanes[2, k] = wx, wy, wz
    lanes[3, k], lanes[4, k], lanes[5, k] = ay * wz - az * wy, az * wx - ax * wz, ax * wy - ay * wx
    lanes[6, k], lanes[7, k], lanes[8, k] = ax, ay, az
    lane_end(lanes, k, end)


@kernel
def lane_end(lanes, k, end):  # type: ignore[no-untyped-def]
    """Set the angle of lane k."""
    half = math.sin(0.5 * end)
    lanes[9, k], lanes[10, k], lanes[11, k] = math.cos(end), math.sin(end), 2.0 * half * half


@kernel
def over_plane(d, p, room, turn, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes about which p, turning by ``turn`` t, rises along d by ``room`` or more."""
    dx, dy, dz = np.float32(d[0]), np.float32(d[1]), np.float32(d[2])
    px, py, pz = np.float32(p[0]), np.float32(p[1]), np.float32(p[2])
    least, sign, zero = np.float32(room), np.float32(turn), np.float32(0.0)
    mx, my, mz = py * dz - pz * dy, pz * dx - px * dz, px * dy - py * dx
    height = dx * px + dy * py + dz * pz
    new = np.uint32(0)
    for k in range(WIDTH):
        wx, wy, wz = lanes[0, k], lanes[1, k], lanes[2, k]
        ct, st, fall = lanes[9, k], lanes[10, k], lanes[11, k]
        s = wx * mx + wy * my + wz * mz
        s = sign * (s + dx * lanes[3, k] + dy * lanes[4, k] + dz * lanes[5, k])
        q = (dx * wx + dy * wy + dz * wz) * (px * wx + py * wy + pz * wz)
        q += dx * lanes[6, k] + dy * lanes[7, k] + dz * lanes[8, k] - height
        last = max(zero, s * st + q * fall)
        crest = np.sqrt(s * s + q * q) + q
        over = (s > zero) & (s * ct + q * st < zero)
        up = crest if over else last
        new = np.uint32(new | np.uint32(np.uint32(up >= least) << np.uint32(k & 31)))
    return np.uint32(new & mask)


@kernel
def near_point(g, p, reach, arc, length, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes about which p, turning, comes within ``reach`` of p - g.

    ``arc`` is the largest height of p's way above its chord, ``length`` that of the lengths in it.
    """
    gx, gy, gz = np.float32(g[0]), np.float32(g[1]), np.float32(g[2])
    px, py, pz = np.float32(p[0]), np.float32(p[1]), np.float32(p[2])
    zero, one, tiny = np.float32(0.0), np.float32(1.0), np.float32(1e-20)
    reach = reach * (1.0 + 2e-6)
    near, wide = np.float32(reach * reach), np.float32((reach + arc) * (reach + arc))
    slow = np.float32(-ROUNDING * length * (length + reach))
    start = gx * gx + gy * gy + gz * gz
    new = np.uint32(0)
    for k in range(WIDTH):
        wx, wy, wz = lanes[0, k], lanes[1, k], lanes[2, k]
        ct, st, fall = lanes[9, k], lanes[10, k], lanes[11, k]
        ax = wy * pz - wz * py + lanes[3, k]
        ay = wz * px - wx * pz + lanes[4, k]
        az = wx * py - wy * px + lanes[5, k]
        bx, by, bz = wy * az - wz * ay, wz * ax - wx * az, wx * ay - wy * ax
        dx, dy, dz = st * ax + fall * bx, st * ay + fall * by, st * az + fall * bz
        hx, hy, hz = gx + dx, gy + dy, gz + dz
        speed = hx * (ct * ax + st * bx) + hy * (ct * ay + st * by) + hz * (ct * az + st * bz)
        last = hx * hx + hy * hy + hz * hz
        chord = dx * dx + dy * dy + dz * dz + tiny
        part = min(one, max(zero, -(gx * dx + gy * dy + gz * dz) / chord))
        cx, cy, cz = gx + part * dx, gy + part * dy, gz + part * dz
        ends = min(start, last) <= near
        between = cx * cx + cy * cy + cz * cz <= wide
        hit = ends if speed <= slow else between
        new = np.uint32(new | np.uint32(np.uint32(hit) << np.uint32(k & 31)))
    return np.uint32(new & mask)


@kernel
def corners_over(d, level, tri, turn, loose, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes about which a corner of ``tri``, turning, reaches d . x = level - loose."""
    hit = np.uint32(0)
    for k in range(3):
        room = level - inner(d, tri[k]) - loose
        if room <= 0.0:
            return mask
        hit = np.uint32(hit | over_plane(d, tri[k], room, turn, lanes, mask))
        if hit == mask:
            break
    return hit


@kernel
def own_plane(a, b, turn, loose, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes that triangle a's plane leaves, b turning by ``turn`` t against it."""
    n, area = normal(a[0], a[1], a[2])
    if area == 0.0:
        return mask
    level = inner(n, a[0])
    if inner(n, b[0]) > level:
        n, level = (-n[0], -n[1], -n[2]), -level
    return corners_over(n, level, b, turn, loose, lanes, mask)


@kernel
def crossed_edges(a, b, t0, close):  # type: ignore[no-untyped-def]
    """The plane along an edge of a and one of b, turned by t0, that keeps b farthest below a.

    At the start and at t0 about the reference. Returns (normal, level, whether it is better than
    ``close`` mm inside).
    """
    ct, st = math.cos(t0), math.sin(t0)
    p, q, r = turned(b[0], ct, st), turned(b[1], ct, st), turned(b[2], ct, st)
    best, normal_of, level = -close, (0.0, 0.0, 0.0), 0.0
    for i in range(3):
        x, y = corner(a[0], a[1], a[2], i), corner(a[0], a[1], a[2], i + 1)
        e0, e1, e2 = y[0] - x[0], y[1] - x[1], y[2] - x[2]
        for j in range(3):
            x, y = corner(p, q, r, j), corner(p, q, r, j + 1)
            f0, f1, f2 = y[0] - x[0], y[1] - x[1], y[2] - x[2]
            d = (e1 * f2 - e2 * f1, e2 * f0 - e0 * f2, e0 * f1 - e1 * f0)
            length = math.sqrt(inner(d, d))
            if length < 1e-9:
                continue
            d = (d[0] / length, d[1] / length, d[2] / length)
            h0, h1, h2 = inner(d, a[0]), inner(d, a[1]), inner(d, a[2])
            s0, s1, s2 = inner(d, b[0]), inner(d, b[1]), inner(d, b[2])
            l0, l1, l2 = inner(d, p), inner(d, q), inner(d, r)
            low, high = min(h0, h1, h2), max(h0, h1, h2)
            below = low - max(l0, l1, l2, s0, s1, s2)
            above = min(l0, l1, l2, s0, s1, s2) - high
            if below > best:
                best, normal_of, level = below, d, low
            if above > best:
                best, normal_of, level = above, (-d[0], -d[1], -d[2]), -high
    return normal_of, level, best > -close


@kernel
def triangle(cast, node, frame, middle):  # type: ignore[no-untyped-def]
    """Corners of a leaf's face in the reference frame, origin at height ``middle``."""
    f = cast[1][-1 - cast[4][node]]
    a, b, c = point(cast[0], f[0], frame), point(cast[0], f[1], frame), point(cast[0], f[2], frame)
    return ((a[0], a[1], a[2] - middle), (b[0], b[1], b[2] - middle), (c[0], c[1], c[2] - middle))


@kernel
def faces_left(a, b, t0, loose, close, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes that may bring the lower triangle b to the upper triangle a."""
    mask = own_plane(a, b, 1.0, loose, lanes, mask)
    if mask != 0:
        mask = own_plane(b, a, -1.0, loose, lanes, mask)
    if mask != 0:
        d, level, useful = crossed_edges(a, b, t0, close)
        if useful:
            mask = corners_over(d, level, b, 1.0, loose, lanes, mask)
    return mask


@kernel
def discs_left(u, v, v0, cell, ct, st, bend, far, arc, lanes, mask):  # type: ignore[no-untyped-def]
    """Bits of the axes that may bring disc v to disc u, and what rounding takes (mm).

    Heights are from the cell's middle; ``v0`` is v turned by FIT about the reference. ``ct`` and
    ``st`` are of the largest angle; ``bend`` is what is added to the sine there (module docstring).
    """
    p, q = u[3] * v[3] + u[4] * v[4], v[3] * u[4] - v[4] * u[3]
    c0, c1 = p + u[5] * v[5], p * ct + q * st + u[5] * v[5]
    sine = math.sqrt(max(0.0, 1.0 - min(c0 * c0, c1 * c1)) + 1e-6)
    sine = min(1.0, sine + bend)
    length = abs(v[0]) + abs(v[1]) + abs(v[2]) + cell[WIDE] + 1.0
    loose = ROUNDING * length + 1e-9
    both = u[6] + v[6] + loose
    n, m, x, y = (u[3], u[4], u[5]), (v[3], v[4], v[5]), (u[0], u[1], u[2]), (v[0], v[1], v[2])
    gap = (v0[0] - x[0], v0[1] - x[1], v0[2] - x[2])
    level_u = inner(n, gap)
    level_v = v0[3] * gap[0] + v0[4] * gap[1] + v0[5] * gap[2]
    room_u, room_v, reach = both + sine * v[7], both + sine * u[7], both + u[7] + v[7]
    more_u, more_s = abs(level_u) - room_u, math.sqrt(inner(gap, gap)) - reach
    gap = (y[0] - x[0], y[1] - x[1], y[2] - x[2])
    for test in range(3):
        if (test == 0 and more_u >= more_s) or (test == 2 and more_u < more_s):
            if more_u > -far:
                s = -1.0 if level_u > 0.0 else 1.0
                d = (s * n[0], s * n[1], s * n[2])
                mask = over_plane(d, y, -inner(d, gap) - room_u, 1.0, lanes, mask)
        elif test == 1 and more_s > -far:
            mask = near_point(gap, y, reach, arc, length, lanes, mask)
        if mask == 0:
            return mask, loose
    if abs(level_v) - room_v > -far:
        s = 1.0 if level_v > 0.0 else -1.0
        d = (s * m[0], s * m[1], s * m[2])
        mask = over_plane(d, x, inner(d, gap) - room_v, -1.0, lanes, mask)
    return mask, loose


@kernel
def solve_faces(upper, lower, u, v, members, own, mask, lanes, ub, wins, work):  # type: ignore[no-untyped-def]
    """Solve a pair of faces about the axes in ``mask``; returns bits of those that start in touch.

    Arguments as in ``solve_packet``.
    """
    touching = np.uint32(0)
    found = np.empty(3, dtype=np.int64)
    for k in range(len(members)):
        bit = np.uint32(np.uint32(1) << np.uint32(k))
        if mask & bit == 0:
            continue
        n = members[k]
        found[:] = wins[n]
        best = descend(upper, own[k, 0], lower, own[k, 1], u, v, ub[n], found, work)
        if best <= START_RAD:
            touching = np.uint32(touching | bit)
        if best != ub[n]:
            ub[n] = best
            lane_end(lanes, k, max(best, 0.0))
        wins[n] = found
    return touching


@kernel
def solve_packet(upper, fu, lower, fl, cell, pairs, members, own, four, ub, wins, work):  # type: ignore[no-untyped-def]
    """Solve the axes of a last cell from its pairs of nodes.

    Parameters
    ----------
    upper, lower : tuples of arrays
        ``Hierarchy.arrays``.
    fu, fl : ndarray, shape (4, 3)
        Frames of the reference axis.
    cell : ndarray, shape (CELL_SIZE,)
        From ``cells.describe``, as ``four``.
    pairs : ndarray of int32, shape (m, 2)
        Pairs of nodes below which every contact lies that a member may have.
    members : ndarray of int64
        The axes, at most WIDTH.
    own : ndarray, shape (WIDTH, 2, 4, 3)
        Each member's own frames, upper and lower.
    ub, wins : ndarray, shapes (n,) and (n, 3)
        Every axis's angle so far and what it met; improved.
    work
        As ``descent.descend``.
    """
    right_u, right_l = upper[4], lower[4]
    lanes = np.zeros((LANES, WIDTH), dtype=np.float32)
    alive = np.uint32(0)
    for k in range(len(members)):
        fill_lane(lanes, k, four[members[k]], max(0.0, ub[members[k]]))
        if ub[members[k]] > START_RAD:
            alive = np.uint32(alive | np.uint32(np.uint32(1) << np.uint32(k)))
    stack, masks = np.empty((256, 2), dtype=np.int32), np.empty(256, dtype=np.uint32)
    end, middle = cell[END], cell[MIDDLE]
    ct, st = math.cos(cell[FIT]), math.sin(cell[FIT])
    x = placed(lower[3][0], fl)
    arc = (math.sqrt(x[0] * x[0] + x[1] * x[1]) + x[6] + x[7] + cell[WIDE]) * 0.125 * end * end
    far = FAR * 2.0 * math.sin(0.5 * end) * cell[WIDE]
    cte, ste, bend = math.cos(end), math.sin(end), 0.125 * end * end + cell[TWIST]
    at_u, at_v = -1, -1
    du, dv, dv0 = x, x, x
    for k in range(len(pairs)):
        stack[0, 0], stack[0, 1], masks[0] = pairs[k, 0], pairs[k, 1], alive
        top = 1
        while top > 0:
            top -= 1
            u, v, mask = stack[top, 0], stack[top, 1], np.uint32(masks[top] & alive)
            if mask == 0:
                continue
            if u != at_u:
                x = placed(upper[3][u], fu)
                at_u, du = u, (x[0], x[1], x[2] - middle, x[3], x[4], x[5], x[6], x[7])
            if v != at_v:
                x = placed(lower[3][v], fl)
                at_v, dv = v, (x[0], x[1], x[2] - middle, x[3], x[4], x[5], x[6], x[7])
                c, n = turned(dv, ct, st), turned((x[3], x[4], x[5]), ct, st)
                dv0 = (c[0], c[1], c[2], n[0], n[1], n[2], x[6], x[7])
            mask, loose = discs_left(du, dv, dv0, cell, cte, ste, bend, far, arc, lanes, mask)
            if mask == 0:
                continue
            ru, rl = right_u[u], right_l[v]
            if ru < 0 and rl < 0:
                a, b = triangle(upper, u, fu, middle), triangle(lower, v, fl, middle)
                mask = faces_left(a, b, cell[FIT], loose, far, lanes, mask)
                if mask != 0:
                    gone = solve_faces(
                        upper, lower, u, v, members, own, mask, lanes, ub, wins, work
                    )
                    alive = np.uint32(alive & ~gone)
                continue
            if rl < 0 or (ru >= 0 and du[6] + du[7] >= dv[6] + dv[7]):
                stack[top, 0], stack[top, 1] = ru, v
                stack[top + 1, 0], stack[top + 1, 1] = u + 1, v
            else:
                stack[top, 0], stack[top, 1] = u, rl
                stack[top + 1, 0], stack[top + 1, 1] = u, v + 1
            masks[top] = masks[top + 1] = mask
            top += 2
