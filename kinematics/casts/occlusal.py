"""Occlusal surfaces: vertices that face the other arch, normals, tooth numbers, landmarks."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import ConvexHull, cKDTree

from kinematics.base.arrays import FloatArray
from kinematics.base.teeth import tooth_side
from kinematics.casts.cast import Cast

FACING = 0.3
"""Least cosine between a vertex normal and the direction of the other arch (ours; 72 degrees)."""
HULL_FACING = 0.9
"""Least such cosine of a hull facet on which the cast would rest on a table (ours; 26 degrees)."""
REST_DEPTH_MM = 4.5
"""How far below the resting surface an unlabelled vertex still counts as occlusal (ours).

Cusps reach 2 to 3 mm above their fossae and the curve of Spee adds 1 to 2 mm; gingiva, palate
and floor lie 6 mm or more below."""
TIP_DROP_MM = 1.0
"""A summit this far below the highest point of its part is no cusp tip (ours)."""
TIP_RADIUS_MM = 1.2
"""A cusp tip is the highest vertex within this distance (ours; half the distance of tips)."""
REACH_MM = 3.0
"""A point farther than this from every labelled vertex belongs to no tooth (ours)."""


def vertex_normals(cast: Cast) -> FloatArray:
    """Area-weighted outward unit normal of each vertex, shape (n, 3).

    Zero where a vertex has no triangle of positive area.
    """
    v, f = cast.vertices_mm, cast.faces
    a = v[f[:, 0]]
    face = np.cross(v[f[:, 1]] - a, v[f[:, 2]] - a)
    total = np.empty_like(v)
    for k in range(3):
        weights = np.repeat(face[:, k], 3)
        total[:, k] = np.bincount(f.ravel(), weights=weights, minlength=len(v))
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return np.divide(total, length, out=np.zeros_like(total), where=length > 0)


def towards_other_arch(cast: Cast, up: ArrayLike) -> FloatArray:
    """Unit vector from a cast to the other arch."""
    direction = np.asarray(up, dtype=np.float64)
    direction = direction / np.linalg.norm(direction)
    return direction if cast.arch == "lower" else -direction


def occlusal_vertices(cast: Cast, up: ArrayLike = (0.0, 0.0, 1.0)) -> NDArray[np.int64]:
    """Indices of the vertices on surfaces that can meet the other arch.

    Parameters
    ----------
    cast : Cast
    up : array_like, shape (3,)
        Superior direction in the cast's frame; +z in ``axis_orbital``.

    Returns
    -------
    ndarray of int64, ascending
        Empty only where no vertex faces the other arch.

    Notes
    -----
    Guarantee: every vertex returned has a normal within 72 degrees of the direction of the other
    arch; on a labelled cast it also belongs to a tooth.
    On an unlabelled cast it lies within 4.5 mm of the surface on which the cast, turned over,
    would rest on a table: the upper envelope of the facets of its convex hull that face the table
    within 26 degrees. That leaves out palate, floor, gingiva and base without knowing where the
    teeth are. Source: derived here; looked at on two real pairs of scans.
    """
    direction = towards_other_arch(cast, up)
    facing = vertex_normals(cast) @ direction > FACING
    if cast.labelled:
        return np.flatnonzero(facing & (cast.tooth > 0))
    v = cast.vertices_mm
    used = np.unique(cast.faces)
    if len(used) < 4 or np.ptp(v[used] @ direction) == 0:
        return np.flatnonzero(facing)
    hull = ConvexHull(v[used], qhull_options="QJ")
    slope = hull.equations[:, :3] @ direction
    planes = np.unique(hull.equations[slope > HULL_FACING].round(9), axis=0)
    chosen = np.flatnonzero(facing)
    if not len(planes):
        return chosen
    depth = np.full(len(chosen), np.inf)
    for plane in planes:
        # Distance down to the vertex from the facet, measured along the direction.
        below = -(v[chosen] @ plane[:3] + plane[3]) / (plane[:3] @ direction)
        np.minimum(depth, below, out=depth)
    return chosen[depth <= REST_DEPTH_MM]


def nearest_tooth(cast: Cast, points: ArrayLike) -> NDArray[np.int16]:
    """ISO 3950 number of the tooth at each point, shape (n,) for points (n, 3), mm.

    Taken from the nearest labelled vertex; 0 on an unlabelled cast or farther than 3 mm.
    """
    query = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    labelled = np.flatnonzero(cast.tooth > 0)
    if not len(labelled) or not len(query):
        return np.zeros(len(query), np.int16)
    distance, index = cKDTree(cast.vertices_mm[labelled]).query(query)
    found = cast.tooth[labelled[index]]
    return np.where(distance <= REACH_MM, found, 0).astype(np.int16)


def automatic_landmarks(
    lower: Cast, up: ArrayLike = (0.0, 0.0, 1.0)
) -> list[tuple[str, int, FloatArray]]:
    """Find cusps, incisal edges, fossae and the incisal point of a labelled lower cast.

    Parameters
    ----------
    lower : Cast
        Labelled with ISO 3950 numbers; the upper cast works too.
    up : array_like, shape (3,)
        Superior direction in the cast's frame.

    Returns
    -------
    list of (name, tooth, point_mm)
        In tooth order, all on vertices of the cast except ``incisal point`` (tooth 0), the middle
        of the two central incisal edges. Empty on an unlabelled cast.

    Notes
    -----
    Every tooth is looked at in its own directions: towards the other arch, mesiodistal along
    the arch (from its neighbours), and buccal away from the arch's middle (where teeth of one side
    only are left, by that side). A cusp is the highest
    vertex of its part of the crown, a fossa the lowest of the middle third of the table.
    Source: derived here.
    """
    direction = towards_other_arch(lower, up)
    chosen = occlusal_vertices(lower, up) if lower.labelled else np.zeros(0, np.int64)
    numbers = [int(t) for t in np.unique(lower.tooth[chosen]) if t % 10 <= 7 and t < 50]
    where = {t: chosen[lower.tooth[chosen] == t] for t in numbers}
    centre = {t: lower.vertices_mm[where[t]].mean(axis=0) for t in numbers}
    if not numbers:
        return []
    middle = np.mean(list(centre.values()), axis=0)
    one_side = len({tooth_side(t) for t in numbers}) == 1
    out: list[tuple[str, int, FloatArray]] = []
    for t in numbers:
        mesial = mesial_direction(t, centre, middle, direction)
        points = lower.vertices_mm[where[t]]
        if len(points) < 8 or not np.linalg.norm(mesial) > 0:
            continue
        buccal = np.cross(mesial, direction)
        if one_side:
            outwards = (tooth_side(t) > 0) != (lower.arch == "lower")
        else:
            outwards = bool(buccal @ (centre[t] - middle) >= 0)
        buccal = buccal if outwards else -buccal
        out.extend(
            (f"{t} {n}", t, p) for n, p in crown_landmarks(t, points, mesial, buccal, direction)
        )
    edges = {t: p for name, t, p in out if name.endswith("incisal edge")}
    for right, left in ((41, 31), (11, 21)):
        if right in edges and left in edges:
            out.append(("incisal point", 0, 0.5 * (edges[right] + edges[left])))
    return out


def mesial_direction(
    tooth: int, centre: dict[int, FloatArray], middle: FloatArray, direction: FloatArray
) -> FloatArray:
    """Unit vector along the arch towards the midline, square to ``direction``; zero if unknown."""
    quadrant, place = divmod(tooth, 10)
    before = tooth - 1 if place > 1 else {1: 21, 2: 11, 3: 41, 4: 31}[quadrant]
    line = centre.get(before, centre[tooth]) - centre.get(tooth + 1, centre[tooth])
    line = line - (line @ direction) * direction
    length = np.linalg.norm(line)
    return line / length if length > 0 else np.zeros(3)


def crown_landmarks(
    tooth: int, points: FloatArray, mesial: FloatArray, buccal: FloatArray, direction: FloatArray
) -> list[tuple[str, FloatArray]]:
    """Name the landmarks of one crown."""
    height = points @ direction
    along, across = points @ mesial, points @ buccal
    place = tooth % 10
    if place <= 2:
        top = along[height > height.max() - 1.0]
        near = np.argsort(np.abs(along - 0.5 * (top.min() + top.max())))[: max(3, len(points) // 6)]
        return [("incisal edge", points[near[np.argmax(height[near])]])]
    if place == 3:
        return [("cusp tip", points[np.argmax(height)])]
    low, high = np.percentile(along, [5, 95])
    inner, outer = np.percentile(across, [5, 95])
    u = (along - 0.5 * (low + high)) / (high - low)
    w = (across - 0.5 * (inner + outer)) / (outer - inner)
    lingual = "palatal" if tooth < 30 else "lingual"
    parts: dict[str, NDArray[np.bool_]]
    if place <= 5:
        parts = {"buccal": w > 0.05, lingual: w < -0.15}
    elif tooth in (36, 46):  # three buccal cusps
        parts = {
            "mesiobuccal": (u > 0.1) & (w > 0.05),
            "distobuccal": (np.abs(u + 0.1) < 0.15) & (w > 0.05),
            "distal": (u < -0.25) & (w > -0.15),
            f"mesio{lingual}": (u > 0.05) & (w < -0.05),
            f"disto{lingual}": (u < -0.05) & (w < -0.15),
        }
    else:
        halves = {"mesio": u > 0.05, "disto": u < -0.05}
        sides = {"buccal": w > 0.05, lingual: w < -0.05}
        parts = {a + b: half & side for b, side in sides.items() for a, half in halves.items()}
    # A tip is higher than all around it; the edge of a part may be higher still, on a slope.
    around = cKDTree(points).query_ball_point(points, TIP_RADIUS_MM)
    summit = np.array([height[k] >= height[near].max() for k, near in enumerate(around)])
    out = []
    for name, part in parts.items():
        tips = part & summit
        if not (tips & (height > height[part].max(initial=-np.inf) - TIP_DROP_MM)).any():
            tips = part
        if tips.any():
            out.append((f"{name} cusp", points[tips][np.argmax(height[tips])]))
    table = (np.abs(u) < 0.2) & (np.abs(w) < 0.2)
    if place >= 6 and table.any():
        out.append(("central fossa", points[table][np.argmin(height[table])]))
    return out
