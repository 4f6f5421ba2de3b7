"""Where two faces meet, once the contact angle and the pair of faces are known."""

from __future__ import annotations

import math

from kinematics.base.kernel import kernel
from kinematics.contact.descent import EDGE_EDGE, FACE_VERTEX, VERTEX_FACE, face_pair, point
from kinematics.contact.roots import between, corner, nearest, normal, pierced, turned


@kernel
def shared_point(a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    """A point that two touching triangles share."""
    n, area = normal(a, b, c)
    m, other = normal(d, e, f)
    least, x = math.inf, a
    for i in range(3):
        p, p1 = corner(a, b, c, i), corner(a, b, c, i + 1)
        q, q1 = corner(d, e, f, i), corner(d, e, f, i + 1)
        if area > 0.0:
            s = pierced(q, q1, a, b, c, n)
            if s >= 0.0:
                return between(q, q1, s)
        if other > 0.0:
            s = pierced(p, p1, d, e, f, m)
            if s >= 0.0:
                return between(p, p1, s)
        for j in range(3):
            s, gap2 = nearest(p, p1, corner(d, e, f, j), corner(d, e, f, j + 1))
            if gap2 < least:
                least, x = gap2, between(p, p1, s)
    return x


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
        ct, st = math.cos(t), math.sin(t)
        if kind == VERTEX_FACE:
            x = turned(corner(d, e, f, m), ct, st)
        elif kind == FACE_VERTEX:
            x = corner(a, b, c, k)
        elif kind == EDGE_EDGE:
            p, p1 = corner(a, b, c, k), corner(a, b, c, k + 1)
            q, q1 = corner(d, e, f, m), corner(d, e, f, m + 1)
            s, _ = nearest(p, p1, turned(q, ct, st), turned(q1, ct, st))
            x = between(p, p1, s)
    for k in range(3):
        out[k] = 0.0
        for m in range(3):
            out[k] += fu[m, k] * (x[m] - fu[3, m])
    return kind
