"""First contact of two casts when the lower closes about a hinge axis: exact, no stepping."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import (
    MAX_POINT_DISTANCE_MM,
    MIN_POINT_DISTANCE_MM,
    HingeAxis,
    opening_motion,
)
from kinematics.base.errors import InputError
from kinematics.contact.cloud import POOL, STATUS_NAMES, results, solve_axes, solve_cloud
from kinematics.contact.hierarchy import Hierarchy, build_hierarchy

MAX_CLOSING_DEG = 170.0
"""Largest accepted range; the roots' sign tests hold below half a turn (derived here)."""
MIN_CLOUD = 16
"""Fewer axes than this are solved one by one (ours)."""
OPENINGS_DEG = (20.0, 40.0)
"""Openings at which casts that overlap are looked for apart (ours)."""
KINDS = ("", "vertex_face", "face_vertex", "edge_edge", "")
Status = Literal["contact", "already_touching", "none_in_range"]


@dataclass(frozen=True, eq=False)
class FirstContact:
    """The first contact about one axis.

    Attributes
    ----------
    status : {"contact", "already_touching", "none_in_range"}
    closing_deg : float
        From the start pose, closing positive; 0 if already touching, NaN if there is none.
    point_mm : ndarray, shape (3,), mm
        The contact point on the fixed upper, NaN if there is none.
    upper_face, lower_face : int
        The faces that meet, -1 if there are none.
    kind : str
        ``vertex_face`` (a lower vertex meets an upper face), ``face_vertex`` (an upper vertex
        meets a lower face), ``edge_edge``, or empty where there is no root.
    """

    status: Status
    closing_deg: float
    point_mm: FloatArray
    upper_face: int
    lower_face: int
    kind: str


@dataclass(frozen=True, eq=False)
class FirstContacts:
    """First contacts about n axes, as arrays.

    Attributes
    ----------
    status : ndarray of int8, shape (n,)
        Index into ``STATUS_NAMES``: 0 none_in_range, 1 contact, 2 already_touching.
    closing_deg : ndarray, shape (n,)
    point_mm : ndarray, shape (n, 3), mm
    upper_face, lower_face : ndarray of int64, shape (n,)
    kind : ndarray of int8, shape (n,)
        Index into ``KINDS``.
    """

    status: NDArray[np.int8]
    closing_deg: FloatArray
    point_mm: FloatArray
    upper_face: NDArray[np.int64]
    lower_face: NDArray[np.int64]
    kind: NDArray[np.int8]

    def __len__(self) -> int:
        return len(self.status)

    def __getitem__(self, i: int) -> FirstContact:
        return FirstContact(
            STATUS_NAMES[self.status[i]],  # type: ignore[arg-type]
            float(self.closing_deg[i]),
            self.point_mm[i],
            int(self.upper_face[i]),
            int(self.lower_face[i]),
            KINDS[self.kind[i]],
        )


@dataclass(frozen=True, eq=False)
class PreparedPair:
    """Two casts prepared for any number of axes.

    Attributes
    ----------
    upper, lower : Hierarchy
    lower_motion : ndarray, shape (4, 3)
        Pose of the lower at the start: rotation rows, then shift in mm.
    """

    upper: Hierarchy
    lower: Hierarchy
    lower_motion: FloatArray

    @property
    def toward(self) -> FloatArray:
        """Where the frames of the axes point: about the upper's middle, shape (3,), mm."""
        return self.upper.discs[0, :3].astype(np.float64)

    def with_lower_motion(self, motion: RigidTransform) -> PreparedPair:
        """Return the pair with the lower's start pose moved further; costs next to nothing."""
        turn, shift = self.lower_motion[:3], self.lower_motion[3]
        matrix = motion.as_matrix()
        pose = np.vstack([matrix[:3, :3] @ turn, matrix[:3, :3] @ shift + matrix[:3, 3]])
        return replace(self, lower_motion=frozen(pose))


def prepare(
    upper_vertices: ArrayLike,
    upper_faces: ArrayLike,
    lower_vertices: ArrayLike,
    lower_faces: ArrayLike,
) -> PreparedPair:
    """Build both casts' hierarchies; they serve every axis.

    Parameters
    ----------
    upper_vertices, lower_vertices : array_like, shape (n, 3), mm
        In the start pose, one common frame (any).
    upper_faces, lower_faces : array_like of int, shape (m, 3)
        Orientation is not used; holes, duplicate vertices and degenerate faces are allowed.

    Raises
    ------
    InputError
        No triangle, a vertex number out of range, or a coordinate that is not finite.
    """
    return PreparedPair(
        build_hierarchy(upper_vertices, upper_faces, "upper cast"),
        build_hierarchy(lower_vertices, lower_faces, "lower cast"),
        frozen(np.eye(4, 3)),
    )


def first_contact(
    prepared: PreparedPair, axis: HingeAxis, *, max_closing_deg: float = 60.0
) -> FirstContact:
    """First contact when the lower cast closes about an axis from its start pose.

    Parameters
    ----------
    prepared : PreparedPair
        Casts in the start pose, in the axis's frame (any).
    axis : HingeAxis
        The lower turns as :func:`kinematics.base.axis.closing_motion` does.
    max_closing_deg : float
        End of the range that is searched, up to 170.

    Raises
    ------
    InputError
        Range out of bounds.

    Notes
    -----
    *Guarantee.* The angle is the smallest root over all pairs of features (vertex and face, face
    and vertex, edge and edge), each solved in closed form: no steps, so nothing is tunnelled
    through and no contact is earlier, to rounding and a touching tolerance of 1e-10 mm. Status
    ``contact``: triangles share no point at the start and first meet at ``closing_deg``.
    ``already_touching``: two triangles share a point at the start pose (or a root lies within
    1e-12 rad of it). ``none_in_range``: nothing meets up to ``max_closing_deg``.
    Casts are surfaces: a cast wholly inside a closed one, surfaces apart, is not detected as
    touching. Contact angles at a grazing touch are ill-conditioned (the root of a double root).

    *Source.* Derived here; the method is in ``kinematics.contact.roots`` and
    ``kinematics.contact.descent``.

    Examples
    --------
    A cusp 50 mm ahead and 10 mm below the axis closes onto a plate 5 mm below it, which takes
    ``asin(10 / r) - asin(5 / r)`` degrees.

    >>> from kinematics import HingeAxis
    >>> from kinematics.contact.first_contact import first_contact, prepare
    >>> axis = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    >>> plate = [[30.0, -20.0, -5.0], [30.0, 20.0, -5.0], [90.0, 0.0, -5.0]]
    >>> cusp = [[50.0, 0.0, -10.0], [51.0, 1.0, -14.0], [49.0, -1.0, -14.0]]
    >>> pair = prepare(plate, [[0, 1, 2]], cusp, [[0, 1, 2]])
    >>> found = first_contact(pair, axis)
    >>> found.status, round(found.closing_deg, 4)
    ('contact', 5.6826)
    """
    axes = np.stack([axis.left_point_mm, axis.right_point_mm])[None]
    return first_contacts(prepared, axes, max_closing_deg=max_closing_deg, threads=1)[0]


def first_contacts(
    prepared: PreparedPair,
    axes: ArrayLike,
    *,
    max_closing_deg: float = 60.0,
    threads: int | None = None,
) -> FirstContacts:
    """First contacts about many axes; each as :func:`first_contact` would answer.

    Parameters
    ----------
    prepared : PreparedPair
    axes : array_like, shape (n, 2, 3), mm
        [left point, right point] of each axis, in the casts' common frame.
    max_closing_deg : float
    threads : int, optional
        Number of threads; the number of usable cores by default.

    Raises
    ------
    InputError
        Axes of a wrong shape, not finite, points too close or too far apart; range out of bounds.

    Notes
    -----
    *Guarantee.* The same angles as one axis at a time, to 1e-12 rad. Neighbouring axes share
    lists of candidate pairs (``kinematics.contact.cloud``); a cloud wider than the lists' bound
    holds for is divided, to single axes if need be, so no cloud is refused for its spread.
    """
    limit = limit_rad(max_closing_deg)
    pairs = checked_axes(axes)
    n = len(pairs)
    upper, lower, motion = prepared.upper.arrays, prepared.lower.arrays, prepared.lower_motion
    toward = prepared.toward
    angle, wins = np.empty(n), np.zeros((n, 3), dtype=np.int64)
    if n < MIN_CLOUD:
        solve_axes(upper, lower, motion[None], pairs, toward, limit, angle, wins)
    else:
        workers = usable_threads(threads)
        groups = _groups(pairs, max(workers, min(4 * workers, n // 512)))
        pool = np.full((POOL, 2), -1, dtype=np.int64)
        firsts = np.unique(np.linspace(0, n - 1, min(n, POOL // 2)).astype(np.int64))
        spare, won = np.empty(len(firsts)), np.zeros((len(firsts), 3), dtype=np.int64)
        solve_axes(upper, lower, motion[None], pairs[firsts], toward, limit, spare, won)
        seeds = np.unique(won[(won[:, 0] > 0) & (spare > 0)][:, 1:], axis=0)[:POOL]
        pool[: len(seeds)] = seeds

        def work(group: NDArray) -> None:
            t, w = np.empty(len(group)), np.zeros((len(group), 3), dtype=np.int64)
            solve_cloud(upper, lower, motion, pairs[group], toward, limit, pool.copy(), t, w)
            angle[group], wins[group] = t, w

        in_threads(work, groups, workers)
    status, kind = np.zeros(n, dtype=np.int8), np.zeros(n, dtype=np.int8)
    closing, point = np.full(n, math.nan), np.full((n, 3), math.nan)
    faces = np.full((n, 2), -1, dtype=np.int64)
    ends = status, closing, point, faces, kind
    results(upper, lower, motion[None], pairs, toward, angle, wins, *ends)
    status, closing, point, faces, kind = (frozen(a, a.dtype) for a in ends)
    return FirstContacts(status, closing, point, faces[:, 0], faces[:, 1], kind)


def usable_threads(threads: int | None) -> int:
    """Return the number of threads asked for; by default the number of usable cores."""
    return max(1, threads or len(os.sched_getaffinity(0)))


def in_threads(work: Callable[[NDArray], None], parts: Sequence[NDArray], threads: int) -> None:
    """Do the work of each part, in threads where there are more than one."""
    if threads == 1 or len(parts) <= 1:
        for part in parts:
            work(part)
    else:
        with ThreadPoolExecutor(threads) as pool:
            list(pool.map(work, parts))


def _groups(pairs: FloatArray, number: int) -> list[NDArray[np.int64]]:
    """Axes' numbers in groups of neighbours, about equally many in each."""
    groups = [np.arange(len(pairs))]
    while len(groups) < number:
        halves = []
        for g in groups:
            flat = pairs[g].reshape(len(g), 6)
            order = g[np.argsort(flat[:, np.argmax(np.ptp(flat, axis=0))], kind="stable")]
            halves += [order[: len(g) // 2], order[len(g) // 2 :]]
        groups = halves
    return groups


@dataclass(frozen=True, eq=False)
class Interpenetration:
    """How far casts overlap at the start pose, and the opening that separates them.

    Attributes
    ----------
    status : {"apart", "overlapping", "not_separated"}
        ``not_separated``: still touching at every opening tried.
    clearing_opening_deg : float
        Smallest opening above which, up to the largest tried, the casts are apart; 0 if they are
        apart at the start, NaN if not separated.
    depth_mm : float
        Estimate: the path of the last contact over that opening, along the face's normal.
    point_mm : ndarray, shape (3,), mm
        The last contact, on the upper.
    """

    status: Literal["apart", "overlapping", "not_separated"]
    clearing_opening_deg: float
    depth_mm: float
    point_mm: FloatArray


def interpenetration(prepared: PreparedPair, axis: HingeAxis) -> Interpenetration:
    """Find the smallest opening about an axis that separates casts which overlap at the start.

    Notes
    -----
    *Guarantee.* The lower is opened to the first of ``OPENINGS_DEG`` where the surfaces are apart
    and closed back to its first contact, exactly; what happens at wider openings is not asked.
    The depth is an estimate, not a bound.
    """
    nowhere = np.full(3, math.nan)
    if first_contact(prepared, axis, max_closing_deg=1e-6).status != "already_touching":
        return Interpenetration("apart", 0.0, 0.0, nowhere)
    for opening in OPENINGS_DEG:
        opened = prepared.with_lower_motion(opening_motion(axis, opening))
        back = first_contact(opened, axis, max_closing_deg=opening + 1e-6)
        if back.status == "contact":
            clearing = max(0.0, opening - back.closing_deg)
            corners = prepared.upper.vertices[prepared.upper.faces[back.upper_face]]
            normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
            path = np.cross(axis.direction, back.point_mm - axis.midpoint_mm)
            size = float(np.linalg.norm(normal))
            share = abs(float(normal @ path)) / size if size > 0 else float(np.linalg.norm(path))
            depth = share * 2.0 * math.sin(math.radians(clearing) / 2.0)
            return Interpenetration("overlapping", clearing, depth, back.point_mm)
    return Interpenetration("not_separated", math.nan, math.nan, nowhere)


def limit_rad(max_closing_deg: float) -> float:
    """Return the end of a range in radian, or refuse it."""
    if not 0.0 < max_closing_deg <= MAX_CLOSING_DEG:
        need = f"an angle above 0 and up to {MAX_CLOSING_DEG:g} degrees"
        fix = "Choose the largest closing to look through."
        raise InputError("max_closing_deg", f"{max_closing_deg!r}", need, fix)
    return math.radians(max_closing_deg)


def checked_axes(axes: ArrayLike) -> FloatArray:
    """Return axes as an array, shape (n, 2, 3), or refuse them as :class:`HingeAxis` would."""
    pairs = np.ascontiguousarray(axes, dtype=np.float64)
    if pairs.ndim != 3 or pairs.shape[1:] != (2, 3):
        got = f"shape {pairs.shape}"
        raise InputError("axes", got, "(n, 2, 3)", "Give [left point, right point] an axis.")
    apart = np.linalg.norm(pairs[:, 0] - pairs[:, 1], axis=1)
    least, most = MIN_POINT_DISTANCE_MM, MAX_POINT_DISTANCE_MM
    wrong = np.flatnonzero(~((apart >= least) & (apart <= most)))
    if len(wrong):
        i = int(wrong[0])
        got = f"points {apart[i]:.4g} mm apart"
        need = f"finite points {least:g} to {most:g} mm apart"
        fix = f"Check the axis points and their unit ({len(wrong)} axes are out of range)."
        raise InputError(f"axes[{i}]", got, need, fix)
    return pairs
