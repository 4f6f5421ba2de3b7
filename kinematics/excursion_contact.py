"""Casts in an excursion: first contact about the moved axis, and clearance along the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform

from kinematics.axis import HingeAxis
from kinematics.contact import PreparedPair, first_contact, prepare
from kinematics.excursion_path import ExcursionPath, ToothContact
from kinematics.mesh import Cast

NEAR_CONTACT_MM = 0.05
"""Clearance below which a tooth counts as in contact (ours; a thin foil is 0.008 to 0.04 mm)."""
CLEARANCE_LIMIT_MM = 3.0
"""Clearances are looked for up to here; farther is reported as infinite (ours)."""


@dataclass(frozen=True, eq=False)
class CastStop:
    """Both casts as a stop for the front; made by :func:`cast_stop`.

    Attributes
    ----------
    upper, lower : Cast
        In the frame ``articulator``, the lower at the excursion's start.
    prepared : PreparedPair
    """

    upper: Cast
    lower: Cast
    prepared: PreparedPair

    def close(self, motion: RigidTransform, axis: HingeAxis, max_deg: float) -> ToothContact:
        """First contact when the lower, moved from its start, closes about an axis.

        Notes
        -----
        *Guarantee*: that of :func:`kinematics.contact.first_contact`.
        """
        moved = self.prepared.with_lower_motion(motion)
        found = first_contact(moved, axis, max_closing_deg=max_deg)
        return ToothContact(
            found.status,
            found.closing_deg,
            found.point_mm,
            _face_tooth(self.upper, found.upper_face),
            _face_tooth(self.lower, found.lower_face),
        )


def cast_stop(upper: Cast, lower: Cast) -> CastStop:
    """Prepare two casts (frame ``articulator``, lower at the start) as a stop."""
    pair = prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)
    return CastStop(upper, lower, pair)


def _face_tooth(cast: Cast, face: int) -> int:
    """Tooth of a face: its corners' commonest number, 0 where none is labelled."""
    if face < 0:
        return 0
    labels = cast.tooth[cast.faces[face]]
    labels = labels[labels > 0]
    return int(np.bincount(labels).argmax()) if len(labels) else 0


def clearance_mm(
    points_mm: ArrayLike, cast: Cast, limit_mm: float = CLEARANCE_LIMIT_MM
) -> NDArray[np.float64]:
    """Distance of points from a cast's surface, shape (n,), mm; infinite beyond the limit.

    Notes
    -----
    *Guarantee*: exact (point to triangle) up to the limit. Unsigned: a point inside the cast has
    a positive distance too. *Source*: derived here.
    """
    points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    corners = cast.vertices_mm[cast.faces]
    centres = corners.mean(axis=1)
    radii = np.linalg.norm(corners - centres[:, None], axis=2).max(axis=1)
    best = np.full(len(points), np.inf)
    # Long triangles (the base) apart from the rest, so that they do not widen every search.
    large = radii > 4.0 * np.median(radii)
    for group in (np.flatnonzero(~large), np.flatnonzero(large)):
        if not len(group):
            continue
        tree = cKDTree(centres[group])
        reach = limit_mm + float(radii[group].max())
        near = tree.query_ball_point(points, reach)
        which = np.repeat(np.arange(len(points)), [len(n) for n in near])
        if not len(which):
            continue
        faces = group[np.concatenate([np.asarray(n, dtype=np.int64) for n in near if n])]
        gaps = _point_triangle_mm(points[which], corners[faces])
        np.minimum.at(best, which, gaps)
    best[best > limit_mm] = np.inf
    return best


def _point_triangle_mm(
    p: NDArray[np.float64], triangles: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance of each point from its triangle, shape (n,)."""
    out = np.full(len(p), np.inf)
    for i in range(3):
        a, b = triangles[:, i], triangles[:, (i + 1) % 3]
        edge = b - a
        square = np.einsum("ij,ij->i", edge, edge)
        along = np.einsum("ij,ij->i", p - a, edge) / np.where(square > 0.0, square, 1.0)
        foot = a + np.clip(along, 0.0, 1.0)[:, None] * edge
        out = np.minimum(out, np.linalg.norm(p - foot, axis=1))
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    flat = size > 0.0
    normal = normal / np.where(flat, size, 1.0)[:, None]
    inside = flat
    for i in range(3):
        start, end = triangles[:, i], triangles[:, (i + 1) % 3]
        inside = inside & (np.einsum("ij,ij->i", np.cross(normal, end - start), p - start) >= 0.0)
    height = np.abs(np.einsum("ij,ij->i", normal, p - a))
    return np.where(inside, np.minimum(out, height), out)


def clearance_by_tooth(
    stop: CastStop, motion: RigidTransform, limit_mm: float = CLEARANCE_LIMIT_MM
) -> dict[int, float]:
    """Least clearance of each labelled lower tooth to the upper cast at a pose, mm.

    Teeth farther than the limit are left out. Taken at the lower's vertices, so an edge that
    touches between two of them is seen only as close as its ends.
    """
    labelled = np.flatnonzero(stop.lower.tooth > 0)
    labels = stop.lower.tooth[labelled]
    gaps = clearance_mm(motion.apply(stop.lower.vertices_mm[labelled]), stop.upper, limit_mm)
    out: dict[int, float] = {}
    for tooth in np.unique(labels):
        least = float(gaps[labels == tooth].min())
        if np.isfinite(least):
            out[int(tooth)] = least
    return out


@dataclass(frozen=True)
class ToothAlongTheWay:
    """One lower tooth at one step: its clearance and whether it works.

    Attributes
    ----------
    step, tooth : int
    clearance_mm : float, mm
    where : {"working", "non_working", "midline"}
        ISO 3950 quadrants 3 and 7 are the patient's left; working is the side the mandible
        moves to.
    """

    step: int
    tooth: int
    clearance_mm: float
    where: str


def contacts_along(
    path: ExcursionPath, stop: CastStop, within_mm: float = NEAR_CONTACT_MM
) -> tuple[ToothAlongTheWay, ...]:
    """Lower teeth within a distance of the upper cast at every reached step."""
    out = []
    for number, step in enumerate(path.reached):
        for tooth, gap in clearance_by_tooth(stop, step.motion, within_mm).items():
            left = tooth // 10 in (3, 7)
            side = step.demand.side
            where = "midline" if side == 0.0 else "working" if left == (side > 0) else "non_working"
            out.append(ToothAlongTheWay(number, tooth, gap, where))
    return tuple(out)
