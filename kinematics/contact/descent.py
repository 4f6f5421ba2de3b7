"""First contact of two prepared casts about one axis: a nearest-first descent of two trees.

Frames of the kernels: ``fu`` and ``fl``, shape (4, 3), take a cast's own coordinates into the
axis frame of :mod:`kinematics.contact.roots` (rows 0 to 2 the rotation, row 3 the shift).

Notes
-----
*Guarantee.* A node is a flat disc (``hierarchy``). Two discs, the lower turning by any t from 0
to T, are dismissed only if one of these holds for every such t: the spheres around them are
apart (the squared distance of their centres is ``a - b cos t - c sin t``); or a plane parallel
to the upper disc, or one that turns with the lower disc, keeps them apart (the distance of the
centres along its normal is such a wave too, and a disc reaches beyond its centre by at most
half its thickness plus its radius times the sine of the angle of the two normals). The extremes
of a wave on [0, T] are exact for T below half a turn (``wave_range``). T is the best contact
found so far, so no contact is earlier than the answer, and t is not stepped, so nothing is
tunnelled through. Discs are widened when they are built, far above rounding and the touching
tolerance.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.base.kernel import kernel
from kinematics.contact import roots

NONE, VERTEX_FACE, FACE_VERTEX, EDGE_EDGE, START = 0, 1, 2, 3, 4
"""Kinds of contact: none, lower vertex on upper face, upper vertex on lower face, ..."""
CLOSE_MM = 1.0
"""A point nearer to an axis gives no direction across it that is true to rounding (ours)."""


@kernel
def placed(disc, frame):  # type: ignore[no-untyped-def]
    """A node's disc in the axis frame: x, y, z, nx, ny, nz, half thickness, radius."""
    x, y, z = float(disc[0]), float(disc[1]), float(disc[2])
    u, v, w = float(disc[3]), float(disc[4]), float(disc[5])
    return (
        frame[0, 0] * x + frame[0, 1] * y + frame[0, 2] * z + frame[3, 0],
        frame[1, 0] * x + frame[1, 1] * y + frame[1, 2] * z + frame[3, 1],
        frame[2, 0] * x + frame[2, 1] * y + frame[2, 2] * z + frame[3, 2],
        frame[0, 0] * u + frame[0, 1] * v + frame[0, 2] * w,
        frame[1, 0] * u + frame[1, 1] * v + frame[1, 2] * w,
        frame[2, 0] * u + frame[2, 1] * v + frame[2, 2] * w,
        float(disc[6]),
        float(disc[7]),
    )


@kernel
def wave_range(p, q, ct, st):  # type: ignore[no-untyped-def]
    """Least and largest value of p cos t + q sin t for t from 0 to T (below pi)."""
    end = p * ct + q * st
    lo, hi = min(p, end), max(p, end)
    slope = q * ct - p * st
    if q > 0.0 > slope:
        hi = math.sqrt(p * p + q * q)
    elif q < 0.0 < slope:
        lo = -math.sqrt(p * p + q * q)
    return lo, hi


@kernel
def stray(nz, across, along):  # type: ignore[no-untyped-def]
    """Largest part, along a normal with axial part nz, of a stray across and along the axis."""
    return math.sqrt(max(0.0, 1.0 - nz * nz) + 1e-6) * across + abs(nz) * along


@kernel
def spheres_apart(u, v, end, ct, st, stray):  # type: ignore[no-untyped-def]
    """Whether spheres around discs u and v, v turning by t from 0 to ``end``, stay apart.

    By more than ``stray``, mm. The squared distance of the centres is a wave in t.
    """
    reach = u[6] + u[7] + v[6] + v[7] + stray
    rise = u[2] - v[2]
    if abs(rise) > reach:
        return True
    dot, cross = u[0] * v[0] + u[1] * v[1], v[0] * u[1] - v[1] * u[0]
    _, most = wave_range(dot, cross, ct, st)
    rest = u[0] * u[0] + u[1] * u[1] + v[0] * v[0] + v[1] * v[1] + rise * rise
    return rest - 2.0 * most > reach * reach + 1e-9


@kernel
def apart(u, v, end, ct, st, across, along):  # type: ignore[no-untyped-def]
    """Whether disc v, turning by every t from 0 to ``end``, stays clear of the fixed disc u.

    May answer False for discs that do stay clear, never True for discs that do not. ``across``
    and ``along`` are how far, across and along the axis, the turning disc's points may stray
    (mm; 0 for one axis).
    """
    if spheres_apart(u, v, end, ct, st, math.sqrt(across * across + along * along)):
        return True
    rise = u[2] - v[2]
    # Sine of the angle of the two normals: its largest value over the turn (convexity and a
    # second derivative of at most 1 give end * end / 8; 1e-6 is the rounding of the normals).
    p, q = u[3] * v[3] + u[4] * v[4], v[3] * u[4] - v[4] * u[3]
    flat = u[5] * v[5]
    c0, c1 = p + flat, p * ct + q * st + flat
    sine = math.sqrt(max(0.0, 1.0 - min(c0 * c0, c1 * c1)) + 1e-6) + 0.125 * end * end
    both = u[6] + v[6]
    # A plane parallel to u between them.
    level = u[3] * u[0] + u[4] * u[1] + u[5] * rise
    lo, hi = wave_range(u[3] * v[0] + u[4] * v[1], v[0] * u[4] - v[1] * u[3], ct, st)
    room = both + sine * v[7]
    if across > 0.0:
        room += stray(u[5], across, along)
    if level - hi > room or lo - level > room:
        return True
    # A plane parallel to v, turning with it.
    level = v[3] * v[0] + v[4] * v[1] - v[5] * rise
    lo, hi = wave_range(v[3] * u[0] + v[4] * u[1], v[3] * u[1] - v[4] * u[0], ct, st)
    room = both + sine * u[7]
    if across > 0.0:
        room += stray(v[5], across, along)
    return level - hi > room or lo - level > room


@kernel
def point(vertices, i, frame):  # type: ignore[no-untyped-def]
    """Vertex i in the axis frame."""
    x, y, z = vertices[i, 0], vertices[i, 1], vertices[i, 2]
    return (
        frame[0, 0] * x + frame[0, 1] * y + frame[0, 2] * z + frame[3, 0],
        frame[1, 0] * x + frame[1, 1] * y + frame[1, 2] * z + frame[3, 1],
        frame[2, 0] * x + frame[2, 1] * y + frame[2, 2] * z + frame[3, 2],
    )


@kernel
def one_sided(n, a, p, q, r, sign, ct, st):  # type: ignore[no-untyped-def]
    """Whether p, q and r, turned by sign t, stay on one side of a plane for t from 0 to T.

    The plane goes through a with normal n.
    """
    level = n[0] * a[0] + n[1] * a[1] + n[2] * a[2]
    least, most = math.inf, -math.inf
    for k in range(3):
        x = roots.corner(p, q, r, k)
        lo, hi = wave_range(n[0] * x[0] + n[1] * x[1], sign * (n[1] * x[0] - n[0] * x[1]), ct, st)
        rest = n[2] * x[2] - level
        least, most = min(least, lo + rest), max(most, hi + rest)
        if least <= roots.TOUCH_MM and most >= -roots.TOUCH_MM:
            return False
    return True


@kernel
def face_pair(upper, fu, i, lower, fl, j, at_start, limit):  # type: ignore[no-untyped-def]
    """Smallest contact angle of the owned features of upper face i and lower face j.

    Returns (t, kind, feature of i, feature of j); t is infinity where there is none up to
    ``limit``. Where ``at_start``, the triangles are first tested for sharing a point at t = 0.
    """
    fa, fb = upper[1][i], lower[1][j]
    a, b, c = point(upper[0], fa[0], fu), point(upper[0], fa[1], fu), point(upper[0], fa[2], fu)
    d, e, f = point(lower[0], fb[0], fl), point(lower[0], fb[1], fl), point(lower[0], fb[2], fl)
    if at_start and roots.triangles_touch(a, b, c, d, e, f):
        return -1.0, START, 0, 0
    own_u, own_l = upper[2][i], lower[2][j]
    best, kind, k_u, k_l = math.inf, NONE, 0, 0
    if not (own_u & 7 or own_l & 7 or (own_u and own_l)):
        return best, kind, k_u, k_l
    cl, sl = math.cos(limit), math.sin(limit)
    n, area_u = roots.normal(a, b, c)
    if area_u > 0.0 and one_sided(n, a, d, e, f, 1.0, cl, sl):
        return best, kind, k_u, k_l
    m, area_l = roots.normal(d, e, f)
    if area_l > 0.0 and one_sided(m, d, a, b, c, -1.0, cl, sl):
        return best, kind, k_u, k_l
    if area_u > 0.0:
        for k in range(3):
            if own_l >> k & 1:
                t = roots.vertex_face(roots.corner(d, e, f, k), a, b, c, n, 1.0, limit, cl, sl)
                if t < best:
                    best, kind, k_u, k_l = t, VERTEX_FACE, 0, k
    if area_l > 0.0:
        for k in range(3):
            if own_u >> k & 1:
                t = roots.vertex_face(roots.corner(a, b, c, k), d, e, f, m, -1.0, limit, cl, sl)
                if t < best:
                    best, kind, k_u, k_l = t, FACE_VERTEX, k, 0
    for k in range(3):
        if own_u >> k & 8:
            p, p1 = roots.corner(a, b, c, k), roots.corner(a, b, c, k + 1)
            low, high = min(p[2], p1[2]) - roots.TOUCH_MM, max(p[2], p1[2]) + roots.TOUCH_MM
            for g in range(3):
                if own_l >> g & 8:
                    q, q1 = roots.corner(d, e, f, g), roots.corner(d, e, f, g + 1)
                    if max(q[2], q1[2]) < low or min(q[2], q1[2]) > high:
                        continue
                    t = roots.edge_edge(p, p1, q, q1)
                    if t < best and t <= limit:
                        best, kind, k_u, k_l = t, EDGE_EDGE, k, g
    return best, kind, k_u, k_l


@kernel
def workspace():  # type: ignore[no-untyped-def]
    """Stacks of a descent: pairs of nodes, and their order and the bound they were tested at.

    A descent pushes at most 4 pairs a level and trees are at most 28 levels deep.
    """
    return np.empty((256, 2), dtype=np.int32), np.empty((256, 2))


@kernel
def descend(upper, fu, lower, fl, u, v, best, found, work):  # type: ignore[no-untyped-def]
    """Nearest-first descent from one pair of nodes.

    Parameters
    ----------
    upper, lower : tuples of arrays
        ``Hierarchy.arrays``.
    fu, fl : ndarray, shape (4, 3)
        Frames (module docstring).
    u, v : int
        Nodes to start from; 0, 0 for whole casts.
    best : float
        Only contacts up to this angle (radian, below pi) count.
    found : ndarray of int64, shape (3,)
        Kind, upper face and lower face of the best contact so far (kind 0 where there is none);
        replaced by a better one.
    work : tuple of arrays
        From ``workspace``.

    Returns
    -------
    float
        The first contact angle in radian, ``best`` if there is none, -1 if touching at the start.
    """
    discs_u, right_u, discs_l, right_l = upper[3], upper[4], lower[3], lower[4]
    nodes, key = work
    ct, st = math.cos(best), math.sin(best)
    du, dv = placed(discs_u[u], fu), placed(discs_l[v], fl)
    if apart(du, dv, best, ct, st, 0.0, 0.0):
        return best
    nodes[0, 0], nodes[0, 1] = u, v
    key[0, 0], key[0, 1] = 0.0, best
    top = 1
    while top > 0:
        top -= 1
        u, v = nodes[top, 0], nodes[top, 1]
        ru, rl = right_u[u], right_l[v]
        if ru < 0 or rl < 0 or key[top, 1] > best:
            du, dv = placed(discs_u[u], fu), placed(discs_l[v], fl)
            if key[top, 1] > best and apart(du, dv, best, ct, st, 0.0, 0.0):
                continue
        if ru < 0 and rl < 0:
            i, j = -1 - ru, -1 - rl
            near = not apart(du, dv, 0.0, 1.0, 0.0, 0.0, 0.0)
            t, kind, _, _ = face_pair(upper, fu, i, lower, fl, j, near, best)
            if t < best or (t == best and (found[0] == NONE or (i, j) < (found[1], found[2]))):
                best = t
                ct, st = math.cos(best), math.sin(best)
                found[0], found[1], found[2] = kind, i, j
                if best <= roots.START_RAD:
                    found[0] = START
                    return -1.0
            continue
        nu, nl = 1, 1
        u1, v1 = u, v
        du1, dv1 = du, dv
        if ru >= 0:
            nu, u, u1 = 2, u + 1, ru
            du, du1 = placed(discs_u[u], fu), placed(discs_u[u1], fu)
        if rl >= 0:
            nl, v, v1 = 2, v + 1, rl
            dv, dv1 = placed(discs_l[v], fl), placed(discs_l[v1], fl)
        start = top
        for a in range(nu):
            x, dx = (u, du) if a == 0 else (u1, du1)
            for b in range(nl):
                y, dy = (v, dv) if b == 0 else (v1, dv1)
                if apart(dx, dy, best, ct, st, 0.0, 0.0):
                    continue
                # Order only: the angle of the centres less half that of the radii (ours, tuned).
                rho2 = dx[0] * dx[0] + dx[1] * dx[1] + 1.0
                turn = (dy[0] * dx[1] - dy[1] * dx[0]) / rho2
                g = turn - 0.5 * (dx[7] + dy[7]) / math.sqrt(rho2)
                at = top
                while at > start and key[at - 1, 0] < g:
                    nodes[at, 0], nodes[at, 1] = nodes[at - 1, 0], nodes[at - 1, 1]
                    key[at, 0], key[at, 1] = key[at - 1, 0], key[at - 1, 1]
                    at -= 1
                nodes[at, 0], nodes[at, 1] = x, y
                key[at, 0], key[at, 1] = g, best
                top += 1
    return best


@kernel
def axis_frame(left, right, toward, frame):  # type: ignore[no-untyped-def]
    """Fill ``frame`` with the axis frame: z from left to right, x towards a point, origin midway.

    About +z so defined, closing is the positive turn.
    """
    length = 0.0
    for k in range(3):
        frame[2, k] = right[k] - left[k]
        length += frame[2, k] * frame[2, k]
    length = math.sqrt(length)
    along = 0.0
    for k in range(3):
        frame[2, k] /= length
        frame[0, k] = toward[k] - 0.5 * (left[k] + right[k])
        along += frame[0, k] * frame[2, k]
    reach = 0.0
    for k in range(3):
        frame[0, k] -= along * frame[2, k]
        reach += frame[0, k] * frame[0, k]
    if reach < CLOSE_MM * CLOSE_MM:  # any direction across the axis will do
        least = 0
        for k in range(3):
            if abs(frame[2, k]) < abs(frame[2, least]):
                least = k
        reach = 0.0
        for k in range(3):
            frame[0, k] = (1.0 if k == least else 0.0) - frame[2, least] * frame[2, k]
            reach += frame[0, k] * frame[0, k]
    reach = math.sqrt(reach)
    for k in range(3):
        frame[0, k] /= reach
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        frame[1, k] = frame[2, i] * frame[0, j] - frame[2, j] * frame[0, i]
    for k in range(3):
        frame[3, k] = 0.0
        for m in range(3):
            frame[3, k] -= frame[k, m] * 0.5 * (left[m] + right[m])
