"""Where two faces meet, once the contact angle and the pair of faces are known."""

from __future__ import annotations

import math

from kinematics.broadphase import EDGE_EDGE, FACE_VERTEX, VERTEX_FACE, corner, face_pair, point
from kinematics.contact_roots import normal, pierces, segment_gap2
from kinematics.kernels import kernel


@kernel
def turned(p, t):  # type: ignore[no-untyped-def]
    """Point p turned by t about z."""
    c, s = math.cos(t), math.sin(t)
    return c * p[0] - s * p[1], s * p[0] + c * p[1], p[2]


@kernel
def on_segment(p, p1, q, q1):  # type: ignore[no-untyped-def]
    """Point of segment p p1 nearest to segment q q1, by a ternary search on the squared gap."""
    lo, hi = 0.0, 1.0
    for _ in range(200):
        a, b = lo + (hi - lo) / 3.0, hi - (hi - lo) / 3.0
        x = (p[0] + a * (p1[0] - p[0]), p[1] + a * (p1[1] - p[1]), p[2] + a * (p1[2] - p[2]))
        y = (p[0] + b * (p1[0] - p[0]), p[1] + b * (p1[1] - p[1]), p[2] + b * (p1[2] - p[2]))
        if segment_gap2(x, x, q, q1) <= segment_gap2(y, y, q, q1):
            hi = b
        else:
            lo = a
    s = 0.5 * (lo + hi)
    return p[0] + s * (p1[0] - p[0]), p[1] + s * (p1[1] - p[1]), p[2] + s * (p1[2] - p[2])


@kernel
def cut(p, q, a, n):  # type: ignore[no-untyped-def]
    """Point of segment pq on the plane through a with normal n (its nearer end if parallel)."""
    d0 = n[0] * (p[0] - a[0]) + n[1] * (p[1] - a[1]) + n[2] * (p[2] - a[2])
    d1 = n[0] * (q[0] - a[0]) + n[1] * (q[1] - a[1]) + n[2] * (q[2] - a[2])
    s = 0.0
    if d0 * d1 < 0.0:
        s = d0 / (d0 - d1)
    elif abs(d1) < abs(d0):
        s = 1.0
    return p[0] + s * (q[0] - p[0]), p[1] + s * (q[1] - p[1]), p[2] + s * (q[2] - p[2])


@kernel
def shared_point(a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    """A point that two touching triangles share."""
    n, area = normal(a, b, c)
    m, other = normal(d, e, f)
    for k in range(3):
        p, q = corner(d, e, f, k), corner(d, e, f, k + 1)
        if area > 0.0 and pierces(p, q, a, b, c, n):
            return cut(p, q, a, n)
        p, q = corner(a, b, c, k), corner(a, b, c, k + 1)
        if other > 0.0 and pierces(p, q, d, e, f, m):
            return cut(p, q, d, m)
    least, best_i, best_j = math.inf, 0, 0
    for i in range(3):
        for j in range(3):
            g = segment_gap2(
                corner(a, b, c, i),
                corner(a, b, c, i + 1),
                corner(d, e, f, j),
                corner(d, e, f, j + 1),
            )
            if g < least:
                least, best_i, best_j = g, i, j
    return on_segment(
        corner(a, b, c, best_i),
        corner(a, b, c, best_i + 1),
        corner(d, e, f, best_j),
        corner(d, e, f, best_j + 1),
    )


@kernel
def contact_point(upper, fu, i, lower, fl, j, t, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the contact point on the upper, in the upper's own coordinates; its kind.

    ``t`` is the contact angle of upper face i and lower face j, or negative if they touch at the
    start.
    """
    fa, fb = upper[1][i], lower[1][j]
    a, b, c = point(upper[0], fa[0], fu), point(upper[0], fa[1], fu), point(upper[0], fa[2], fu)
    d, e, f = point(lower[0], fb[0], fl), point(lower[0], fb[1], fl), point(lower[0], fb[2], fl)
    kind = 0
    x = a
    if t < 0.0:
        x = shared_point(a, b, c, d, e, f)
    else:
        _, kind, k, m = face_pair(upper, fu, i, lower, fl, j, False, t * (1.0 + 1e-15))
        if kind == VERTEX_FACE:
            x = turned(corner(d, e, f, m), t)
        elif kind == FACE_VERTEX:
            x = corner(a, b, c, k)
        elif kind == EDGE_EDGE:
            q, q1 = turned(corner(d, e, f, m), t), turned(corner(d, e, f, m + 1), t)
            x = on_segment(corner(a, b, c, k), corner(a, b, c, k + 1), q, q1)
    for k in range(3):
        out[k] = 0.0
        for m in range(3):
            out[k] += fu[m, k] * (x[m] - fu[3, m])
    return kind
