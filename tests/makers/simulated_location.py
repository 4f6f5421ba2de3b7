"""Simulated axis location with known truth: bias, spread, and whether the covariance is honest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import chi2, norm

from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.mounting.locating.checks import reference
from kinematics.mounting.locating.from_poses import axis_from_poses
from kinematics.mounting.locating.from_tracks import axis_from_tracked_points
from kinematics.mounting.locating.line_fit import metric

ARCH_POINTS_MM = ((90.0, 0.0, -35.0), (60.0, 25.0, -35.0), (60.0, -25.0, -35.0))
"""Lower incisal point and first molars in ``axis_orbital``: the proportions of
published_values.md 8.6, with the molars' width of its section 7 (derived here)."""
MEASUREMENT_NOISE_MM = 0.05
"""Assumed measurement noise: 50 um (Mehl, Int J Comput Dent 2018;21(3):201-214, read)."""
INCISAL_PATH_MM = 15.0
"""Assumed incisal path of the hinge opening (same source)."""


@dataclass(frozen=True, eq=False)
class LocationStudy:
    """Outcome of n simulated locations of a known axis.

    All arrays of four are (left toward, left above, right toward, right above), square to the
    located axis, at 55 mm from the middle of the arch.

    Attributes
    ----------
    bias_mm, sd_mm, predicted_sd_mm : ndarray, shape (4,)
        Mean and standard deviation of the error; root mean square of the reported SD.
    coverage : ndarray, shape (4,)
        Share of simulations whose 95 % interval holds the truth.
    joint_coverage : float
        Share whose 95 % region of all four holds it.
    mean_distance_mm : float
        Mean distance from the true axis of the located axis, midway between its points.
    registration_rms_mm : float
        Root mean square displacement of the reference points by the simulated pose errors.
    refused : int
        Simulations whose input the locator refused.
    n : int
    """

    bias_mm: FloatArray
    sd_mm: FloatArray
    predicted_sd_mm: FloatArray
    coverage: FloatArray
    joint_coverage: float
    mean_distance_mm: float
    registration_rms_mm: float
    refused: int
    n: int

    @property
    def magnification(self) -> float:
        """Mean distance of the located axis per registration error of one scan."""
        return self.mean_distance_mm / self.registration_rms_mm


def opening_for_path_deg(axis: HingeAxis, point_mm: ArrayLike, path_mm: float) -> float:
    """Opening in degrees that moves a point along an arc of a given length about an axis."""
    return float(np.degrees(path_mm / axis.distance_mm(np.asarray(point_mm, dtype=np.float64))))


def simulate_location(
    true_axis: HingeAxis,
    openings_deg: Sequence[float],
    noise_mm: float,
    n: int,
    *,
    rng: np.random.Generator,
    method: Literal["poses", "tracks"] = "poses",
    points_mm: ArrayLike = ARCH_POINTS_MM,
) -> LocationStudy:
    """Simulate locating a known axis n times.

    Parameters
    ----------
    true_axis : HingeAxis
        In ``axis_orbital`` (or any frame with the points).
    openings_deg : sequence of float
        The openings measured; for tracks, the samples of each path.
    noise_mm : float
        Standard deviation of each coordinate of each measured point.
    n : int
        Simulations, at least 2.
    rng : numpy.random.Generator
    method : {"poses", "tracks"}
        ``poses``: the points are measured together at every opening and give a pose by least
        squares. ``tracks``: every point is only known to move on a circle.
    points_mm : array_like, shape (k, 3)
        Points on the lower, at opening 0.

    Raises
    ------
    InputError
        Fewer than 2 simulations, or every one refused.

    Notes
    -----
    *Guarantee*: deterministic for a given generator state. *Source*: derived here; assumptions
    of the published simulation are ``INCISAL_PATH_MM`` and ``MEASUREMENT_NOISE_MM``.
    """
    if n < 2:
        raise InputError("n", f"{n}", "at least 2 simulations", "Ask for 1000 or more.")
    points, middle = reference(points_mm)
    motions = [opening_motion(true_axis, o) for o in openings_deg]
    exact = np.array([m.apply(points) for m in motions])
    turns = np.array([m.rotation.as_matrix() for m in motions])
    own = noise_mm**2 * np.linalg.inv(metric(points, middle))
    carry = np.zeros((len(turns), 6, 6))
    carry[:, :3, :3] = carry[:, 3:, 3:] = turns
    noise = carry @ own @ np.swapaxes(carry, 1, 2)
    gaps, sds, inside, distance, shift = [], [], [], [], []
    refused = 0
    for _ in range(n):
        seen = exact + rng.normal(0.0, noise_mm, exact.shape)
        try:
            if method == "poses":
                poses = _poses(points, seen)
                moved = np.array([p.apply(points) for p in poses]) - exact
                shift.append(float((moved**2).sum(axis=2).mean()))
                got = axis_from_poses(
                    poses, points, left=true_axis.direction, noise=noise, robust=False
                )
                found, across, cov = got.axis, got.line_directions, got.line_covariance_mm2
            else:
                shift.append(3.0 * noise_mm**2)
                arcs = [seen[:, j] for j in range(len(points))]
                path = axis_from_tracked_points(arcs, left=true_axis.direction, noise_mm=noise_mm)
                found, across, cov = path.axis, path.line_directions, path.line_covariance_mm2
        except InputError:
            refused += 1
            continue
        gap = _gap(found, across, true_axis)
        gaps.append(gap)
        sds.append(np.sqrt(np.diag(cov)))
        inside.append(float(gap @ np.linalg.solve(cov, gap)) < chi2.ppf(0.95, 4))
        distance.append(float(true_axis.distance_mm(found.midpoint_mm)))
    if len(gaps) < 2:
        raise InputError(
            "openings_deg",
            f"{refused} of {n} simulations refused",
            "openings wide enough to locate an axis",
            "Simulate a wider opening or less noise.",
        )
    gaps_array, sd_array = np.array(gaps), np.array(sds)
    return LocationStudy(
        bias_mm=gaps_array.mean(axis=0),
        sd_mm=gaps_array.std(axis=0, ddof=1),
        predicted_sd_mm=np.sqrt((sd_array**2).mean(axis=0)),
        coverage=(np.abs(gaps_array) < norm.ppf(0.975) * sd_array).mean(axis=0),
        joint_coverage=float(np.mean(inside)),
        mean_distance_mm=float(np.mean(distance)),
        registration_rms_mm=float(np.sqrt(np.mean(shift))),
        refused=refused,
        n=n,
    )


def _poses(points: FloatArray, seen: FloatArray) -> RigidTransform:
    """Least-squares pose of the points at each opening."""
    middle = points.mean(axis=0)
    out = []
    for x in seen:
        turn, _ = Rotation.align_vectors(x - x.mean(axis=0), points - middle)
        out.append(
            RigidTransform.from_components(x.mean(axis=0) - turn.apply(middle), turn).as_matrix()
        )
    return RigidTransform.from_matrix(np.array(out))


def _gap(found: HingeAxis, across: FloatArray, truth: HingeAxis) -> FloatArray:
    """Error of the two points of a found axis, square to it, (4,)."""
    out = []
    for point in (found.left_point_mm, found.right_point_mm):
        # The true axis where it passes the plane through the point square to the found axis.
        u, v = found.direction, truth.direction
        s = ((point - truth.midpoint_mm) @ u) / (v @ u)
        out.append(across @ (point - truth.midpoint_mm - s * v))
    return np.concatenate(out)
