"""Clearance: of points, signed, from a cast's surface; and of an axis from the casts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding
from kinematics.base.kernel import kernel
from kinematics.casts.cast import Cast

NEAR_CONTACT_MM = 0.05
"""Clearance below which a tooth counts as in contact (ours; a thin foil is 0.008 to 0.04 mm)."""
CLEARANCE_LIMIT_MM = 3.0
"""Clearances are looked for up to here; farther is reported as infinite (ours)."""
LEAF_FACES = 4
"""Triangles in a leaf of the tree (ours)."""
MORTON_BITS = 10
"""Bits of each coordinate in the order of the triangles (ours; cells of a tenth of a mm)."""


@dataclass(frozen=True, eq=False)
class ClearanceSurface:
    """A cast's triangles in a tree of boxes, for many questions; made by :func:`surface_of`.

    Attributes
    ----------
    faces : ndarray of int64, shape (m,)
        Numbers of the cast's triangles in the tree's order; those without area are left out.
    corners, face_normals : ndarray, shape (m, 3, 3) and (m, 3)
    corner_normals, edge_normals : ndarray, shape (m, 3, 3)
        Angle-weighted normal of each corner, sum of both normals at each edge (i, i + 1).
    boxes : ndarray, shape (2 n - 1, 6), mm
        Boxes of an implicit binary tree: the children of node i are 2 i + 1 and 2 i + 2.

    Notes
    -----
    At the rim of an open surface, where inside and outside end, a normal is zero.
    """

    faces: NDArray[np.int64]
    corners: FloatArray
    face_normals: FloatArray
    corner_normals: FloatArray
    edge_normals: FloatArray
    boxes: FloatArray

    def clearance(
        self, points_mm: ArrayLike, limit_mm: float
    ) -> tuple[FloatArray, NDArray[np.int64]]:
        """Signed clearance of points and the nearest triangle of each.

        Parameters
        ----------
        points_mm : array_like, shape (n, 3), mm
            In the cast's frame.
        limit_mm : float
            Farther points, on either side, count as infinitely far.

        Returns
        -------
        ndarray, shape (n,), mm
            Positive outside, negative inside (through the surface), infinite beyond the limit.
        ndarray of int64, shape (n,)
            Triangle of the cast, -1 beyond the limit.

        Notes
        -----
        *Guarantee*: the distance is that to the nearest triangle, to rounding. The sign is
        right for a consistently oriented surface wherever the nearest point is not on its rim;
        there the clearance is positive. A point inside, but nearer to nothing than the limit,
        counts as far.
        *Source*: angle-weighted normals: Baerentzen & Aanaes, IEEE TVCG 2005;11:243 (from memory).
        """
        points = np.array(points_mm, dtype=np.float64, order="C").reshape(-1, 3)
        gap, nearest = np.empty(len(points)), np.empty(len(points), dtype=np.int64)
        signed_gaps(
            points, self.boxes, self.corners, self.face_normals, self.corner_normals,
            self.edge_normals, float(limit_mm), gap, nearest,
        )  # fmt: skip
        return gap, np.where(nearest >= 0, self.faces[nearest], -1)


def surface_of(cast: Cast) -> ClearanceSurface:
    """Prepare a cast."""
    vertices, same = np.unique(cast.vertices_mm, axis=0, return_inverse=True)
    faces = same.reshape(-1)[cast.faces]
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normals, axis=1)
    kept = np.flatnonzero(size > 0.0)
    kept = kept[morton_order(corners[kept].mean(axis=1))]
    faces, corners = faces[kept], corners[kept]
    normals = normals[kept] / size[kept, None]
    corner_normals, edge_normals = feature_normals(faces, corners, normals, len(vertices))
    return ClearanceSurface(
        kept, corners, normals, corner_normals, edge_normals, tree_boxes(corners)
    )


def morton_order(centres: FloatArray) -> NDArray[np.int64]:
    """Order of points along a Morton curve: neighbours in it are neighbours in space."""
    low, span = centres.min(axis=0), max(float(np.ptp(centres, axis=0).max()), 1e-12)
    cells = ((centres - low) / span * (2**MORTON_BITS - 1)).astype(np.int64)
    code = np.zeros(len(centres), dtype=np.int64)
    for bit in range(MORTON_BITS):
        for axis in range(3):
            code |= ((cells[:, axis] >> bit) & 1) << (3 * bit + axis)
    return np.argsort(code, kind="stable")


def tree_boxes(corners: FloatArray) -> FloatArray:
    """Boxes of every node of the implicit tree, lows then highs."""
    leaves = -(-len(corners) // LEAF_FACES)
    wide = 1 << max(leaves - 1, 0).bit_length()
    low = np.full((wide * LEAF_FACES, 3), np.inf)
    high = np.full((wide * LEAF_FACES, 3), -np.inf)
    low[: len(corners)], high[: len(corners)] = corners.min(axis=1), corners.max(axis=1)
    low = low.reshape(wide, LEAF_FACES, 3).min(axis=1)
    high = high.reshape(wide, LEAF_FACES, 3).max(axis=1)
    levels = [np.hstack([low, high])]
    while len(low) > 1:
        low = low.reshape(-1, 2, 3).min(axis=1)
        high = high.reshape(-1, 2, 3).max(axis=1)
        levels.append(np.hstack([low, high]))
    return np.vstack(levels[::-1])


def feature_normals(
    faces: NDArray[np.int64], corners: FloatArray, normals: FloatArray, n_vertices: int
) -> tuple[FloatArray, FloatArray]:
    """Normals of corners and edges; zero on the rim."""
    side = np.roll(corners, -1, axis=1) - corners
    side = side / np.linalg.norm(side, axis=2, keepdims=True)
    cosine = np.einsum("mij,mij->mi", side, -np.roll(side, 1, axis=1))
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    at_vertex = np.zeros((n_vertices, 3))
    for i in range(3):
        np.add.at(at_vertex, faces[:, i], angle[:, i, None] * normals)
    ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2), axis=1)
    edges, which, count = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    which = which.reshape(-1)
    at_edge = np.zeros((len(edges), 3))
    np.add.at(at_edge, which, np.repeat(normals, 3, axis=0))
    at_edge[count != 2] = 0.0
    at_vertex[edges[count != 2].ravel()] = 0.0
    return at_vertex[faces], at_edge[which].reshape(-1, 3, 3)


@kernel
def box_square(boxes, node, x, y, z):  # type: ignore[no-untyped-def]
    """Squared distance of a point and a node's box."""
    dx = max(boxes[node, 0] - x, x - boxes[node, 3], 0.0)
    dy = max(boxes[node, 1] - y, y - boxes[node, 4], 0.0)
    dz = max(boxes[node, 2] - z, z - boxes[node, 5], 0.0)
    return dx * dx + dy * dy + dz * dz


@kernel
def nearest_on_triangle(t, x, y, z):  # type: ignore[no-untyped-def]
    """Nearest point of a triangle: its weights of b and c, and its feature.

    Features: 0 to 2 the corners, 3 to 5 the edges (i, i + 1), 6 the face.
    """
    ax, ay, az = t[0, 0], t[0, 1], t[0, 2]
    abx, aby, abz = t[1, 0] - ax, t[1, 1] - ay, t[1, 2] - az
    acx, acy, acz = t[2, 0] - ax, t[2, 1] - ay, t[2, 2] - az
    px, py, pz = x - ax, y - ay, z - az
    d1 = abx * px + aby * py + abz * pz
    d2 = acx * px + acy * py + acz * pz
    if d1 <= 0.0 and d2 <= 0.0:
        return 0.0, 0.0, 0
    bb = abx * abx + aby * aby + abz * abz
    bc = abx * acx + aby * acy + abz * acz
    cc = acx * acx + acy * acy + acz * acz
    d3, d4 = d1 - bb, d2 - bc
    if d3 >= 0.0 and d4 <= d3:
        return 1.0, 0.0, 1
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        return d1 / (d1 - d3), 0.0, 3
    d5, d6 = d1 - bc, d2 - cc
    if d6 >= 0.0 and d5 <= d6:
        return 0.0, 1.0, 2
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        return 0.0, d2 / (d2 - d6), 5
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        w = (d4 - d3) / ((d4 - d3) + (d5 - d6))
        return 1.0 - w, w, 4
    whole = va + vb + vc
    return vb / whole, vc / whole, 6


@kernel
def signed_gaps(  # type: ignore[no-untyped-def]
    points, boxes, corners, face_normals, corner_normals, edge_normals, limit, gap, nearest
):
    """Signed distance of each point and its nearest triangle, nearest node first."""
    inner = len(boxes) // 2
    stack = np.empty(64, dtype=np.int64)
    for k in range(len(points)):
        x, y, z = points[k, 0], points[k, 1], points[k, 2]
        best, found, feature = limit * limit, -1, 6
        fx, fy, fz = 0.0, 0.0, 0.0
        top = 1
        stack[0] = 0
        while top > 0:
            top -= 1
            node = stack[top]
            if box_square(boxes, node, x, y, z) > best:
                continue
            if node < inner:
                one, two = 2 * node + 1, 2 * node + 2
                d1 = box_square(boxes, one, x, y, z)
                d2 = box_square(boxes, two, x, y, z)
                if d1 < d2:
                    one, two, d1, d2 = two, one, d2, d1
                if d1 <= best:
                    stack[top] = one
                    top += 1
                if d2 <= best:
                    stack[top] = two
                    top += 1
                continue
            first = (node - inner) * LEAF_FACES
            for f in range(first, min(first + LEAF_FACES, len(corners))):
                t = corners[f]
                v, w, at = nearest_on_triangle(t, x, y, z)
                u = 1.0 - v - w
                qx = u * t[0, 0] + v * t[1, 0] + w * t[2, 0]
                qy = u * t[0, 1] + v * t[1, 1] + w * t[2, 1]
                qz = u * t[0, 2] + v * t[1, 2] + w * t[2, 2]
                square = (x - qx) ** 2 + (y - qy) ** 2 + (z - qz) ** 2
                if square <= best:
                    best, found, feature = square, f, at
                    fx, fy, fz = qx, qy, qz
        nearest[k] = found
        if found < 0:
            gap[k] = math.inf
            continue
        if feature < 3:
            n = corner_normals[found, feature]
        elif feature < 6:
            n = edge_normals[found, feature - 3]
        else:
            n = face_normals[found]
        below = (x - fx) * n[0] + (y - fy) * n[1] + (z - fz) * n[2] < 0.0
        gap[k] = -math.sqrt(best) if below else math.sqrt(best)


NEAREST_AXIS_MM = 10.0
"""An axis closer than this to a cast is refused: no condyle lies so near the teeth (ours)."""
CELL_MM = 8.0
"""Edge of a cell (ours): a few hundred cells a cast."""


def axis_to_triangles_mm(axis: HingeAxis, corners: FloatArray) -> float:
    """Smallest distance of the (infinite) axis from triangles (m, 3, 3), mm; 0 if it cuts one.

    Notes
    -----
    *Guarantee*: exact up to rounding. Seen along the line, it is the distance of a point from
    plane triangles. *Source*: derived here.
    """
    side = np.eye(3)[np.argmin(np.abs(axis.direction))]
    e1 = np.cross(axis.direction, side)
    e1 /= np.linalg.norm(e1)
    flat = (corners - axis.midpoint_mm) @ np.column_stack([e1, np.cross(axis.direction, e1)])
    ahead = np.roll(flat, -1, axis=1)
    edge = ahead - flat
    length2 = np.maximum(np.einsum("mij,mij->mi", edge, edge), np.finfo(float).tiny)
    along = np.clip(-np.einsum("mij,mij->mi", flat, edge) / length2, 0.0, 1.0)
    nearest = np.linalg.norm(flat + along[..., None] * edge, axis=2).min(initial=np.inf)
    turn = flat[..., 0] * ahead[..., 1] - flat[..., 1] * ahead[..., 0]
    inside = (turn > 0.0).all(axis=1) | (turn < 0.0).all(axis=1)
    return 0.0 if inside.any() else float(nearest)


class CastClearance:
    """One cast's triangles in cells, each in an enclosing sphere; found once, asked for many axes.

    Parameters
    ----------
    cast : Cast
        In the frame of the axes.
    """

    def __init__(self, cast: Cast) -> None:
        self.cast = cast

    @cached_property
    def cells(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Triangles sorted by cell, and where each cell begins."""
        first = self.cast.vertices_mm[self.cast.faces[:, 0]]
        grid = np.floor((first - first.min(axis=0)) / CELL_MM).astype(np.int64)
        _, _, depth = grid.max(axis=0) + 1
        key = (grid[:, 0] * (grid[:, 1].max() + 1) + grid[:, 1]) * depth + grid[:, 2]
        order = np.argsort(key, kind="stable")
        starts = np.flatnonzero(np.diff(key[order], prepend=-1))
        return order, starts

    @cached_property
    def spheres(self) -> tuple[FloatArray, FloatArray]:
        """Centre (c, 3) and radius (c,) of a sphere about the triangles of each cell, mm."""
        order, starts = self.cells
        corners = self.cast.vertices_mm[self.cast.faces[order]]
        low = np.minimum.reduceat(corners.min(axis=1), starts)
        high = np.maximum.reduceat(corners.max(axis=1), starts)
        return 0.5 * (low + high), 0.5 * np.linalg.norm(high - low, axis=1)

    def nearer_than(self, axis: HingeAxis, limit_mm: float) -> float | None:
        """Distance of the (infinite) axis from the cast where it is below a limit, else None.

        Notes
        -----
        *Guarantee*: the answer of :func:`axis_to_triangles_mm` over all triangles (tested), of
        which only those of cells within reach are looked at.
        """
        if not len(self.cast.faces) or not np.isfinite(self.cast.vertices_mm).all():
            return None  # the checks of the mesh say what is wrong with it
        order, starts = self.cells
        centre, radius = self.spheres
        reach = np.flatnonzero(axis.distance_mm(centre) - radius < limit_mm)
        if not len(reach):
            return None
        ends = np.append(starts[1:], len(order))
        chosen = np.concatenate([order[starts[i] : ends[i]] for i in reach])
        near = axis_to_triangles_mm(axis, self.cast.vertices_mm[self.cast.faces[chosen]])
        return near if near < limit_mm else None


def axes_in_casts(
    casts: Iterable[CastClearance], axes: Iterable[tuple[str, HingeAxis]]
) -> list[Finding]:
    """Errors for axes that run through or too near a cast.

    Parameters
    ----------
    casts : iterable of CastClearance
    axes : iterable of (name, HingeAxis)
        The name is the case's table.
    """
    casts = tuple(casts)
    findings = []
    for name, axis in axes:
        for known in casts:
            near = known.nearer_than(axis, NEAREST_AXIS_MM)
            if near is not None:
                got = f"an axis {near:.3g} mm from the {known.cast.arch} cast, where at least "
                got += f"{NEAREST_AXIS_MM:g} mm are needed"
                fix = "Check the axis points, the mounting and the unit."
                findings.append(Finding("error", name, got, fix))
    return findings
