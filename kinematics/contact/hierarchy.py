"""A cast prepared for contact: welded vertices, owned features, a binary tree of discs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.errors import InputError
from kinematics.base.kernel import kernel

DISC_MM = 1e-9
"""Widening of every disc, mm: above the touching tolerance and all rounding (ours)."""
ROUNDS = (16, 8, 2)
"""Rounds towards the middle of the smallest disc: of up to 4, up to 64 and more faces (ours)."""
MAX_FACES = 2**27
"""Largest accepted number of triangles (node numbers are 32-bit)."""


@dataclass(frozen=True, eq=False)
class Hierarchy:
    """One cast's triangles with a tree of flat discs, leaf size one, in depth-first order.

    Attributes
    ----------
    vertices : ndarray, shape (n, 3), mm
        In the cast's own frame; vertices at exactly the same place are one.
    faces : ndarray of int32, shape (m, 3)
    owned : ndarray of uint8, shape (m,)
        Features that this face answers for: bits 0-2 its vertices, bits 3-5 its edges
        (i, i + 1). Each vertex and each edge has exactly one owner.
    discs : ndarray of float32, shape (2 m - 1, 8), mm
        A flat disc around each node: centre, unit normal, half thickness, radius. Every point
        of the node's faces lies within the half thickness of the disc's plane and, along the
        plane, within the radius of its centre.
    right : ndarray of int32, shape (2 m - 1,)
        Right child (the left one is the next node), or ``-1 - face`` at a leaf.
    """

    vertices: FloatArray
    faces: NDArray[np.int32]
    owned: NDArray[np.uint8]
    discs: NDArray[np.float32]
    right: NDArray[np.int32]

    @property
    def arrays(self) -> tuple[NDArray, NDArray, NDArray, NDArray, NDArray]:
        """The five arrays, as the kernels take them."""
        return self.vertices, self.faces, self.owned, self.discs, self.right


def build_hierarchy(vertices: ArrayLike, faces: ArrayLike, where: str) -> Hierarchy:
    """Prepare one cast.

    Parameters
    ----------
    vertices : array_like, shape (n, 3), mm
    faces : array_like of int, shape (m, 3)
    where : str
        Name of the cast in errors.

    Raises
    ------
    InputError
        No triangle, a vertex number out of range or not whole, or a coordinate that is not finite.

    Notes
    -----
    Median split along the longest side of the box of the triangles' centres: the depth is
    ``ceil(log2 m)``, without recursion. *Source*: derived here; one owner a feature after
    "representative triangles" (Curtis, Tamstorf and Manocha 2008, from memory).
    """
    v = np.ascontiguousarray(vertices, dtype=np.float64)
    f = np.ascontiguousarray(faces)
    if f.ndim != 2 or f.shape[1] != 3 or len(f) == 0 or v.ndim != 2 or v.shape[1] != 3:
        need = "vertices (n, 3) and at least one face (m, 3)"
        fix = "Check that the mesh file holds triangles."
        raise InputError(where, f"vertices {v.shape} and faces {f.shape}", need, fix)
    if f.dtype.kind not in "iu":  # NaN among numbers with a fraction would pass for any vertex
        raise InputError(where, f"faces of {f.dtype}", "whole numbers", "Give vertex numbers.")
    if len(f) > MAX_FACES:
        raise InputError(where, f"{len(f)} faces", f"at most {MAX_FACES}", "Decimate the mesh.")
    if f.min() < 0 or f.max() >= len(v):
        got, need = f"vertex numbers {f.min()} to {f.max()}", f"0 to {len(v) - 1}"
        fix = "The faces name vertices that do not exist; export the mesh again."
        raise InputError(where, got, need, fix)
    if not np.isfinite(v).all():
        raise InputError(where, "NaN or infinity", "finite coordinates in mm", "Repair the mesh.")
    f = np.ascontiguousarray(f, dtype=np.int32)
    welded = v + 0.0  # -0.0 and 0.0 are the same place
    f = _first_of_equal(welded)[f]  # vertices at exactly the same place are one
    owned = _owners(f, len(welded))
    discs = np.empty((2 * len(f) - 1, 8), dtype=np.float32)
    right = np.empty(2 * len(f) - 1, dtype=np.int32)
    _build(welded, f, discs, right)
    return Hierarchy(*(frozen(a, a.dtype, copy=False) for a in (welded, f, owned, discs, right)))


@kernel
def _first_of_equal(v):  # type: ignore[no-untyped-def]
    """Number of the first vertex at each vertex's place, by open addressing."""
    n = len(v)
    bits = v.view(np.uint64)
    size = 1
    while size < 2 * n:
        size *= 2
    table = np.full(size, -1, dtype=np.int32)
    first = np.empty(n, dtype=np.int32)
    mask = np.uint64(size - 1)
    for i in range(n):
        h = bits[i, 0] * np.uint64(0x9E3779B97F4A7C15)
        h = (h ^ (h >> np.uint64(29)) ^ bits[i, 1]) * np.uint64(0xBF58476D1CE4E5B9)
        h = (h ^ (h >> np.uint64(32)) ^ bits[i, 2]) * np.uint64(0x94D049BB133111EB)
        k = (h ^ (h >> np.uint64(31))) & mask
        while True:
            j = table[k]
            if j < 0:
                table[k] = i
                first[i] = i
                break
            if v[j, 0] == v[i, 0] and v[j, 1] == v[i, 1] and v[j, 2] == v[i, 2]:
                first[i] = j
                break
            k = (k + np.uint64(1)) & mask
    return first


@kernel
def _owners(faces, n_vertices):  # type: ignore[no-untyped-def]
    """Bits of the features each face owns: the first face that has them."""
    m = len(faces)
    owned = np.zeros(m, dtype=np.uint8)
    seen = np.zeros(n_vertices, dtype=np.uint8)
    size = 1
    while size < 6 * m:
        size *= 2
    table = np.full(size, -1, dtype=np.int64)
    mask = np.uint64(size - 1)
    for i in range(m):
        for j in range(3):
            a, b = faces[i, j], faces[i, (j + 1) % 3]
            if seen[a] == 0:
                seen[a] = 1
                owned[i] |= 1 << j
            if a == b:
                if j == 0 and a == faces[i, 2]:
                    owned[i] |= 8  # a face shrunk to a point keeps one edge of no length
                continue
            lo, hi = min(a, b), max(a, b)
            key = np.int64(lo) << 32 | np.int64(hi)
            h = np.uint64(key) * np.uint64(0x9E3779B97F4A7C15)
            k = (h ^ (h >> np.uint64(32))) & mask
            while table[k] >= 0 and table[k] != key:
                k = (k + np.uint64(1)) & mask
            if table[k] < 0:
                table[k] = key
                owned[i] |= 8 << j
    return owned


@kernel
def _select(order, value, lo, hi, mid):  # type: ignore[no-untyped-def]
    """Partition order[lo:hi] so that value is not larger before mid than from it on."""
    hi -= 1
    while lo < hi:
        pivot = value[order[(lo + hi) // 2]]
        i, j = lo, hi
        while i <= j:
            while value[order[i]] < pivot:
                i += 1
            while value[order[j]] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if mid <= j:
            hi = j
        elif mid >= i:
            lo = i
        else:
            return


@kernel
def _middle(a, b, c):  # type: ignore[no-untyped-def]
    """Centre of the smallest circle around a triangle."""
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    uu, uv, vv = (
        ux * ux + uy * uy + uz * uz,
        ux * vx + uy * vy + uz * vz,
        vx * vx + vy * vy + vz * vz,
    )
    if uv <= 0.0:
        s, t = 0.5, 0.5
    elif uu <= uv:
        s, t = 0.0, 0.5
    elif vv <= uv:
        s, t = 0.5, 0.0
    else:
        double = 2.0 * (uu * vv - uv * uv)
        s, t = vv * (uu - uv), uu * (vv - uv)
        s, t = (s / double, t / double) if double > 0.0 else (0.5, 0.5)  # squares may vanish
    return a[0] + s * ux + t * vx, a[1] + s * uy + t * vy, a[2] + s * uz + t * vz


@kernel
def _centred(vertices, faces, order, lo, hi, n, centre, rounds):  # type: ignore[no-untyped-def]
    """Move a disc's centre along its plane towards that of the smallest disc.

    Each round goes towards the farthest point, ever less (Badoiu and Clarkson 2003, from memory);
    the best centre met is returned.
    """
    x, y, z = centre
    smallest = np.inf
    for turn in range(rounds + 1):
        far, ex, ey, ez = -1.0, 0.0, 0.0, 0.0
        for i in range(lo, hi):
            for k in range(3):
                p = vertices[faces[order[i], k]]
                dx, dy, dz = p[0] - x, p[1] - y, p[2] - z
                d = n[0] * dx + n[1] * dy + n[2] * dz
                dx, dy, dz = dx - d * n[0], dy - d * n[1], dz - d * n[2]
                d = dx * dx + dy * dy + dz * dz
                if d > far:
                    far, ex, ey, ez = d, dx, dy, dz
        if far < smallest:
            smallest, centre = far, (x, y, z)
        step = 1.0 / (turn + 2.0)
        x, y, z = x + step * ex, y + step * ey, z + step * ez
    return centre


@kernel
def _disc(vertices, faces, order, lo, hi, disc):  # type: ignore[no-untyped-def]
    """Fill ``disc`` with a flat disc around the faces order[lo:hi] (see ``Hierarchy.discs``)."""
    nx, ny, nz = 0.0, 0.0, 0.0
    x0, y0, z0, x1, y1, z1 = np.inf, np.inf, np.inf, -np.inf, -np.inf, -np.inf
    for i in range(lo, hi):
        f = order[i]
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        mx, my, mz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        if mx * nx + my * ny + mz * nz < 0.0:  # either side serves
            mx, my, mz = -mx, -my, -mz
        nx, ny, nz = nx + mx, ny + my, nz + mz
        x0, x1 = min(x0, a[0], b[0], c[0]), max(x1, a[0], b[0], c[0])
        y0, y1 = min(y0, a[1], b[1], c[1]), max(y1, a[1], b[1], c[1])
        z0, z1 = min(z0, a[2], b[2], c[2]), max(z1, a[2], b[2], c[2])
    size = math.sqrt(nx * nx + ny * ny + nz * nz)
    if size > 1e-30:
        nx, ny, nz = nx / size, ny / size, nz / size
    else:
        nx, ny, nz = 0.0, 0.0, 1.0
    cx, cy, cz = 0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.5 * (z0 + z1)
    least, most = np.inf, -np.inf
    for i in range(lo, hi):
        for k in range(3):
            p = vertices[faces[order[i], k]]
            d = nx * (p[0] - cx) + ny * (p[1] - cy) + nz * (p[2] - cz)
            least, most = min(least, d), max(most, d)
    shift = 0.5 * (least + most)
    n = (nx, ny, nz)
    centre = (cx + shift * nx, cy + shift * ny, cz + shift * nz)
    if hi - lo == 1:
        f = order[lo]
        centre = _middle(vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]])
    else:
        rounds = ROUNDS[0] if hi - lo <= 4 else (ROUNDS[1] if hi - lo <= 64 else ROUNDS[2])
        centre = _centred(vertices, faces, order, lo, hi, n, centre, rounds)
    disc[0], disc[1], disc[2] = centre
    disc[3], disc[4], disc[5] = nx, ny, nz
    # Measured from the rounded centre and normal, so that rounding only widens the disc.
    cx, cy, cz = float(disc[0]), float(disc[1]), float(disc[2])
    nx, ny, nz = float(disc[3]), float(disc[4]), float(disc[5])
    thick, wide = 0.0, 0.0
    for i in range(lo, hi):
        for k in range(3):
            p = vertices[faces[order[i], k]]
            dx, dy, dz = p[0] - cx, p[1] - cy, p[2] - cz
            d = nx * dx + ny * dy + nz * dz
            thick = max(thick, abs(d))
            dx, dy, dz = dx - d * nx, dy - d * ny, dz - d * nz
            wide = max(wide, dx * dx + dy * dy + dz * dz)
    disc[6] = thick * (1.0 + 1e-6) + DISC_MM
    disc[7] = math.sqrt(wide) * (1.0 + 1e-6) + DISC_MM


@kernel
def _build(vertices, faces, discs, right):  # type: ignore[no-untyped-def]
    """Fill the tree, top-down with a stack."""
    m = len(faces)
    centres = np.empty((3, m), dtype=np.float32)
    for i in range(m):
        for k in range(3):
            a = vertices[faces[i, 0], k]
            b = vertices[faces[i, 1], k]
            c = vertices[faces[i, 2], k]
            centres[k, i] = min(a, b, c) + max(a, b, c)
    order = np.arange(m).astype(np.int32)
    stack = np.empty((128, 3), dtype=np.int64)
    stack[0, 0], stack[0, 1], stack[0, 2] = 0, 0, m
    top = 1
    low, high = np.empty(3), np.empty(3)
    while top > 0:
        top -= 1
        node, lo, hi = stack[top, 0], stack[top, 1], stack[top, 2]
        _disc(vertices, faces, order, lo, hi, discs[node])
        if hi - lo == 1:
            right[node] = -1 - order[lo]
            continue
        axis, longest = 0, -1.0
        for k in range(3):
            low[k], high[k] = np.inf, -np.inf
        for i in range(lo, hi):
            for k in range(3):
                x = float(centres[k, order[i]])
                low[k] = min(low[k], x)
                high[k] = max(high[k], x)
        for k in range(3):
            if high[k] - low[k] > longest:
                axis, longest = k, high[k] - low[k]
        mid = (lo + hi) // 2
        _select(order, centres[axis], lo, hi, mid)
        right[node] = node + 2 * (mid - lo)
        stack[top, 0], stack[top, 1], stack[top, 2] = right[node], mid, hi
        stack[top + 1, 0], stack[top + 1, 1], stack[top + 1, 2] = node + 1, lo, mid
        top += 2
