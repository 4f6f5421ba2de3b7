"""Fit of two occlusal surfaces: height fields, mutual carving, least vertical clearance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.kernel import kernel

CELL_MM = 0.08
"""Cell of the height fields used for carving (ours; a tenth of a cusp's tip)."""


@kernel
def paint_heights(points, faces, low_x, low_y, cell, out):  # type: ignore[no-untyped-def]
    """Keep in ``out`` the greatest height of the triangles over each cell's corner."""
    nx, ny = out.shape
    for k in range(faces.shape[0]):
        ax, ay, az = points[faces[k, 0]]
        bx, by, bz = points[faces[k, 1]]
        cx, cy, cz = points[faces[k, 2]]
        det = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay)
        if abs(det) < 1e-12:
            continue
        i0 = max(0, int(np.ceil((min(ax, bx, cx) - low_x) / cell)))
        i1 = min(nx - 1, int(np.floor((max(ax, bx, cx) - low_x) / cell)))
        j0 = max(0, int(np.ceil((min(ay, by, cy) - low_y) / cell)))
        j1 = min(ny - 1, int(np.floor((max(ay, by, cy) - low_y) / cell)))
        for i in range(i0, i1 + 1):
            px = low_x + i * cell - ax
            for j in range(j0, j1 + 1):
                py = low_y + j * cell - ay
                u = (px * (cy - ay) - (cx - ax) * py) / det
                v = ((bx - ax) * py - px * (by - ay)) / det
                if u >= -1e-9 and v >= -1e-9 and u + v <= 1 + 1e-9:
                    z = az + u * (bz - az) + v * (cz - az)
                    if z > out[i, j]:
                        out[i, j] = z


@dataclass(frozen=True, eq=False)
class HeightField:
    """Greatest height of a surface over a regular grid; -inf where there is none."""

    low_x_mm: float
    low_y_mm: float
    cell_mm: float
    height_mm: FloatArray

    def at(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Height by bilinear interpolation; -inf outside and at the rim."""
        nx, ny = self.height_mm.shape
        fx, fy = (x - self.low_x_mm) / self.cell_mm, (y - self.low_y_mm) / self.cell_mm
        i, j = np.floor(fx).astype(np.int64), np.floor(fy).astype(np.int64)
        inside = (i >= 0) & (j >= 0) & (i < nx - 1) & (j < ny - 1)
        i, j = np.where(inside, i, 0), np.where(inside, j, 0)
        a, b = fx - i, fy - j
        h = self.height_mm
        corners = np.array([h[i, j], h[i + 1, j], h[i, j + 1], h[i + 1, j + 1]])
        whole = inside & np.isfinite(corners).all(axis=0)
        p, q, r, s = np.where(whole, corners, 0.0)
        value = (1 - a) * (1 - b) * p + a * (1 - b) * q + (1 - a) * b * r + a * b * s
        return np.where(whole, value, -np.inf)


def height_field(
    points: FloatArray,
    faces: NDArray[np.integer],
    box: tuple[float, float, float, float],
    cell_mm: float = CELL_MM,
) -> HeightField:
    """Height field of triangles over a box (x low, y low, x high, y high), mm.

    Notes
    -----
    Exact at the grid's points for the triangles given; between them bilinear.
    """
    x0, y0, x1, y1 = box
    out = np.full((int((x1 - x0) / cell_mm) + 2, int((y1 - y0) / cell_mm) + 2), -np.inf)
    paint_heights(np.ascontiguousarray(points), np.ascontiguousarray(faces), x0, y0, cell_mm, out)
    return HeightField(x0, y0, cell_mm, out)


@kernel
def pair_gap(a, b):  # type: ignore[no-untyped-def]
    """Least height of triangle ``b`` above triangle ``a`` where they overlap seen from above."""
    best = np.inf
    for turn in range(2):
        p, q = (a, b) if turn == 0 else (b, a)
        sign = 1.0 if turn == 0 else -1.0
        det = (q[1, 0] - q[0, 0]) * (q[2, 1] - q[0, 1]) - (q[2, 0] - q[0, 0]) * (q[1, 1] - q[0, 1])
        if abs(det) < 1e-14:
            continue
        for k in range(3):
            px, py = p[k, 0] - q[0, 0], p[k, 1] - q[0, 1]
            u = (px * (q[2, 1] - q[0, 1]) - (q[2, 0] - q[0, 0]) * py) / det
            v = ((q[1, 0] - q[0, 0]) * py - px * (q[1, 1] - q[0, 1])) / det
            if u >= 0 and v >= 0 and u + v <= 1:
                z = q[0, 2] + u * (q[1, 2] - q[0, 2]) + v * (q[2, 2] - q[0, 2])
                best = min(best, sign * (z - p[k, 2]))
    for i in range(3):
        p0, p1 = a[i], a[(i + 1) % 3]
        rx, ry = p1[0] - p0[0], p1[1] - p0[1]
        for j in range(3):
            q0, q1 = b[j], b[(j + 1) % 3]
            sx, sy = q1[0] - q0[0], q1[1] - q0[1]
            det = rx * sy - ry * sx
            if abs(det) < 1e-14:
                continue
            dx, dy = q0[0] - p0[0], q0[1] - p0[1]
            t = (dx * sy - dy * sx) / det
            w = (dx * ry - dy * rx) / det
            if 0 <= t <= 1 and 0 <= w <= 1:
                gap = q0[2] + w * (q1[2] - q0[2]) - p0[2] - t * (p1[2] - p0[2])
                best = min(best, gap)
    return best


@kernel
def least_gap(lower, upper, low_x, low_y, cell, nx, ny):  # type: ignore[no-untyped-def]
    """Least vertical gap over all pairs of triangles; ``upper`` is binned by its box from above."""
    count = np.zeros(nx * ny + 1, np.int64)
    n = upper.shape[0]
    span = np.empty((n, 4), np.int64)
    for k in range(n):
        for axis, low, top in ((0, low_x, nx), (1, low_y, ny)):
            a = min(upper[k, 0, axis], upper[k, 1, axis], upper[k, 2, axis])
            b = max(upper[k, 0, axis], upper[k, 1, axis], upper[k, 2, axis])
            span[k, 2 * axis] = min(max(int((a - low) / cell), 0), top - 1)
            span[k, 2 * axis + 1] = min(max(int((b - low) / cell), 0), top - 1)
        for i in range(span[k, 0], span[k, 1] + 1):
            for j in range(span[k, 2], span[k, 3] + 1):
                count[i * ny + j + 1] += 1
    start = np.cumsum(count)
    fill = start[:-1].copy()
    items = np.empty(start[-1], np.int64)
    for k in range(n):
        for i in range(span[k, 0], span[k, 1] + 1):
            for j in range(span[k, 2], span[k, 3] + 1):
                items[fill[i * ny + j]] = k
                fill[i * ny + j] += 1
    under = np.empty(n)
    for k in range(n):
        under[k] = min(upper[k, 0, 2], upper[k, 1, 2], upper[k, 2, 2])
    best = np.inf
    for m in range(lower.shape[0]):
        a = lower[m]
        top = max(a[0, 2], a[1, 2], a[2, 2])
        x0, x1 = min(a[0, 0], a[1, 0], a[2, 0]), max(a[0, 0], a[1, 0], a[2, 0])
        y0, y1 = min(a[0, 1], a[1, 1], a[2, 1]), max(a[0, 1], a[1, 1], a[2, 1])
        i0, i1 = max(int(np.floor((x0 - low_x) / cell)), 0), min(int((x1 - low_x) / cell), nx - 1)
        j0, j1 = max(int(np.floor((y0 - low_y) / cell)), 0), min(int((y1 - low_y) / cell), ny - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                for at in range(start[i * ny + j], start[i * ny + j + 1]):
                    k = items[at]
                    if under[k] - top >= best:
                        continue
                    b = upper[k]
                    if (
                        min(b[0, 0], b[1, 0], b[2, 0]) > x1
                        or max(b[0, 0], b[1, 0], b[2, 0]) < x0
                        or min(b[0, 1], b[1, 1], b[2, 1]) > y1
                        or max(b[0, 1], b[1, 1], b[2, 1]) < y0
                    ):
                        continue
                    best = min(best, pair_gap(a, b))
    return best


def least_vertical_gap(
    lower_mm: FloatArray,
    lower_faces: NDArray[np.integer],
    upper_mm: FloatArray,
    upper_faces: NDArray[np.integer],
) -> float:
    """Least height of one surface above another over all vertical lines that meet both, mm.

    Notes
    -----
    Guarantee: exact up to rounding, over all pairs of triangles: the least difference of two
    planes over the overlap of two triangles lies at a corner or where two edges cross.
    A positive gap means that the surfaces do not touch. Infinite where no vertical line meets
    both. Source: derived here.
    """
    lower, upper = lower_mm[lower_faces], upper_mm[upper_faces]  # fresh, so contiguous
    low = upper_mm[:, :2].min(axis=0)
    extent = np.ptp(upper_mm[:, :2], axis=0)
    edge = float(np.median(np.ptp(upper[:, :, :2], axis=1)))
    cell = max(2.0 * edge, float(extent.max()) / 2000.0, 1e-9)
    nx, ny = (int(e / cell) + 1 for e in extent)
    return float(least_gap(lower, upper, low[0], low[1], cell, nx, ny))
