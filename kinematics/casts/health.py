"""Mesh health: what is wrong with a cast's mesh, or with a pair of casts, and what to do."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import Finding
from kinematics.casts.cast import Cast

DEGENERATE_AREA_MM2 = 1e-10
"""Triangles smaller than this have no usable normal (ours; 1e-5 mm squared)."""
NEARLY_CLOSED = 0.02
"""Share of boundary edges up to which the sign of the volume still tells in from out (ours)."""
FAR_APART_MM = 30.0
"""Vertical gap between two arches beyond which they hardly are one bite (ours)."""
BESIDE_MM = 20.0
"""Horizontal distance of the two arches' middles beyond which frames hardly agree (ours)."""


@dataclass(frozen=True)
class MeshHealth:
    """Counts that describe a cast's mesh.

    Attributes
    ----------
    arch, source : str
    n_vertices, n_faces : int
    pieces : int
        Groups of faces that hang together by their vertices.
    boundary_edges, holes : int
        Edges with one face only; closed or open chains of them.
    nonmanifold_edges : int
        Edges with three faces or more.
    inverted_faces : int
        Faces wound against the majority of their piece; all faces of a piece inside out.
    degenerate_faces, duplicate_faces : int
    nonfinite_vertices : int
    watertight : bool
        Every edge has exactly two faces, wound in opposite directions.
    mean_edge_mm : float
    low_mm, high_mm : tuple of float
        Bounding box of the finite vertices.
    """

    arch: str
    source: str
    n_vertices: int
    n_faces: int
    pieces: int
    boundary_edges: int
    holes: int
    nonmanifold_edges: int
    inverted_faces: int
    degenerate_faces: int
    duplicate_faces: int
    nonfinite_vertices: int
    watertight: bool
    mean_edge_mm: float
    low_mm: tuple[float, float, float]
    high_mm: tuple[float, float, float]


def check_cast(cast: Cast) -> MeshHealth:
    """Count what is wrong with a mesh; nothing is repaired.

    Parameters
    ----------
    cast : Cast
        Any mesh, also an empty one or one with non-finite vertices.
    """
    v, f = cast.vertices_mm, cast.faces.astype(np.int64)
    finite: NDArray[np.bool_] = np.all(np.isfinite(v), axis=1)
    box = v[finite] if finite.any() else np.zeros((1, 3))
    safe = np.where(finite[:, None], v, 0.0)
    start, stop = f.ravel(), f[:, [1, 2, 0]].ravel()
    key = np.minimum(start, stop) * (len(v) + 1) + np.maximum(start, stop)
    order = np.argsort(key, kind="stable")
    key, forward, owner = key[order], (start < stop)[order], order // 3
    first = np.flatnonzero(np.diff(key, prepend=-1))
    count = np.diff(np.append(first, len(key)))
    ends = np.stack([key // (len(v) + 1), key % (len(v) + 1)], axis=1)[first]
    lengths = np.linalg.norm(safe[ends[:, 0]] - safe[ends[:, 1]], axis=1)
    two = first[count == 2]
    same_way = forward[two] == forward[two + 1]
    boundary = ends[count == 1]
    share = len(boundary) / max(len(ends), 1)
    (x0, y0, z0), (x1, y1, z1) = box.min(axis=0).tolist(), box.max(axis=0).tolist()
    return MeshHealth(
        arch=cast.arch,
        source=cast.source,
        n_vertices=len(v),
        n_faces=len(f),
        pieces=count_groups(f[:, [0, 1, 1, 2]].reshape(-1, 2), len(v)),
        boundary_edges=len(boundary),
        holes=count_groups(boundary, len(v)),
        nonmanifold_edges=int((count > 2).sum()),
        inverted_faces=count_inverted(safe, f, owner[two], owner[two + 1], same_way, share),
        degenerate_faces=int((triangle_areas(safe, f) < DEGENERATE_AREA_MM2).sum()),
        duplicate_faces=len(f) - len(np.unique(np.sort(f, axis=1), axis=0)),
        nonfinite_vertices=int((~finite).sum()),
        watertight=bool(len(f) and (count == 2).all() and not same_way.any()),
        mean_edge_mm=float(lengths.mean()) if len(lengths) else 0.0,
        low_mm=(x0, y0, z0),
        high_mm=(x1, y1, z1),
    )


def triangle_areas(v: FloatArray, f: NDArray[np.int64]) -> FloatArray:
    """Areas of triangles f of vertices v, shape (m,)."""
    a, b, c = v[f[:, 0]], v[f[:, 1]], v[f[:, 2]]
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def count_groups(edges: NDArray[np.int64], n: int) -> int:
    """Count the connected groups among the vertices that ``edges`` name."""
    if not len(edges):
        return 0
    graph = coo_array((np.ones(len(edges), bool), (edges[:, 0], edges[:, 1])), shape=(n, n))
    labels = connected_components(graph, directed=False)[1]
    return len(np.unique(labels[edges[:, 0]]))


def count_inverted(
    v: FloatArray,
    f: NDArray[np.int64],
    left: NDArray[np.int64],
    right: NDArray[np.int64],
    same_way: NDArray[np.bool_],
    boundary_share: float,
) -> int:
    """Count faces wound against their piece, and all faces of a piece that is inside out.

    Notes
    -----
    Every face has two states; a shared edge ties equal states together where the faces agree and
    opposite states where they do not. The groups of that double graph give each face its side.
    Source: orientation double cover, derived here.
    """
    n = len(f)
    if not n:
        return 0
    other = np.where(same_way, n, 0)
    rows = np.concatenate([left, left + n])
    columns = np.concatenate([right + other, (right + n + other) % (2 * n)])
    graph = coo_array((np.ones(len(rows), bool), (rows, columns)), shape=(2 * n, 2 * n))
    labels = connected_components(graph, directed=False)[1]
    twin = np.minimum(labels[:n], labels[n:])
    flipped = labels[:n] != twin
    _, piece = np.unique(twin, return_inverse=True)
    pieces = int(piece.max()) + 1
    size = np.bincount(piece, minlength=pieces)
    wrong = np.bincount(piece, weights=flipped, minlength=pieces).astype(np.int64)
    flipped ^= (2 * wrong > size)[piece]
    wrong = np.minimum(wrong, size - wrong)
    if boundary_share <= NEARLY_CLOSED:
        centre = 0.5 * (v.min(axis=0) + v.max(axis=0))
        a, b, c = (v[f[:, k]] - centre for k in range(3))
        volume = np.einsum("ij,ij->i", a, np.cross(b, c)) * np.where(flipped, -1.0, 1.0)
        inside_out = np.bincount(piece, weights=volume, minlength=pieces) < 0
        wrong = np.where(inside_out, size - wrong, wrong)
    return int(wrong.sum())


def findings(health: MeshHealth) -> list[Finding]:
    """Say what is wrong with a mesh and what to do; errors first.

    Notes
    -----
    Guarantee: at least one finding of level ``error`` where the mesh cannot be used (no
    triangles, one triangle, only degenerate triangles, non-finite coordinates).
    """
    where = health.source or f"{health.arch} cast"
    edges, triangles = health.boundary_edges, health.n_faces
    unusable = (
        (health.nonfinite_vertices,
         f"{health.nonfinite_vertices} vertices are not finite numbers (NaN or infinite)",
         "Export the scan again; do not use this file."),
        (triangles == 0, "the mesh has no triangles", "Export a surface, not a cloud of points."),
        (triangles == 1, "the mesh is a single triangle", "Export the scan of the whole arch."),
        (health.degenerate_faces == triangles > 1,
         "every triangle has zero area", "Export the scan of the whole arch."),
    )  # fmt: skip
    doubtful = (
        (0 < health.degenerate_faces < triangles,
         f"{health.degenerate_faces} triangles have zero area and are left out of contact",
         "Harmless in small numbers; otherwise clean the mesh in the scanning software."),
        (health.duplicate_faces, f"{health.duplicate_faces} triangles are stored twice",
         "Remove duplicate faces in the scanning software."),
        (health.nonmanifold_edges,
         f"{health.nonmanifold_edges} edges join three triangles or more",
         "Look for folds or inner walls near the teeth; clean the mesh."),
        (health.inverted_faces,
         f"{health.inverted_faces} of {triangles} triangles face inwards",
         "Make the orientation consistent; high and open may be swapped there."),
        (health.pieces > 1, f"the mesh falls into {health.pieces} pieces",
         "Remove scanning debris, or merge coincident vertices if the pieces touch."),
        (edges and triangles > 1,
         f"the surface is open: {health.holes} holes or borders, {edges} edges",
         "Check that no hole lies on an occlusal surface; a border at the base is harmless."),
    )  # fmt: skip
    out = [Finding("error", where, got, fix) for wrong, got, fix in unusable if wrong]
    return out + [Finding("warning", where, got, fix) for wrong, got, fix in doubtful if wrong]


def check_pair(upper: Cast, lower: Cast, up_hint: ArrayLike = (0.0, 0.0, 1.0)) -> list[Finding]:
    """Check that two casts lie over each other as a bite, upper above lower.

    Parameters
    ----------
    upper, lower : Cast
        In one frame.
    up_hint : array_like, shape (3,)
        Superior direction in that frame; +z in ``axis_orbital``.

    Notes
    -----
    Guarantee: two casts of which the one called upper has its surface's middle below the other's
    give an error. The middle is area-weighted, so density of the triangles does not matter.
    """
    up = np.asarray(up_hint, dtype=np.float64)
    up = up / np.linalg.norm(up)
    height_upper, middle_upper = heights_and_middle(upper, up)
    height_lower, middle_lower = heights_and_middle(lower, up)
    if not len(height_upper) or not len(height_lower):
        return []
    apart = middle_upper - middle_lower
    rise = float(apart @ up)
    beside = float(np.linalg.norm(apart - rise * up))
    gap = float(height_upper.min() - height_lower.max())
    pair, out = "casts.upper, casts.lower", []
    exchange = "Exchange the two files, or the left and right points of the mounting"
    if has_own_teeth(upper) and has_own_teeth(lower):
        exchange = (
            "The tooth numbers fit the files: exchange the left and right points of the mounting"
        )
    if rise <= 0:
        got = f"the upper cast lies {-rise:.1f} mm below the lower one (mean of their surfaces)"
        fix = f"{exchange}, or correct the mounting so that z points upwards."
        out.append(Finding("error", pair, got, fix))
    for cast in (upper, lower):
        out += check_teeth_of(cast, up, exchange)
    same_bite = "Check that both scans are in the frame of one bite"
    if rise > 0 and gap > FAR_APART_MM:
        got = f"the arches are {gap:.0f} mm apart"
        out.append(Finding("warning", pair, got, f"{same_bite}, and their unit."))
    if beside > BESIDE_MM:
        got = f"the arches do not lie over each other ({beside:.0f} mm sideways)"
        out.append(Finding("warning", pair, got, f"{same_bite}."))
    return out


def check_teeth_of(cast: Cast, up: FloatArray, exchange: str) -> list[Finding]:
    """Check that a partly labelled cast's teeth face the other arch, with numbers of its own."""
    tooth = cast.tooth > 0
    if not tooth.any() or tooth.all():
        return []
    where, out = cast.source or f"{cast.arch} cast", []
    z = cast.vertices_mm @ up
    above = float(z[tooth].mean()) - float(z[~tooth].mean())
    if (above > 0) if cast.arch == "upper" else (above < 0):
        got = f"the teeth of the {cast.arch} cast point away from the other arch"
        fix = f"{exchange}, or correct the mounting (upside down?)."
        out.append(Finding("error", where, got, fix))
    if not has_own_teeth(cast):
        got = f"the {cast.arch} cast carries tooth numbers of the other arch"
        fix = "Exchange the two files, or correct the labels."
        out.append(Finding("error", where, got, fix))
    return out


def has_own_teeth(cast: Cast) -> bool:
    """Whether a cast has tooth numbers, and only those of its arch."""
    quadrants = np.unique(cast.tooth[cast.tooth > 0] // 10)
    expected = (1, 2, 5, 6) if cast.arch == "upper" else (3, 4, 7, 8)
    return bool(len(quadrants) and np.isin(quadrants, expected).all())


def heights_and_middle(cast: Cast, up: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heights of the corners of all finite triangles, and the surface's area-weighted middle.

    No heights where no triangle has an area.
    """
    finite: NDArray[np.bool_] = np.all(np.isfinite(cast.vertices_mm), axis=1)
    v = np.where(finite[:, None], cast.vertices_mm, 0.0)
    f = cast.faces[finite[cast.faces].all(axis=1)].astype(np.int64)
    weight = triangle_areas(v, f)
    if not weight.sum() > 0:
        return np.zeros(0), np.zeros(3)
    centre = v[f].mean(axis=1)
    return v[f].reshape(-1, 3) @ up, (centre * weight[:, None]).sum(axis=0) / weight.sum()
