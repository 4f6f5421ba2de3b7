"""Register one scan of an arch to another, trimmed point-to-plane ICP; pose of a scanned lower."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray, cross, cross_matrix, frozen
from kinematics.base.axis import as_point
from kinematics.base.errors import Finding, InputError
from kinematics.casts.cast import Cast, load_cast
from kinematics.casts.health import check_cast
from kinematics.casts.health import findings as health_findings

CANDIDATES = 8
"""Triangles, by nearness of their centroids, among which the nearest point is sought (ours)."""
COARSE_ROUNDS, FINE_ROUNDS = 30, 80
"""Most rounds for each coarse start, and then from the best of them (ours)."""
FREE_ROUNDS = 12
"""From then on the spread is held, so that partners cannot flicker in and out for ever (ours)."""
STILL_MM = 3e-4
"""Converged when no point moves farther than this in a round; far below scanner noise (ours)."""
SMOOTHING = 2
"""Rounds of averaging the normals over neighbouring triangles (ours)."""
COARSE_POINTS = 400
"""Points of the moving scan in the coarse rounds (ours)."""
MIN_OVERLAP = 0.3
"""Share of the moving scan that must find its partner (ours)."""
POOR_RMS_MM = 0.2
"""Residual from which a registration is called poor: twice a bite scan's accuracy (ours)."""
TUKEY = 4.685
"""Tukey's biweight constant: 95 % efficiency for normal errors (textbook)."""
MIN_GATE_MM = 0.02
"""Least distance at which partners are accepted; below scanner noise (ours)."""
MIN_POINTS = 50
"""Fewer partners than this do not fix a pose reliably (ours)."""


@dataclass(frozen=True, eq=False)
class RegistrationResult:
    """Pose of a scan in the frame of another of the same arch.

    Attributes
    ----------
    fixed_from_moving : RigidTransform
    status : {"converged", "poor", "not_converged"}
        ``poor``: a residual above 0.2 mm or less than 30 % overlap; do not use it.
    rms_mm : float
        Robust RMS of the distances to the partners' planes (1.4826 median).
    overlap : float
        Share of the moving points that found a partner.
    points : int
        Partners used.
    centre_mm : ndarray, shape (3,), frame of the fixed scan
        Where the covariance's displacement is taken.
    covariance : ndarray, shape (6, 6)
        Of (rotation vector in rad, displacement of the centre in mm), in the fixed frame.
    iterations : int
    """

    fixed_from_moving: RigidTransform
    status: Literal["converged", "poor", "not_converged"]
    rms_mm: float
    overlap: float
    points: int
    centre_mm: FloatArray
    covariance: FloatArray
    iterations: int

    def covariance_at(self, point_mm: ArrayLike) -> FloatArray:
        """Covariance with the displacement taken at another point of the fixed frame, (6, 6)."""
        arm = as_point(point_mm, "point_mm") - self.centre_mm
        move = np.eye(6)
        move[3:, :3] = -cross_matrix(arm)
        return move @ self.covariance @ move.T

    def findings(self, where: str) -> list[Finding]:
        """Remarks for the user; ``where`` names the scan."""
        if self.status == "converged":
            return []
        got = f"{self.rms_mm:.3f} mm left over, {100 * self.overlap:.0f} % overlap"
        if self.status == "not_converged":
            got = f"no convergence in {self.iterations} rounds; {got}"
        fix = "Crop both scans to the same teeth, give a rough start, or scan again."
        return [Finding("warning", where, f"a doubtful registration: {got}", fix)]


class Surface:
    """Nearest points on a fixed mesh, away from its open border.

    Its normals are smoothed over the neighbouring triangles: the noise of single triangles'
    normals would pass for information in directions in which the arch slides on itself.
    """

    def __init__(self, cast: Cast) -> None:
        corners = cast.vertices_mm[cast.faces]
        normal = cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        size = np.linalg.norm(normal, axis=1)
        good = size > 1e-9
        edges = np.sort(cast.faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        unique, count = np.unique(edges, axis=0, return_counts=True)
        border = np.zeros(len(cast.vertices_mm), dtype=bool)
        border[unique[count == 1].ravel()] = True
        self.corners = corners[good]
        self.normal = smoothed_normals(normal, cast)[good]
        self.border = border[cast.faces[good]].any(axis=1)
        self.tree = cKDTree(self.corners.mean(axis=1))

    def nearest(self, points: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
        """Nearest point, its triangle's normal, and whether the triangle is inside, for (n, 3)."""
        from trimesh.triangles import closest_point  # here: half a second that few runs need

        k = min(CANDIDATES, len(self.corners))
        index = self.tree.query(points, k=k)[1].reshape(len(points), k)
        on = closest_point(self.corners[index.ravel()], np.repeat(points, k, axis=0))
        on = on.reshape(-1, k, 3)
        best = np.argmin(np.linalg.norm(on - points[:, None], axis=2), axis=1)
        rows = np.arange(len(points))
        chosen = index[rows, best]
        return on[rows, best], self.normal[chosen], ~self.border[chosen]

    def share_within(self, points: FloatArray, gate_mm: float) -> float:
        """Share of points (n, 3) that lie this near to the surface, its border left out."""
        on, _, inside = self.nearest(points)
        return float((inside & (np.linalg.norm(points - on, axis=1) < gate_mm)).mean())


def smoothed_normals(normal: FloatArray, cast: Cast) -> FloatArray:
    """Unit normals of the triangles, averaged over shared vertices twice; (m, 3)."""
    for _ in range(SMOOTHING):
        at_vertex = np.zeros_like(cast.vertices_mm)
        for k in range(3):
            np.add.at(at_vertex, cast.faces[:, k], normal)
        normal = at_vertex[cast.faces].sum(axis=1)
    return normal / np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]


def register(
    moving: Cast, fixed: Cast, start: RigidTransform | None = None, *, max_points: int = 4000
) -> RegistrationResult:
    """Find the pose that lays one scan on another of the same arch.

    Parameters
    ----------
    moving, fixed : Cast
        The same arch, in two frames; either may be cropped, at least 30 % of the moving scan
        must have its partner on the fixed one.
    start : RigidTransform, optional
        Rough ``fixed_from_moving``. Without it the identity, equal centroids and equal principal
        axes are tried, and the best is refined.
    max_points : int
        Vertices of the moving scan used, evenly strided.

    Returns
    -------
    RegistrationResult
        The covariance takes the residuals as independent. Scanner errors are not: a stitched
        arch bends, so multiply, or state the registration error, where you know better.

    Raises
    ------
    InputError
        Different arches, fewer than 50 vertices, no triangles, coordinates that are not finite, or
        no partner at all.

    Notes
    -----
    *Guarantee*: a local minimum of a robust (Tukey) sum of squared distances to the planes of
    the nearest triangles; border triangles and points beyond three times the robust spread are
    left out. Deterministic. Not trimesh.registration.icp, which minimises point-to-point
    distances without trimming and gives no covariance.
    """
    if moving.arch != fixed.arch:
        got = f"{moving.arch} on {fixed.arch}"
        raise InputError("arch", got, "two scans of one arch", "Check the files.")
    for cast in (moving, fixed):
        where, count = cast.source or "scan", len(cast.vertices_mm)
        if count < MIN_POINTS:
            need = f"at least {MIN_POINTS}"
            raise InputError(where, f"{count} vertices", need, "Give the scan of an arch.")
        if not len(cast.faces) or not np.isfinite(cast.vertices_mm).all():
            got = "no triangles" if not len(cast.faces) else "vertices that are not finite"
            raise InputError(where, got, "a mesh of finite triangles", "Export the scan again.")
    surface = Surface(fixed)
    used = moving.vertices_mm[np.unique(moving.faces)]
    coarse = used[:: max(1, len(used) // COARSE_POINTS)]
    fine = used[:: max(1, -(-len(used) // max_points))]
    starts = [start] if start is not None else rough_starts(used, fixed.vertices_mm)
    tried = [icp(surface, coarse, s, COARSE_ROUNDS, 10 * STILL_MM) for s in starts]
    # Best: most points lying within the common scale of the best try.
    scale = max(min(t[2] for t in tried), MIN_GATE_MM)
    best = max(tried, key=lambda t: surface.share_within(t[0].apply(coarse), 3.0 * scale))
    return refine(surface, fine, best[0])


def rough_starts(moving: FloatArray, fixed: FloatArray) -> list[RigidTransform]:
    """Identity, equal centroids, and equal principal axes in all four senses."""
    a, b = moving.mean(axis=0), fixed.mean(axis=0)
    out = [RigidTransform.identity(), RigidTransform.from_translation(b - a)]
    axes_a = np.linalg.svd(moving - a, full_matrices=False)[2]
    axes_b = np.linalg.svd(fixed - b, full_matrices=False)[2]
    for signs in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        m = axes_b.T @ np.diag([*signs, 1.0]) @ axes_a
        m = axes_b.T @ np.diag([*signs, np.sign(np.linalg.det(m))]) @ axes_a
        turn = Rotation.from_matrix(m)
        out.append(RigidTransform.from_components(b - turn.apply(a), turn))
    return out


def icp(
    surface: Surface, points: FloatArray, pose: RigidTransform, rounds: int, still_mm: float
) -> tuple[RigidTransform, bool, float, int]:
    """Rounds until no point moves ``still_mm`` and no longer halves; pose, done, spread, rounds.

    The rounds contract linearly (smoothed normals): what the last one leaves is a share of its
    motion, so a stop at ``still_mm`` alone would leave an error that depends on the last step.
    """
    held: tuple[float, float] | None = None
    gate, spread = np.inf, np.inf
    last = moved = np.inf
    for k in range(rounds):
        x = pose.apply(points)
        jac, r, weight, (gate, spread) = equations(surface, x, held)
        if k == FREE_ROUNDS:
            held = (gate, spread)
        if np.count_nonzero(weight) < 6:
            return pose, False, np.inf, k + 1
        centre = x.mean(axis=0)
        normal = jac.T @ (weight[:, None] * jac)
        normal += 1e-9 * np.trace(normal) / 6.0 * np.eye(6)
        step = np.linalg.solve(normal, jac.T @ (weight * r))
        turn = Rotation.from_rotvec(step[:3])
        motion = RigidTransform.from_components(centre - turn.apply(centre) + step[3:], turn)
        pose = motion * pose
        last, moved = moved, float(np.abs(motion.apply(x) - x).max())
        if moved < still_mm and (moved > 0.5 * last or moved < 1e-4 * still_mm):
            return pose, True, spread, k + 1
    return pose, moved < still_mm, spread, rounds


def equations(
    surface: Surface, x: FloatArray, held: tuple[float, float] | None = None
) -> tuple[FloatArray, FloatArray, FloatArray, tuple[float, float]]:
    """Jacobian (n, 6), residual, weight of each point, and (gate, robust spread) in mm."""
    on, normal, inside = surface.nearest(x)
    gap = np.linalg.norm(x - on, axis=1)
    if not inside.any():
        inside = np.ones(len(x), dtype=bool)
    r = ((on - x) * normal).sum(axis=1)
    gate = held[0] if held else max(3.0 * 1.4826 * float(np.median(gap[inside])), MIN_GATE_MM)
    near = inside & (gap <= gate)
    spread = held[1] if held else max(1.4826 * float(np.median(np.abs(r[near]))), 1e-6)
    ratio = np.minimum(np.abs(r) / (TUKEY * spread), 1.0)
    weight = np.where(near, (1.0 - ratio**2) ** 2, 0.0)
    arm = x - x.mean(axis=0)
    return np.concatenate([cross(arm, normal), normal], axis=1), r, weight, (gate, spread)


def refine(surface: Surface, points: FloatArray, pose: RigidTransform) -> RegistrationResult:
    """Register all points from a rough pose, with the covariance."""
    pose, done, _, count = icp(surface, points, pose, FINE_ROUNDS, STILL_MM)
    x = pose.apply(points)
    jac, r, weight, (_, spread) = equations(surface, x)
    used = weight > 0
    partners = int(used.sum())
    if partners < MIN_POINTS:
        fix = "The scans hardly overlap: check the files and give a rough start."
        got = f"{partners} points with a partner"
        raise InputError("scan", got, f"at least {MIN_POINTS}", fix)
    # Sandwich of an M-estimator: Tukey's psi' inside, psi squared between, no common variance.
    square = np.minimum((r / (TUKEY * spread)) ** 2, 1.0)
    slope = np.where(used, (1.0 - square) * (1.0 - 5.0 * square), 0.0)
    information = jac.T @ (slope[:, None] * jac)
    meat = jac.T @ ((weight**2 * r**2)[:, None] * jac)
    bread = np.linalg.inv(information)
    covariance = bread @ meat @ bread
    overlap = float(used.mean())
    status: Literal["converged", "poor", "not_converged"]
    status = "converged" if done else "not_converged"
    if spread > POOR_RMS_MM or overlap < MIN_OVERLAP:
        status = "poor"
    centre = frozen(x.mean(axis=0))
    return RegistrationResult(
        pose, status, spread, overlap, partners, centre, frozen(covariance), count
    )


def scan_pose(
    name: str,
    field: str,
    lower: Cast | None,
    resolve: Callable[[str, str], Path],
    *,
    unit: str = "mm",
    label: str = "",
) -> tuple[RegistrationResult, list[Finding]]:
    """Register the lower cast to a scan of it in another position (seconds).

    Parameters
    ----------
    name, field : str
        The file, in ``upper_scan``, and the field of the case that names it.
    lower : Cast or None
        In ``lower_scan``.
    resolve : callable
        ``case.path``: file name and field to a path, refusing what leaves the case's folder.
    unit : str
        Of the file.
    label : str
        Name of the scan in remarks; the file's name where it is empty.

    Returns
    -------
    RegistrationResult
        ``fixed_from_moving`` is ``upper_scan_from_lower_scan``.
    list of Finding

    Raises
    ------
    InputError
        No lower cast; a file that cannot be read, or whose mesh cannot be used; a scan that does
        not fit.
    """
    if lower is None:
        need = "the lower cast to register it to"
        fix = "Add [casts] with upper and lower, or give upper_scan_from_lower_scan."
        raise InputError(field, "a scan without [casts]", need, fix)
    path = resolve(name, field)
    try:
        scan, remarks = load_cast(path, "lower", unit)
        for finding in (*health_findings(check_cast(scan)), *remarks):
            if finding.level == "error":
                raise InputError("file", finding.message, "the scan of an arch", finding.fix)
        result = register(lower, scan)
    except InputError as error:
        got = error.got if error.where in ("file", path.name) else f"{error.where}: {error.got}"
        raise InputError(field, got, error.allowed, error.fix, error.file or path) from None
    if result.status == "poor":
        got = f"a scan that does not fit the lower: {result.rms_mm:.2f} mm left over, "
        got += f"{100 * result.overlap:.0f} % overlap"
        fix = "Check the file and its unit; crop it to the teeth; or give its pose."
        raise InputError(field, got, "a scan of the same lower arch", fix, path)
    return result, [*remarks, *result.findings(label or name)]
