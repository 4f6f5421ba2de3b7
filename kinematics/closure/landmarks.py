"""Named points on the lower arch: from the case, or found on the cast, with occlusal normals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform

from kinematics.base.errors import Finding, InputError
from kinematics.case.read import Case
from kinematics.casts.cast import Cast
from kinematics.casts.occlusal import automatic_landmarks, occlusal_vertices, vertex_normals
from kinematics.closure.stops import UP

INCISAL_POINT = "incisal point"
"""Name of the landmark at which vertical changes "at the incisors" are measured."""

NORMAL_RADIUS_MM = 1.0
"""Vertex normals within this distance of a landmark are averaged (ours: one cusp tip)."""

MIDLINE_HALF_WIDTH_MM = 6.0
"""Half width of the strip in which the incisal point of an unlabelled cast is sought (ours)."""


@dataclass(frozen=True, eq=False)
class LandmarkSet:
    """Landmarks on the lower in ``axis_orbital``.

    Attributes
    ----------
    names : tuple of str
    teeth : tuple of int
        ISO 3950 numbers, 0 where none is given.
    points_mm, normals : ndarray, shape (k, 3)
        Positions (mm) and unit occlusal normals.
    incisal_index : int
        Which of them is the incisal point.
    """

    names: tuple[str, ...]
    teeth: tuple[int, ...]
    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    incisal_index: int

    def __post_init__(self) -> None:
        for name in ("points_mm", "normals"):
            value = np.array(getattr(self, name), dtype=np.float64).reshape(-1, 3)
            value.flags.writeable = False
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return len(self.names)

    @property
    def incisal_point_mm(self) -> NDArray[np.float64]:
        """The incisal point, shape (3,), mm."""
        return self.points_mm[self.incisal_index]

    def moved(self, motion: RigidTransform) -> LandmarkSet:
        """Return the landmarks moved by a rigid transform (normals turned)."""
        return LandmarkSet(
            self.names,
            self.teeth,
            motion.apply(self.points_mm),
            motion.rotation.apply(np.array(self.normals)),
            self.incisal_index,
        )

    def point(self, name: str) -> NDArray[np.float64]:
        """Position of the landmark with this name.

        Raises
        ------
        InputError
            No landmark has the name.
        """
        if name not in self.names:
            raise InputError(
                "site",
                repr(name),
                "'incisors', 'pin' or the name of a landmark (" + ", ".join(self.names[:6]) + ")",
                "Name one of these, or add the landmark to the case.",
            )
        return self.points_mm[self.names.index(name)]


def landmarks_for(
    case: Case, lower: Cast | None, axis_orbital_from_lower_scan: RigidTransform
) -> tuple[LandmarkSet, list[Finding]]:
    """Collect a case's landmarks at the scanned pose.

    Parameters
    ----------
    case : Case
    lower : Cast or None
        In ``axis_orbital`` at the scanned pose.
    axis_orbital_from_lower_scan : RigidTransform
        Places the case's landmarks, which are given in the lower scan's frame.

    Raises
    ------
    InputError
        There is neither a landmark nor a cast to find one on, or a landmark lies far from the
        cast.
    """
    findings: list[Finding] = []
    found: list[tuple[str, int, NDArray[np.float64]]] = [
        (
            mark.name,
            mark.tooth or 0,
            axis_orbital_from_lower_scan.apply(np.asarray(mark.point_mm, dtype=np.float64)),
        )
        for mark in case.landmarks
    ]
    if lower is not None:
        found_names = {name for name, _, _ in found}
        if lower.labelled:
            found += [m for m in automatic_landmarks(lower, UP) if m[0] not in found_names]
        elif not found:
            found += surface_extremes(lower)
            findings.append(
                Finding(
                    "warning",
                    "landmarks",
                    "none given and the lower cast has no tooth labels: five sites were found on "
                    "its surface, so errors are not named by tooth",
                    "Add [[landmarks]] with name, tooth and point_mm (lower scan frame).",
                )
            )
    if not found:
        raise InputError(
            "landmarks",
            "none, and no lower cast",
            "at least one landmark",
            "Add [[landmarks]] with name, tooth and point_mm, or give casts.",
        )
    names = [name for name, _, _ in found]
    points = np.array([point for _, _, point in found])
    if INCISAL_POINT not in names:
        point, note = _incisal_point(found, lower)
        found.append((INCISAL_POINT, 0, point))
        names.append(INCISAL_POINT)
        points = np.vstack([points, point])
        findings.append(note)
    normals = _normals(points, lower)
    if lower is not None:
        findings += _far_from_cast(names, points, lower)
    return (
        LandmarkSet(
            tuple(names),
            tuple(tooth for _, tooth, _ in found),
            points,
            normals,
            names.index(INCISAL_POINT),
        ),
        findings,
    )


def surface_extremes(lower: Cast) -> list[tuple[str, int, NDArray[np.float64]]]:
    """Five sites on the occlusal surface of an unlabelled lower in ``axis_orbital``.

    The highest point of: the front strip at the midline, and per side the rear and the middle
    fifth of the arch's length. Named by place, tooth 0.
    """
    points = lower.vertices_mm[occlusal_vertices(lower, UP)]
    front, back = points[:, 0].max(), points[:, 0].min()
    length = front - back
    sites: list[tuple[str, int, NDArray[np.float64]]] = []
    strip = points[np.abs(points[:, 1]) < MIDLINE_HALF_WIDTH_MM]
    strip = strip[strip[:, 0] > front - 0.25 * length] if len(strip) else strip
    if len(strip):
        sites.append((INCISAL_POINT, 0, strip[np.argmax(strip[:, 2])]))
    for side, sign in (("left", 1.0), ("right", -1.0)):
        for place, low, high in (("posterior", 0.0, 0.2), ("middle", 0.4, 0.6)):
            part = points[
                (points[:, 1] * sign > 0)
                & (points[:, 0] >= back + low * length)
                & (points[:, 0] <= back + high * length)
            ]
            if len(part):
                sites.append((f"{side} {place} site", 0, part[np.argmax(part[:, 2])]))
    return sites


def _incisal_point(
    found: Sequence[tuple[str, int, NDArray[np.float64]]], lower: Cast | None
) -> tuple[NDArray[np.float64], Finding]:
    central = [point for _, tooth, point in found if tooth in (31, 41, 71, 81)]
    if central:
        point, how = np.mean(central, axis=0), "the mean of the central incisors' landmarks"
    else:
        extremes = surface_extremes(lower) if lower is not None else []
        marks = [p for name, _, p in extremes if name == INCISAL_POINT]
        if marks:
            point, how = marks[0], "the highest front point of the cast near the midline"
        else:
            point = max((p for _, _, p in found), key=lambda p: float(p[0]))
            how = "the most anterior landmark"
    return point, Finding(
        "note",
        "landmarks",
        f"no landmark is named {INCISAL_POINT!r}: {how} serves as the incisal point",
        f"Add a landmark named {INCISAL_POINT!r} to choose it yourself.",
    )


def _normals(points: NDArray[np.float64], lower: Cast | None) -> NDArray[np.float64]:
    if lower is None:
        return np.tile(UP, (len(points), 1))
    normals = vertex_normals(lower)
    tree = cKDTree(lower.vertices_mm)
    result = np.empty((len(points), 3))
    nearest = tree.query(points)[1]
    for i, near in enumerate(tree.query_ball_point(points, NORMAL_RADIUS_MM)):
        mean = normals[near].mean(axis=0) if near else normals[nearest[i]]
        length = np.linalg.norm(mean)
        result[i] = mean / length if length > 1e-6 else UP
    return result


def _far_from_cast(names: Sequence[str], points: NDArray[np.float64], lower: Cast) -> list[Finding]:
    distance = cKDTree(lower.vertices_mm).query(points)[0]
    return [
        Finding(
            "warning",
            f"landmarks.{name}",
            f"lies {d:.1f} mm from the nearest point of the lower cast",
            "Give point_mm in the frame and unit of the lower scan (after scaling to mm).",
        )
        for name, d in zip(names, distance, strict=True)
        if d > 5.0
    ]
