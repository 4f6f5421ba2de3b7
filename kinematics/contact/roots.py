"""Exact contact angles of single feature pairs: vertex and face, edge and edge.

Everything here is in the axis frame: z along the axis and x, y across it, turned so that the
lower cast closes by a *positive* right-handed angle t. Lengths in mm, angles in radians.

A rotation shifts the cylindrical angle and keeps rho and z, so a vertex meets the plane of a
face where ``a cos t + b sin t = c``, and two edges meet where z and rho^2 are equal (a quadratic)
by the difference of their angles.

Notes
-----
*Definitions in degenerate cases.* Two features touch if they come within ``TOUCH_MM``. A root
down to ``-START_RAD`` counts as 0. Features whose whole relation does not change with t (on the
axis, or sliding in a shared plane of rotation) give no root of their own; where they touch, they
touch at the start, or first at an end point, which other pairs or the planar branch find.

*Source.* Derived here.
"""

from __future__ import annotations

import math

from kinematics.base.kernel import kernel

TOUCH_MM = 1e-10
"""Distance below which features count as touching, mm (ours; 1e4 times rounding at 100 mm)."""
START_RAD = 1e-12
"""Roots within this angle of the start pose count as at the start, radian (TOUCH_MM at 100 mm)."""
PARALLEL = 1e-24
"""Squared sine below which two edges count as parallel (ours; far above its rounding, 1e-31)."""
TURN = 2.0 * math.pi


@kernel
def corner(a, b, c, i):  # type: ignore[no-untyped-def]
    """Corner i (counted round) of a triangle."""
    return a if i == 0 or i == 3 else (b if i == 1 else c)


@kernel
def turned(p, ct, st):  # type: ignore[no-untyped-def]
    """Point or vector p turned about z by the angle with cosine ct and sine st."""
    return ct * p[0] - st * p[1], st * p[0] + ct * p[1], p[2]


@kernel
def wrap(t):  # type: ignore[no-untyped-def]
    """Bring an angle into [-START_RAD, 2 pi - START_RAD)."""
    t = t - TURN * math.floor(t / TURN)
    if t >= TURN - START_RAD:
        t -= TURN
    return t


@kernel
def inside(p, a, b, c, n):  # type: ignore[no-untyped-def]
    """Whether a point of the plane of triangle abc (unit normal n) lies within TOUCH_MM of it.

    Where it lies outside, it must lie beside an edge too: past the tip of a narrow triangle the
    lines of both edges stay near for long.
    """
    outside, beside = False, False
    for i in range(3):
        o, e = corner(a, b, c, i), corner(a, b, c, i + 1)
        ex, ey, ez = e[0] - o[0], e[1] - o[1], e[2] - o[2]
        px, py, pz = p[0] - o[0], p[1] - o[1], p[2] - o[2]
        side = n[0] * (ey * pz - ez * py) + n[1] * (ez * px - ex * pz) + n[2] * (ex * py - ey * px)
        if side < 0.0:
            length = math.sqrt(ex * ex + ey * ey + ez * ez)
            if side < -TOUCH_MM * length:
                return False
            along = ex * px + ey * py + ez * pz
            outside = True
            if -TOUCH_MM * length <= along <= (length + TOUCH_MM) * length:
                beside = True
    return beside or not outside


@kernel
def normal(a, b, c):  # type: ignore[no-untyped-def]
    """Unit normal of a triangle and its doubled area; (0, 0, 0), 0 where it has none."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    area = math.sqrt(nx * nx + ny * ny + nz * nz)
    longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz)
    if area <= 1e-13 * longest or area == 0.0:
        return (0.0, 0.0, 0.0), 0.0
    return (nx / area, ny / area, nz / area), area


@kernel
def vertex_face(p, a, b, c, n, sign, limit, cl, sl):  # type: ignore[no-untyped-def]
    """Smallest t in [-START_RAD, limit] at which vertex p, turned by sign t, lies on face abc.

    Returns infinity where there is none. ``sign`` is 1 if the vertex moves and -1 if the face
    does; ``n`` is the unit normal of abc; ``cl`` and ``sl`` are cosine and sine of ``limit``,
    which is below pi.
    """
    ca = n[0] * p[0] + n[1] * p[1]
    cb = sign * (n[1] * p[0] - n[0] * p[1])
    cc = n[0] * a[0] + n[1] * a[1] + n[2] * (a[2] - p[2])
    reach = math.sqrt(ca * ca + cb * cb)
    if reach <= TOUCH_MM or abs(cc) > reach + TOUCH_MM:
        return math.inf
    # No root in the range if the distance keeps its sign at both ends and has no dip between.
    f0 = ca - cc
    f1 = ca * cl + cb * sl - cc
    if f0 * f1 > 0.0 and min(abs(f0), abs(f1)) > TOUCH_MM:
        g1 = cb * cl - ca * sl
        dips = cb < 0.0 < g1 if f0 > 0.0 else g1 < 0.0 < cb
        if not dips:
            return math.inf
    half = math.atan2(math.sqrt(max(0.0, (reach - cc) * (reach + cc))), cc)
    base = math.atan2(cb, ca)
    t0, t1 = wrap(base - half), wrap(base + half)
    if t1 < t0:
        t0, t1 = t1, t0
    for t in (t0, t1):
        if t > limit:
            return math.inf
        if inside(turned(p, math.cos(t), sign * math.sin(t)), a, b, c, n):
            return t
    return math.inf


@kernel
def angle_between(qx, qy, px, py, sign):  # type: ignore[no-untyped-def]
    """Angle t so that sign t turns (qx, qy) towards (px, py); infinity on the axis."""
    if qx * qx + qy * qy <= TOUCH_MM * TOUCH_MM:
        return math.inf
    return wrap(sign * math.atan2(qx * py - qy * px, qx * px + qy * py))


@kernel
def profile_roots(p, dp, ps, q, dq, qs, alpha, beta, sign):  # type: ignore[no-untyped-def]
    """Smallest angle from edge q to edge p at equal rho, with u = alpha + beta s at equal z.

    ``p + s dp`` and ``q + u dq`` are the edges; ``ps`` and ``qs`` their tolerances on s and u.
    ``sign`` is 1 if q moves and -1 if p does.
    """
    lo, hi = -ps, 1.0 + ps
    if beta > 0.0:
        lo, hi = max(lo, (-qs - alpha) / beta), min(hi, (1.0 + qs - alpha) / beta)
    elif beta < 0.0:
        lo, hi = max(lo, (1.0 + qs - alpha) / beta), min(hi, (-qs - alpha) / beta)
    elif not -qs <= alpha <= 1.0 + qs:
        return math.inf
    if lo > hi:
        return math.inf
    ox, oy = q[0] + alpha * dq[0], q[1] + alpha * dq[1]
    ex, ey = beta * dq[0], beta * dq[1]
    a = dp[0] * dp[0] + dp[1] * dp[1] - ex * ex - ey * ey
    b = 2.0 * (p[0] * dp[0] + p[1] * dp[1] - ox * ex - oy * ey)
    c = (p[0] - ox) * (p[0] + ox) + (p[1] - oy) * (p[1] + oy)
    rho = math.sqrt(max(ox * ox + oy * oy, p[0] * p[0] + p[1] * p[1]))
    slack = 2.0 * max(rho, TOUCH_MM) * TOUCH_MM
    if abs(a) + abs(b) + abs(c) <= slack:
        s0, s1 = lo, hi  # the same profile: the angle's difference is monotone, so at an end
    else:
        disc = b * b - 4.0 * a * c
        if disc < 0.0:
            if disc < -4.0 * abs(a) * slack:
                return math.inf
            disc = 0.0
        root = math.sqrt(disc)
        w = -0.5 * (b + root) if b >= 0.0 else -0.5 * (b - root)
        s1 = c / w if w != 0.0 else 0.0
        s0 = w / a if abs(a) > 1e-300 else s1
    best = math.inf
    for s in (s0, s1):
        if lo <= s <= hi:
            s = min(1.0, max(0.0, s))
            x, y = p[0] + s * dp[0], p[1] + s * dp[1]
            v, w = ox + s * ex, oy + s * ey
            rho = max(TOUCH_MM, math.sqrt(x * x + y * y))  # here, not where the edges start
            if abs((x - v) * (x + v) + (y - w) * (y + w)) <= 8.0 * rho * TOUCH_MM:
                best = min(best, angle_between(v, w, x, y, sign))
    return best


@kernel
def edge_edge(p, p1, q, q1):  # type: ignore[no-untyped-def]
    """Smallest t >= -START_RAD at which edge q q1, turning, meets the fixed edge p p1.

    Returns infinity where there is none.
    """
    dp = (p1[0] - p[0], p1[1] - p[1], p1[2] - p[2])
    dq = (q1[0] - q[0], q1[1] - q[1], q1[2] - q[2])
    pl = dp[0] * dp[0] + dp[1] * dp[1] + dp[2] * dp[2]
    ql = dq[0] * dq[0] + dq[1] * dq[1] + dq[2] * dq[2]
    ps = TOUCH_MM / max(TOUCH_MM, math.sqrt(pl))
    qs = TOUCH_MM / max(TOUCH_MM, math.sqrt(ql))
    if max(abs(dp[2]), abs(dq[2])) <= TOUCH_MM:
        if abs(p[2] - q[2]) > TOUCH_MM:
            return math.inf
        # Both in one plane of rotation: an end point of one meets the other first.
        best = profile_roots(p, dp, ps, q, dq, qs, 0.0, 0.0, 1.0)
        best = min(best, profile_roots(p, dp, ps, q, dq, qs, 1.0, 0.0, 1.0))
        best = min(best, profile_roots(q, dq, qs, p, dp, ps, 0.0, 0.0, -1.0))
        return min(best, profile_roots(q, dq, qs, p, dp, ps, 1.0, 0.0, -1.0))
    if abs(dq[2]) >= abs(dp[2]):
        return profile_roots(p, dp, ps, q, dq, qs, (p[2] - q[2]) / dq[2], dp[2] / dq[2], 1.0)
    return profile_roots(q, dq, qs, p, dp, ps, (q[2] - p[2]) / dp[2], dq[2] / dp[2], -1.0)


@kernel
def between(p, q, s):  # type: ignore[no-untyped-def]
    """Point at share s of the way from p to q."""
    return p[0] + s * (q[0] - p[0]), p[1] + s * (q[1] - p[1]), p[2] + s * (q[2] - p[2])


@kernel
def nearest(p, p1, q, q1):  # type: ignore[no-untyped-def]
    """Where segment p p1 is nearest to q q1, as a share of it, and the squared distance there.

    Cross products keep the distance true to rounding for edges that are nearly parallel.
    """
    ux, uy, uz = p1[0] - p[0], p1[1] - p[1], p1[2] - p[2]
    vx, vy, vz = q1[0] - q[0], q1[1] - q[1], q1[2] - q[2]
    wx, wy, wz = p[0] - q[0], p[1] - q[1], p[2] - q[2]
    a = ux * ux + uy * uy + uz * uz
    b = ux * vx + uy * vy + uz * vz
    c = vx * vx + vy * vy + vz * vz
    d = ux * wx + uy * wy + uz * wz
    e = vx * wx + vy * wy + vz * wz
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    square = nx * nx + ny * ny + nz * nz
    s = 0.0
    if square > PARALLEL * a * c:
        s = nx * (vy * wz - vz * wy) + ny * (vz * wx - vx * wz) + nz * (vx * wy - vy * wx)
        s = min(1.0, max(0.0, s / square))
    u = (b * s + e) / c if c > 0.0 else 0.0
    if u < 0.0 or u > 1.0 or c == 0.0:
        u = min(1.0, max(0.0, u))
        s = min(1.0, max(0.0, (b * u - d) / a)) if a > 0.0 else 0.0
    gx, gy, gz = wx + s * ux - u * vx, wy + s * uy - u * vy, wz + s * uz - u * vz
    return s, gx * gx + gy * gy + gz * gz


@kernel
def pierced(p, q, a, b, c, n):  # type: ignore[no-untyped-def]
    """Share of segment pq at which it passes through face abc (unit normal n), -1 if it does not.

    An end within TOUCH_MM of the face counts.
    """
    d0 = n[0] * (p[0] - a[0]) + n[1] * (p[1] - a[1]) + n[2] * (p[2] - a[2])
    d1 = n[0] * (q[0] - a[0]) + n[1] * (q[1] - a[1]) + n[2] * (q[2] - a[2])
    if abs(d0) <= TOUCH_MM and inside(p, a, b, c, n):
        return 0.0
    if abs(d1) <= TOUCH_MM and inside(q, a, b, c, n):
        return 1.0
    if d0 * d1 >= 0.0:
        return -1.0
    s = d0 / (d0 - d1)
    return s if inside(between(p, q, s), a, b, c, n) else -1.0


@kernel
def beyond(p, q, r, a, n):  # type: ignore[no-untyped-def]
    """Whether p, q and r all lie on one side of the plane through a with normal n."""
    d0 = n[0] * (p[0] - a[0]) + n[1] * (p[1] - a[1]) + n[2] * (p[2] - a[2])
    d1 = n[0] * (q[0] - a[0]) + n[1] * (q[1] - a[1]) + n[2] * (q[2] - a[2])
    d2 = n[0] * (r[0] - a[0]) + n[1] * (r[1] - a[1]) + n[2] * (r[2] - a[2])
    return min(d0, d1, d2) > TOUCH_MM or max(d0, d1, d2) < -TOUCH_MM


@kernel
def triangles_touch(a, b, c, d, e, f):  # type: ignore[no-untyped-def]
    """Whether two triangles (degenerate ones too) share a point, to TOUCH_MM."""
    n, area = normal(a, b, c)
    m, other = normal(d, e, f)
    if (area > 0.0 and beyond(d, e, f, a, n)) or (other > 0.0 and beyond(a, b, c, d, m)):
        return False
    limit = TOUCH_MM * TOUCH_MM
    for k in range(3):
        p, p1 = corner(a, b, c, k), corner(a, b, c, k + 1)
        q, q1 = corner(d, e, f, k), corner(d, e, f, k + 1)
        if area > 0.0 and pierced(q, q1, a, b, c, n) >= 0.0:
            return True
        if other > 0.0 and pierced(p, p1, d, e, f, m) >= 0.0:
            return True
    for i in range(3):
        p, p1 = corner(a, b, c, i), corner(a, b, c, i + 1)
        for j in range(3):
            if nearest(p, p1, corner(d, e, f, j), corner(d, e, f, j + 1))[1] <= limit:
                return True
    return False
