"""Is it one axis? Checks of what it is located from, departure from pure rotation, faults."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import chi2, f

from kinematics.base.arrays import FloatArray, turns_about
from kinematics.base.axis import HingeAxis, as_point
from kinematics.base.errors import InputError
from kinematics.mounting.locating.line_fit import LineFit, start_line

REJECT_P = 0.01
"""A fit, or a scan, is rejected below this probability (ours)."""
FAULT_RATIO = 3.0
"""Without stated noise, dropping the scan at fault must leave a sum of squares this many times
smaller than dropping any other scan does (ours)."""


def registration_magnification(opening_deg: float) -> float:
    """Error of the axis per error of registration, ``1 / (2 sin(theta / 2))``.

    Parameters
    ----------
    opening_deg : float
        Angle between the two poses, degrees, not 0.

    Notes
    -----
    *Guarantee*: exact for a registration error that is a translation square to the axis.
    *Source*: derived here: ``(I - R) da = e`` and ``|(I - R) da| = 2 sin(theta/2) |da|``. The
    published magnification 41.83 to 1 (Safrany-Fark et al., PLoS One 2023;18:e0285162) is that of
    1.37 degrees.
    """
    return float(1.0 / (2.0 * np.sin(np.radians(abs(opening_deg)) / 2.0)))


@dataclass(frozen=True)
class PureRotationTest:
    """Whether the poses are those of one pure rotation, within their noise.

    Attributes
    ----------
    kind : {"chi_square", "F", "none"}
        Chi-square where the noise was stated; otherwise F of a model with a slide in proportion
        to the angle and a sagittal drift in proportion to its square; none with too few scans.
    statistic, p_value : float
        NaN for ``none``.
    dof : tuple of int
    rejected : bool
        ``p_value`` below 0.01.
    slide_mm : float
        Slide along the axis between the two scans that differ most in it.
    rms_mm, largest_mm : float
        Displacement left over at the reference points.
    """

    kind: Literal["chi_square", "F", "none"]
    statistic: float
    p_value: float
    dof: tuple[int, ...]
    rejected: bool
    slide_mm: float
    rms_mm: float
    largest_mm: float


def pure_rotation_test(
    fit: LineFit,
    noise_known: bool,
    direction: FloatArray,
    whiteners: FloatArray,
    point_metric: FloatArray,
) -> PureRotationTest:
    """Test a fit for departure from pure rotation.

    Notes
    -----
    A forward slide of the condyles in proportion to the opening is, to first order, a rotation
    about another axis; no test on poses can see it, this one included (derived here).
    """
    inward = -fit.reach * (turns_about(direction, fit.angles) @ fit.toward)
    at_axis = fit.residuals[:, 3:] + np.cross(fit.residuals[:, :3], inward)
    slides = at_axis @ direction
    square = np.einsum("na,nab,nb->n", fit.residuals, point_metric, fit.residuals)
    size = {
        "slide_mm": float(np.ptp(slides)),
        "rms_mm": float(np.sqrt(square.mean())),
        "largest_mm": float(np.sqrt(square.max())),
    }
    if noise_known:
        p = float(chi2.sf(fit.sum_squares, fit.dof))
        return PureRotationTest("chi_square", fit.sum_squares, p, (fit.dof,), p < REJECT_P, **size)
    if fit.dof - 3 < 3:
        nan = float("nan")
        return PureRotationTest("none", nan, nan, (fit.dof,), False, **size)
    n = len(fit.angles)
    extra = np.zeros((n, 6, 3))
    extra[:, 3:, 0] = fit.angles[:, None] * direction
    extra[:, 3:, 1] = fit.angles[:, None] ** 2 * fit.toward
    extra[:, 3:, 2] = fit.angles[:, None] ** 2 * fit.above
    wide = np.concatenate([fit.jacobian, (whiteners @ extra).reshape(6 * n, 3)], axis=1)
    wide = wide / np.linalg.norm(wide, axis=0)
    left_over = fit.whitened - wide @ np.linalg.lstsq(wide, fit.whitened, rcond=None)[0]
    small = float(left_over @ left_over)
    rest = fit.dof - 3
    gain = max(fit.sum_squares - small, 0.0)
    if small <= 1e-18 * max(gain, 1e-300) or gain == 0.0:
        statistic = 0.0 if gain == 0.0 else float("inf")
    else:
        statistic = (gain / 3.0) / (small / rest)
    p = float(f.sf(statistic, 3, rest))
    return PureRotationTest("F", float(statistic), p, (3, rest), p < REJECT_P, **size)


def scan_at_fault(
    whole: LineFit, without: list[LineFit], noise_known: bool
) -> tuple[int | None, bool]:
    """Name the one scan whose removal, and no other's, makes the rest agree.

    Parameters
    ----------
    whole : LineFit
        All scans.
    without : list of LineFit
        Without scan i.

    Returns
    -------
    int or None, bool
        The scan; and whether the scans disagree although none can be named.

    Notes
    -----
    Removing a scan takes 5 degrees of freedom (6 numbers less its angle). With stated noise the
    tests are chi-square; without it, an F ratio with Bonferroni's factor, from four scans on.
    """
    sums = np.array([w.sum_squares for w in without])
    best = int(np.argmin(sums))
    if noise_known:
        if chi2.sf(whole.sum_squares, whole.dof) >= REJECT_P:
            return None, False
        agree = [chi2.sf(w.sum_squares, w.dof) >= REJECT_P for w in without]
        return (best, False) if agree[best] and sum(agree) == 1 else (None, True)
    rest = without[best].dof
    if rest < 6:
        return None, False
    floor = max(float(sums[best]), 1e-300)
    ratio = (whole.sum_squares - sums[best]) / 5.0 / (floor / rest)
    bad = float(f.sf(max(ratio, 0.0), 5, rest)) * len(without) < REJECT_P
    others = np.delete(sums, best)
    if bad and others.min() > FAULT_RATIO * floor:
        return best, False
    return None, bool(bad)


MAX_MAGNIFICATION = 50.0
"""Refused beyond it: a registration error of 0.03 mm would be 1.5 mm at the axis (ours)."""
LEAST_OPENING_DEG = float(np.degrees(2.0 * np.arcsin(0.5 / MAX_MAGNIFICATION)))
"""Angle between two poses that magnifies so much (1.15 degrees; derived here)."""
MAX_TILT_DEG = 45.0
"""An axis farther than this from the stated left is not a transverse axis (ours)."""
REACH_MM = (20.0, 200.0)
"""Accepted distance of the axis from the middle of the arch; outside, a wrong unit (ours)."""
ORDER_MARGIN_DEG = 0.5
"""Openings in the wrong order by less than this are not remarked on (ours)."""
MIN_SPREAD_MM = 5.0
"""Reference points closer to one line than this do not fix a pose (ours)."""


def pose_arrays(poses: RigidTransform) -> tuple[FloatArray, FloatArray]:
    """Rotations (n, 3, 3) and translations (n, 3) of at least two finite poses."""
    m = np.asarray(poses.as_matrix()).reshape(-1, 4, 4)
    if len(m) < 2:
        got = f"{len(m)} pose{'' if len(m) == 1 else 's'}"
        need = "at least 2 poses of the lower at different openings"
        raise InputError("openings", got, need, "Scan the bite at one more opening.")
    if not np.isfinite(m).all():
        raise InputError("openings", "a pose with a NaN", "finite poses", "Check the matrices.")
    return m[:, :3, :3], m[:, :3, 3]


def reference(points_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Reference points (k, 3) and their middle (3,)."""
    where, fix = "reference_points_mm", "Give three or more points spread over the lower arch."
    points = np.array(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 3:
        raise InputError(where, f"shape {points.shape}", "at least 3 points of 3 numbers", fix)
    if not np.isfinite(points).all():
        raise InputError(where, "a NaN", "finite numbers in mm", fix)
    centre = points.mean(axis=0)
    width = float(np.linalg.svd(points - centre, compute_uv=False)[1])
    if width < MIN_SPREAD_MM:
        got = f"points within {width:.2g} mm of one line"
        raise InputError(where, got, "points of the whole arch, in mm", fix)
    return points, centre


def towards_left(left: ArrayLike) -> FloatArray:
    """Unit vector of the stated direction to the patient's left."""
    vector = as_point(left, "left")
    size = float(np.linalg.norm(vector))
    if size == 0.0:
        raise InputError("left", "a zero vector", "a direction", "Point to the patient's left.")
    return vector / size


def scan_weights(weights: ArrayLike | None, n: int) -> FloatArray:
    """Positive weights (n,), 1 where none are given."""
    if weights is None:
        return np.ones(n)
    w = np.array(weights, dtype=np.float64)
    if w.shape != (n,) or not (np.isfinite(w).all() and (w > 0).all()):
        got = f"{w.tolist()}"
        raise InputError("weights", got, f"{n} numbers above 0", "Leave a scan out to drop it.")
    return w


def noise_whiteners(
    noise: float | ArrayLike | None, spread: FloatArray, k: int
) -> tuple[FloatArray, bool, float]:
    """Whiteners (n, 6, 6) of the poses' twists, whether the noise is known, and its RMS in mm.

    Parameters
    ----------
    noise : as in :func:`kinematics.mounting.locating.from_poses.axis_from_poses`
    spread : ndarray, shape (n, 6, 6)
        Sum of squared displacements of the k reference points as a form in the twist.
    k : int
    """
    n = len(spread)
    given = np.array(1.0 if noise is None else noise, dtype=np.float64)
    if given.ndim == 0:
        size = float(given)
        if not (np.isfinite(size) and size > 0):
            need, fix = "a registration error above 0 mm", "Leave it out to estimate."
            raise InputError("noise", f"{size:g}", need, fix)
        # With covariance s^2 inv(spread) the mean square displacement is 6 s^2 / k.
        unit = size * np.sqrt(k / 6.0)
        whiteners = np.swapaxes(np.linalg.cholesky(spread), 1, 2) / unit
        return whiteners, noise is not None, size
    if given.shape != (n, 6, 6):
        got = f"shape {given.shape}"
        raise InputError("noise", got, f"one number, or ({n}, 6, 6)", "One matrix a pose.")
    try:
        whiteners = np.swapaxes(np.linalg.cholesky(np.linalg.inv(given)), 1, 2)
    except np.linalg.LinAlgError:
        got, need = "a matrix that is no covariance", "symmetric positive definite matrices"
        fix = "Give (rotation in rad, displacement in mm), or the RMS error as one number."
        raise InputError("noise", got, need, fix) from None
    mean_square = np.einsum("nab,nba->n", spread, given).mean() / k
    return whiteners, True, float(np.sqrt(mean_square))


def largest_magnification(angles_rad: FloatArray) -> float:
    """Magnification of registration error at the largest angle between two scans."""
    widest = float(np.ptp(angles_rad))
    return registration_magnification(np.degrees(widest)) if widest > 0 else float("inf")


def check_openings(
    turn: FloatArray,
    shift: FloatArray,
    left: FloatArray,
    nominal_deg: ArrayLike | None,
    labels: Sequence[str],
) -> FloatArray:
    """Angles (n,), rad, from the first scan about the common axis; refuse unusable sets."""
    vectors = Rotation.from_matrix(turn @ turn[0].T).as_rotvec()
    u = start_line(turn, shift, left)[0] if vectors.any() else left
    angles = vectors @ u
    factor = largest_magnification(angles)
    if factor > MAX_MAGNIFICATION:
        widest, effect = float(np.degrees(np.ptp(angles))), "without limit"
        if factor < 1e6:
            effect = f"{factor:.0f} times (0.03 mm becomes {0.03 * factor:.2g} mm at the axis)"
        got = f"scans {widest:.3g} degrees apart at most, which magnify a registration error "
        got += f"{effect}"
        need = f"at least {LEAST_OPENING_DEG:.2f} degrees apart "
        need += f"(at most {MAX_MAGNIFICATION:g} times); 5 degrees or more is better"
        fix = "Scan the bite at a wider opening within pure hinge movement."
        raise InputError("openings", got, need, fix)
    fix = "Check the direction to the left, the frames of the poses, and that the movement was "
    check_tilt(u, left, "openings", "a common axis", fix + "an opening.")
    if nominal_deg is not None:
        check_order(angles, np.array(nominal_deg, dtype=np.float64), labels)
    return angles


def check_tilt(u: FloatArray, left: FloatArray, where: str, what: str, fix: str) -> None:
    """Refuse a direction far from the stated left; the words go to the error."""
    tilt = float(np.degrees(np.arccos(np.clip(u @ left, -1.0, 1.0))))
    if tilt > MAX_TILT_DEG:
        need = f"a transverse axis, within {MAX_TILT_DEG:g} degrees"
        raise InputError(where, f"{what} {tilt:.0f} degrees away from the stated left", need, fix)


def check_order(angles: FloatArray, nominal: FloatArray, labels: Sequence[str]) -> None:
    """Refuse openings in another order than the one stated."""
    where = "nominal_openings_deg"
    if nominal.shape != angles.shape or not np.isfinite(nominal).all():
        got = f"{nominal.tolist()}"
        raise InputError(where, got, f"{len(angles)} finite numbers", "One opening a scan.")
    if np.ptp(nominal) == 0:
        return
    found = np.degrees(angles - angles.mean())
    wanted = nominal - nominal.mean()
    if found @ wanted < 0:
        got = "openings that close where they should open"
        need = "the direction to the patient's left, and scans in the order stated"
        fix = "Left and right are swapped, or the poses are inverted (lower_scan_from_upper_scan)."
        raise InputError("left", got, need, fix)
    d_found, d_wanted = found[:, None] - found, wanted[:, None] - wanted
    discord = (d_found * d_wanted < 0) & (np.abs(d_found) > ORDER_MARGIN_DEG)
    if discord.any():
        worst = int(np.argmax((discord * np.abs(d_found)).sum(axis=1)))
        got = f"{labels[worst]} at {np.degrees(angles[worst] - angles[0]):.2g} degrees, stated "
        got += f"{nominal[worst] - nominal[0]:.2g}"
        fix = "Check which file belongs to which opening."
        raise InputError(where, got, "scans in the order of their openings", fix)


def check_located(axis: HingeAxis, centre: FloatArray, where: str, fix: str) -> None:
    """Refuse an axis as far from the arch as none is; ``where`` and ``fix`` go to the error."""
    reach, (low, high) = float(axis.distance_mm(centre)), REACH_MM
    if not low <= reach <= high:
        got = f"an axis {reach:.4g} mm from the middle of the arch"
        raise InputError(where, got, f"{low:g} to {high:g} mm", fix)
