"""Slow, independent answers that the fast code is compared with.

Nothing here imports the project's kernels. The brute force works in the given frame and writes the
rotation as ``R(t) = W + cos t (I - W) + sin t K``: coplanarity of a vertex and a face, and of two
edges, is then one equation ``a + b cos t + c sin t = 0`` (the project solves edge pairs through
equal heights and radii instead). Derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SLACK_MM = 2e-10
START_RAD = 2e-12
Array = NDArray[np.float64]


def spin(left: Array, right: Array) -> tuple[Array, Array, Array]:
    """Parts W, K of the closing rotation about the axis, and the axis's midpoint."""
    left, right = np.asarray(left, float), np.asarray(right, float)
    w = (right - left) / np.linalg.norm(right - left)
    k = np.array([[0, -w[2], w[1]], [w[2], 0, -w[0]], [-w[1], w[0], 0]])
    return np.outer(w, w), k, 0.5 * (left + right)


def closed(points: Array, left: Array, right: Array, t_rad: float) -> Array:
    """Points after closing by an angle about the axis."""
    w, k, o = spin(left, right)
    turn = w + math.cos(t_rad) * (np.eye(3) - w) + math.sin(t_rad) * k
    return (np.asarray(points, float) - o) @ turn.T + o


def _roots(a: Array, b: Array, c: Array) -> Array:
    """Both roots of a + b cos t + c sin t = 0 in [-START, 2 pi), shape (2, ...); NaN if none."""
    reach = np.hypot(b, c)
    # Functions here are lengths; what comes within the slack of 0 counts as touching.
    ok = (reach > SLACK_MM / 2) & (np.abs(a) <= reach + SLACK_MM / 2)
    with np.errstate(all="ignore"):
        half = np.arccos(np.clip(-a / reach, -1, 1))
        base = np.arctan2(c, b)
        t = np.stack([base - half, base + half])
        # One Newton step repairs what arccos loses.
        f = a + b * np.cos(t) + c * np.sin(t)
        g = -b * np.sin(t) + c * np.cos(t)
        step = np.where(np.abs(g) > 1e-6 * reach, f / g, 0.0)
        t = (t - np.where(np.abs(step) < 1e-6, step, 0.0)) % (2 * np.pi)
    t = np.where(t > 2 * np.pi - START_RAD, t - 2 * np.pi, t)
    return np.where(ok, t, np.nan)


def _turn(points: Array, w: Array, k: Array, t: Array) -> Array:
    co, si = np.cos(t)[..., None], np.sin(t)[..., None]
    wp, kp = points @ w.T, points @ k.T
    return wp + co * (points - wp) + si * kp


def _vertices_on_faces(
    p: Array, a: Array, b: Array, c: Array, w: Array, k: Array, end: float
) -> float:
    """Smallest angle at which a turning vertex meets a fixed face; all pairs."""
    n = np.cross(b - a, c - a)
    size = np.linalg.norm(n, axis=1)
    longest = np.maximum.reduce(
        [((x - y) ** 2).sum(1) for x, y in ((a, b), (b, c), (c, a))], initial=0
    )
    good = size > 1e-12 * longest
    a, b, c, n = a[good], b[good], c[good], n[good] / size[good, None]
    if not len(a):
        return math.inf
    wp, kp = p @ w.T, p @ k.T
    t = _roots(wp @ n.T - (n * a).sum(1), (p - wp) @ n.T, kp @ n.T)
    best = math.inf
    for root in t:
        i, j = np.nonzero(root <= end)
        x = _turn(p[i], w, k, root[i, j])
        hit = np.ones(len(i), bool)
        for u, v in ((a, b), (b, c), (c, a)):
            e = v[j] - u[j]
            side = (n[j] * np.cross(e, x - u[j])).sum(1) / np.linalg.norm(e, axis=1)
            hit &= side >= -SLACK_MM
        if hit.any():
            best = min(best, float(root[i, j][hit].min()))
    return best


def _edges_on_edges(p: Array, q: Array, w: Array, k: Array, end: float) -> float:
    """Smallest angle at which a turning edge of q meets an edge of p, shapes (n, 2, 3)."""
    best = math.inf
    d, e = p[:, 1] - p[:, 0], q[:, 1] - q[:, 0]
    moment, turning = np.cross(p[:, 0], d), np.cross(e, q[:, 0])
    scale = np.linalg.norm(d, axis=1)[:, None] * np.linalg.norm(e, axis=1)[None]
    # d . R (e x q0) - R e . (p0 x d) = 0
    a = (d @ w) @ turning.T - (moment @ w) @ e.T
    b = (d - d @ w) @ turning.T - (moment - moment @ w) @ e.T
    c = (d @ k) @ turning.T - (moment @ k) @ e.T
    t = _roots(a / scale, b / scale, c / scale)
    for root in t:
        i, j = np.nonzero(root <= end)
        if not len(i):
            continue
        q0 = _turn(q[j, 0], w, k, root[i, j])
        q1 = _turn(q[j, 1], w, k, root[i, j])
        hit = _segment_gap(p[i, 0], p[i, 1], q0, q1) <= SLACK_MM
        if hit.any():
            best = min(best, float(root[i, j][hit].min()))
    return best


def _segment_gap(p: Array, p1: Array, q: Array, q1: Array) -> Array:
    """Distance of segment pairs, by clamping each parameter in turn and trying all ends."""

    def to_segment(x: Array, a: Array, b: Array) -> Array:
        d = b - a
        s = np.clip(((x - a) * d).sum(1) / (d * d).sum(1), 0, 1)
        return np.linalg.norm(x - a - s[:, None] * d, axis=1)

    ends = np.minimum.reduce(
        [to_segment(p, q, q1), to_segment(p1, q, q1), to_segment(q, p, p1), to_segment(q1, p, p1)]
    )
    d, e, r = p1 - p, q1 - q, p - q
    a, b, c = (d * d).sum(1), (d * e).sum(1), (e * e).sum(1)
    det = a * c - b * b
    with np.errstate(all="ignore"):
        s = (b * (e * r).sum(1) - c * (d * r).sum(1)) / det
        u = (a * (e * r).sum(1) - b * (d * r).sum(1)) / det
        within = (det > 1e-14 * a * c) & (s >= 0) & (s <= 1) & (u >= 0) & (u <= 1)
        line = np.linalg.norm(r + s[:, None] * d - u[:, None] * e, axis=1)
    return np.where(within, np.minimum(ends, line), ends)


def _vertices_on_edges(v: Array, p: Array, w: Array, k: Array, end: float) -> float:
    """Smallest angle at which a turning vertex meets a fixed edge; all pairs.

    Needed where coplanarity holds at every angle: in a shared plane of rotation, or for edges
    whose lines meet the axis in one point.
    """
    axis = np.array([k[2, 1], k[0, 2], k[1, 0]])
    best = math.inf
    for edge in p:
        flat, y = edge - edge @ w.T, v - v @ w.T
        height, d = edge @ axis, flat[1] - flat[0]
        rise, length = height[1] - height[0], np.linalg.norm(edge[1] - edge[0])
        if abs(rise) > SLACK_MM:
            shares = [(v @ axis - height[0]) / rise]
            same = np.ones(len(v), bool)
        else:
            aa, bb, cc = d @ d, 2 * d @ flat[0], flat[0] @ flat[0] - (y * y).sum(1)
            disc = bb * bb - 4 * aa * cc
            reach = np.maximum(np.linalg.norm(y, axis=1), 1e-9)
            same = (disc >= -8 * aa * reach * SLACK_MM) & (np.abs(v @ axis - height[0]) <= SLACK_MM)
            root = np.sqrt(np.maximum(disc, 0.0))
            shares = [(-bb - root) / (2 * aa), (-bb + root) / (2 * aa)]
        for s in shares:
            ok = same & (s * length >= -SLACK_MM) & ((s - 1) * length <= SLACK_MM)
            z = flat[0] + s[:, None] * d
            apart = np.abs(np.linalg.norm(z, axis=1) - np.linalg.norm(y, axis=1))
            ok &= (apart <= SLACK_MM) & ((y * y).sum(1) > 1e-18)
            t = np.arctan2(np.cross(y, z) @ axis, (y * z).sum(1)) % (2 * np.pi)
            t = np.where(t > 2 * np.pi - START_RAD, t - 2 * np.pi, t)
            if (ok & (t <= end)).any():
                best = min(best, float(t[ok & (t <= end)].min()))
    return best


def edges_of(vertices: Array, faces: NDArray) -> Array:
    """Distinct edges of non-zero length as end points, shape (n, 2, 3)."""
    e = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    ends = vertices[np.unique(e, axis=0)]
    return ends[(ends[:, 0] != ends[:, 1]).any(1)]


def touching(up: Array, uf: NDArray, lp: Array, lf: NDArray) -> bool:
    """Whether two surfaces share a point: every edge against every face and every edge."""

    def pierces(ends: Array, tri: Array) -> bool:
        n = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
        size = np.linalg.norm(n, axis=1)
        tri, n = tri[size > 0], n[size > 0] / size[size > 0, None]
        d = np.einsum("ijk,mk->ijm", ends, n) - (n * tri[:, 0]).sum(1)
        i, m = np.nonzero((d[:, 0] * d[:, 1] <= 0) | (np.abs(d).min(1) <= SLACK_MM))
        d0, d1 = d[i, 0, m], d[i, 1, m]
        flat = np.abs(d0 - d1) <= SLACK_MM
        s = np.clip(np.where(flat, 0.0, d0 / np.where(flat, 1.0, d0 - d1)), 0, 1)
        found = False
        for share in (s, np.where(flat, 1.0, s)):
            x = ends[i, 0] + share[:, None] * (ends[i, 1] - ends[i, 0])
            hit = np.ones(len(i), bool)
            for g in range(3):
                o, e = tri[m, g], tri[m, (g + 1) % 3] - tri[m, g]
                side = (n[m] * np.cross(e, x - o)).sum(1)
                hit &= side >= -SLACK_MM * np.linalg.norm(e, axis=1)
            found = found or bool(hit.any())
        return found

    gap = np.linalg.norm(up[np.unique(uf)][:, None] - lp[np.unique(lf)][None], axis=2)
    if (gap <= SLACK_MM).any():  # triangles shrunk to a point have no edges
        return True
    ue, le = edges_of(up, uf), edges_of(lp, lf)
    if pierces(ue, lp[lf]) or pierces(le, up[uf]):
        return True
    i, j = np.divmod(np.arange(len(ue) * len(le)), max(1, len(le)))
    return bool((_segment_gap(ue[i, 0], ue[i, 1], le[j, 0], le[j, 1]) <= SLACK_MM).any())


@dataclass(frozen=True)
class Answer:
    """Status as in FirstContact and the angle in radian (NaN if none)."""

    status: str
    closing_rad: float


def brute_force(
    up: Array, uf: NDArray, lp: Array, lf: NDArray, left: Array, right: Array, *, end_rad: float
) -> Answer:
    """First contact over all pairs of features, no hierarchy and no culling."""
    up, lp = np.asarray(up, float), np.asarray(lp, float)
    if touching(up, uf, lp, lf):
        return Answer("already_touching", 0.0)
    w, k, o = spin(left, right)
    u, v = up - o, lp - o
    used_u, used_l = u[np.unique(uf)], v[np.unique(lf)]
    ue, le = edges_of(u, uf), edges_of(v, lf)
    a, b, c = (u[uf[:, i]] for i in range(3))
    d, e, f = (v[lf[:, i]] for i in range(3))
    best = min(
        _vertices_on_faces(used_l, a, b, c, w, k, end_rad),
        _vertices_on_faces(used_u, d, e, f, w, -k, end_rad),
        _edges_on_edges(ue, le, w, k, end_rad),
        _vertices_on_edges(used_l, ue, w, k, end_rad),
        _vertices_on_edges(used_u, le, w, -k, end_rad),
    )
    if best <= START_RAD:
        return Answer("already_touching", 0.0)
    return Answer("contact", best) if best < math.inf else Answer("none_in_range", math.nan)


class Bisection:
    """First contact by fixed steps and then bisection on a general collision library (FCL)."""

    def __init__(self, up: Array, uf: NDArray, lp: Array, lf: NDArray) -> None:
        import fcl

        self.fcl = fcl
        self.objects = []
        for vertices, faces in ((up, uf), (lp, lf)):
            model = fcl.BVHModel()
            model.beginModel(len(vertices), len(faces))
            model.addSubModel(np.ascontiguousarray(vertices), np.ascontiguousarray(faces))
            model.endModel()
            self.objects.append(fcl.CollisionObject(model, fcl.Transform()))
        self.request = fcl.CollisionRequest(num_max_contacts=1, enable_contact=False)

    def hits(self, left: Array, right: Array, t_rad: float) -> bool:
        """Whether the casts collide once closed by t."""
        w, k, o = spin(left, right)
        turn = w + math.cos(t_rad) * (np.eye(3) - w) + math.sin(t_rad) * k
        self.objects[1].setTransform(self.fcl.Transform(turn, o - turn @ o))
        result = self.fcl.CollisionResult()
        self.fcl.collide(self.objects[0], self.objects[1], self.request, result)
        return bool(result.is_collision)

    def first(
        self,
        left: Array,
        right: Array,
        *,
        step_rad: float = math.radians(0.25),
        tolerance_rad: float = 1e-9,
        end_rad: float = math.radians(60),
    ) -> float:
        """Angle of the first contact; NaN if none; may step over a contact thinner than a step."""
        lo, hi = 0.0, 0.0
        while not self.hits(left, right, hi):
            lo, hi = hi, hi + step_rad
            if lo >= end_rad:
                return math.nan
        while hi - lo > tolerance_rad:
            mid = 0.5 * (lo + hi)
            lo, hi = (lo, mid) if self.hits(left, right, mid) else (mid, hi)
        return 0.5 * (lo + hi)


def refined_root(
    upper_triangle: Array, lower_triangle: Array, left: Array, right: Array, near_rad: float
) -> float:
    """Root near an angle of the coplanarity of any feature pair, in 50 digits (mpmath).

    Returns the root of the 15 feature pairs of two triangles that lies nearest to ``near_rad``.
    """
    from mpmath import mp, mpf

    with mp.workdps(50):
        row = [mpf(float(x)) for x in np.asarray(left, float)]
        end = [mpf(float(x)) for x in np.asarray(right, float)]
        o = [(x + y) / 2 for x, y in zip(row, end)]
        w = [y - x for x, y in zip(row, end)]
        size = mp.sqrt(sum(x * x for x in w))
        w = [x / size for x in w]

        def cross(x: list, y: list) -> list:
            return [
                x[(i + 1) % 3] * y[(i + 2) % 3] - x[(i + 2) % 3] * y[(i + 1) % 3] for i in range(3)
            ]

        def dot(x: list, y: list):  # type: ignore[no-untyped-def]
            return sum(i * j for i, j in zip(x, y))

        def minus(x: list, y: list) -> list:
            return [i - j for i, j in zip(x, y)]

        def turn(x: list, t) -> list:  # type: ignore[no-untyped-def]
            along, side, c, s = dot(w, x), cross(w, x), mp.cos(t), mp.sin(t)
            return [w[i] * along + c * (x[i] - w[i] * along) + s * side[i] for i in range(3)]

        up = [minus([mpf(float(x)) for x in p], o) for p in upper_triangle]
        low = [minus([mpf(float(x)) for x in p], o) for p in lower_triangle]
        functions = []
        for i in range(3):
            functions.append(
                lambda t, i=i: dot(
                    cross(minus(up[1], up[0]), minus(up[2], up[0])), minus(turn(low[i], t), up[0])
                )
            )
            functions.append(
                lambda t, i=i: dot(
                    cross(minus(low[1], low[0]), minus(low[2], low[0])),
                    minus(turn(up[i], -t), low[0]),
                )
            )
            for j in range(3):
                functions.append(
                    lambda t, i=i, j=j: dot(
                        cross(
                            minus(up[(i + 1) % 3], up[i]),
                            turn(minus(low[(j + 1) % 3], low[j]), t),
                        ),
                        minus(turn(low[j], t), up[i]),
                    )
                )
        best = mpf("inf")
        for function in functions:
            try:
                t = mp.findroot(function, (mpf(near_rad), mpf(near_rad) + mpf("1e-7")))
            except (ValueError, ZeroDivisionError):
                continue
            if abs(t - near_rad) < abs(best - near_rad):
                best = t
        return float(best)
