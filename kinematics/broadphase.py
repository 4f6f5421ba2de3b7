"""First contact of two prepared casts about one axis: a nearest-first descent of two trees.

Frames of the kernels: ``fu`` and ``fl``, shape (4, 3), take a cast's own coordinates into the
axis frame of :mod:`kinematics.contact_roots` (rows 0 to 2 the rotation, row 3 the shift).

Notes
-----
*Guarantee.* A node's box, turned into the axis frame, lies in a cylinder sector
``[rho] x [z] x [angle]``: with its centre at (rho_c, angle_c) and half sizes h_r, h_t, h_z along
the radius, across it and along the axis, every point has rho >= rho_c - h_r,
rho <= hypot(rho_c + h_r, h_t), and an angle within atan(h_t / (rho_c - h_r)) of angle_c (any
angle if rho_c <= h_r). Rotation shifts the sector's angle only. So two nodes whose rho or z ranges
are apart never meet, and others not before the gap of their angles. Nodes are skipped only if
that bound exceeds the best contact found, so no contact is earlier than the answer. Boxes are
widened by ``BOX_MM``, far above rounding and the touching tolerance.

*Source.* Derived here.
"""

from __future__ import annotations

import math

import numpy as np

from kinematics.contact_roots import (
    START_RAD,
    TURN,
    edge_edge,
    normal,
    triangles_touch,
    vertex_face,
)
from kinematics.kernels import kernel

BOX_MM = 1e-9
"""Widening of every box, mm: above the touching tolerance and all rounding (ours)."""
NONE, VERTEX_FACE, FACE_VERTEX, EDGE_EDGE, START = 0, 1, 2, 3, 4
"""Kinds of contact: none, lower vertex on upper face, upper vertex on lower face, ..."""


@kernel
def sector(box, frame, wide_r, wide_z):  # type: ignore[no-untyped-def]
    """Cylinder sector (rho0, rho1, z0, z1, angle, half angle) around a box in the axis frame."""
    cx, cy, cz = float(box[0]), float(box[1]), float(box[2])
    hx, hy, hz = float(box[3]), float(box[4]), float(box[5])
    x = frame[0, 0] * cx + frame[0, 1] * cy + frame[0, 2] * cz + frame[3, 0]
    y = frame[1, 0] * cx + frame[1, 1] * cy + frame[1, 2] * cz + frame[3, 1]
    z = frame[2, 0] * cx + frame[2, 1] * cy + frame[2, 2] * cz + frame[3, 2]
    rho = math.sqrt(x * x + y * y)
    c, s = (x / rho, y / rho) if rho > 0.0 else (1.0, 0.0)
    hr, ht, ha = wide_r, wide_r, wide_z
    for k in range(3):
        h = hx if k == 0 else (hy if k == 1 else hz)
        hr += abs(c * frame[0, k] + s * frame[1, k]) * h
        ht += abs(c * frame[1, k] - s * frame[0, k]) * h
        ha += abs(frame[2, k]) * h
    near = rho - hr
    half = math.pi
    if near > 0.0:
        half = ht / near
        if half > 0.1:
            half = math.atan(half)
    else:
        near = 0.0
    far = rho + hr
    return near, math.sqrt(far * far + ht * ht), z - ha, z + ha, math.atan2(y, x), half


@kernel
def gap(u, v):  # type: ignore[no-untyped-def]
    """Lower bound of the contact angle of lower sector v turning to upper sector u; inf if none."""
    if u[0] > v[1] or v[0] > u[1] or u[2] > v[3] or v[2] > u[3]:
        return math.inf
    half = u[5] + v[5]
    if half >= math.pi:
        return 0.0
    mid = u[4] - v[4]
    while mid + half < 0.0:
        mid += TURN
    while mid + half >= TURN:
        mid -= TURN
    return max(0.0, mid - half)


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
def corner(a, b, c, i):  # type: ignore[no-untyped-def]
    """Corner i (counted round) of a triangle."""
    return a if i == 0 or i == 3 else (b if i == 1 else c)


@kernel
def face_pair(upper, fu, i, lower, fl, j, at_start, limit):  # type: ignore[no-untyped-def]
    """Smallest contact angle of the owned features of upper face i and lower face j.

    Returns (t, kind, feature of i, feature of j); t is infinity where there is none up to
    ``limit``. Where ``at_start``, the triangles are first tested for sharing a point at t = 0.
    """
    fa, fb = upper[1][i], lower[1][j]
    a, b, c = point(upper[0], fa[0], fu), point(upper[0], fa[1], fu), point(upper[0], fa[2], fu)
    d, e, f = point(lower[0], fb[0], fl), point(lower[0], fb[1], fl), point(lower[0], fb[2], fl)
    if at_start and triangles_touch(a, b, c, d, e, f):
        return -1.0, START, 0, 0
    cl, sl = math.cos(limit), math.sin(limit)
    own_u, own_l = upper[2][i], lower[2][j]
    best, kind, k_u, k_l = math.inf, NONE, 0, 0
    if own_l & 7:
        n, area = normal(a, b, c)
        if area > 0.0:
            for k in range(3):
                if own_l >> k & 1:
                    t = vertex_face(corner(d, e, f, k), a, b, c, n, 1.0, limit, cl, sl)
                    if t < best:
                        best, kind, k_u, k_l = t, VERTEX_FACE, 0, k
    if own_u & 7:
        n, area = normal(d, e, f)
        if area > 0.0:
            for k in range(3):
                if own_u >> k & 1:
                    t = vertex_face(corner(a, b, c, k), d, e, f, n, -1.0, limit, cl, sl)
                    if t < best:
                        best, kind, k_u, k_l = t, FACE_VERTEX, k, 0
    for k in range(3):
        if own_u >> k & 8:
            p, p1 = corner(a, b, c, k), corner(a, b, c, k + 1)
            for m in range(3):
                if own_l >> m & 8:
                    t = edge_edge(p, p1, corner(d, e, f, m), corner(d, e, f, m + 1))
                    if t < best and t <= limit:
                        best, kind, k_u, k_l = t, EDGE_EDGE, k, m
    return best, kind, k_u, k_l


@kernel
def descend(upper, fu, lower, fl, best, found, count):  # type: ignore[no-untyped-def]
    """Nearest-first descent from both roots; fills ``found`` and returns the smallest angle.

    Parameters
    ----------
    upper, lower : tuples of arrays
        ``Hierarchy.arrays``.
    fu, fl : ndarray, shape (4, 3)
        Frames (module docstring).
    best : float
        Only contacts up to this angle (radian, below pi) count.
    found : ndarray of int64, shape (3,)
        Kind, upper face and lower face of the answer (kind 0 where there is none).
    count : ndarray of int64, shape (2,)
        Increased by the pairs of nodes and of faces looked at.

    Returns
    -------
    float
        The first contact angle in radian, ``best`` if there is none, -1 if touching at the start.
    """
    boxes_u, right_u, boxes_l, right_l = upper[3], upper[4], lower[3], lower[4]
    nodes = np.empty((1024, 2), dtype=np.int32)
    bound = np.empty(1024)
    sect = np.empty((1024, 12))
    su = sector(boxes_u[0], fu, BOX_MM, BOX_MM)
    sl = sector(boxes_l[0], fl, BOX_MM, BOX_MM)
    found[0], found[1], found[2] = NONE, -1, -1
    first = gap(su, sl)
    if first > best:
        return best
    nodes[0, 0], nodes[0, 1] = 0, 0
    bound[0] = first
    for k in range(6):
        sect[0, k], sect[0, 6 + k] = su[k], sl[k]
    top = 1
    while top > 0:
        top -= 1
        if bound[top] > best:
            continue
        u, v = nodes[top, 0], nodes[top, 1]
        ru, rl = right_u[u], right_l[v]
        if ru < 0 and rl < 0:
            count[1] += 1
            i, j = -1 - ru, -1 - rl
            t, kind, _, _ = face_pair(upper, fu, i, lower, fl, j, bound[top] <= 0.0, best)
            if t < best or (t == best and (found[0] == NONE or (i, j) < (found[1], found[2]))):
                best = t
                found[0], found[1], found[2] = kind, i, j
                if best <= START_RAD:
                    found[0] = START
                    return -1.0
            continue
        su = (sect[top, 0], sect[top, 1], sect[top, 2], sect[top, 3], sect[top, 4], sect[top, 5])
        sl = (sect[top, 6], sect[top, 7], sect[top, 8], sect[top, 9], sect[top, 10], sect[top, 11])
        nu, nl = 1, 1
        u1, v1, su1, sl1 = u, v, su, sl
        if ru >= 0:
            nu = 2
            u1 = ru
            u = u + 1
            su = sector(boxes_u[u], fu, BOX_MM, BOX_MM)
            su1 = sector(boxes_u[u1], fu, BOX_MM, BOX_MM)
        if rl >= 0:
            nl = 2
            v1 = rl
            v = v + 1
            sl = sector(boxes_l[v], fl, BOX_MM, BOX_MM)
            sl1 = sector(boxes_l[v1], fl, BOX_MM, BOX_MM)
        start = top
        for a in range(nu):
            x, sx = (u, su) if a == 0 else (u1, su1)
            for b in range(nl):
                y, sy = (v, sl) if b == 0 else (v1, sl1)
                count[0] += 1
                g = gap(sx, sy)
                if g > best:
                    continue
                at = top
                while at > start and bound[at - 1] < g:
                    nodes[at, 0], nodes[at, 1] = nodes[at - 1, 0], nodes[at - 1, 1]
                    bound[at] = bound[at - 1]
                    for k in range(12):
                        sect[at, k] = sect[at - 1, k]
                    at -= 1
                nodes[at, 0], nodes[at, 1] = x, y
                bound[at] = g
                for k in range(6):
                    sect[at, k], sect[at, 6 + k] = sx[k], sy[k]
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
    if reach < 1e-12:  # the point lies on the axis: any direction across it will do
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


@kernel
def moved_frame(frame, motion, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with ``frame`` after a motion, shape (4, 3): rotation rows, then shift."""
    for i in range(3):
        shift = frame[3, i]
        for k in range(3):
            total = 0.0
            for m in range(3):
                total += frame[i, m] * motion[m, k]
            out[i, k] = total
            shift += frame[i, k] * motion[3, k]
        out[3, i] = shift
