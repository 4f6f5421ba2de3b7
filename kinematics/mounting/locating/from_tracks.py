"""Locate the hinge axis from points tracked on arcs about it, with covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, f

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding, InputError
from kinematics.mounting.locating import checks
from kinematics.mounting.locating.arc_fit import ArcFit, demean, fit_arcs
from kinematics.mounting.locating.located_axis import UncertainAxis

OUTLIER_SD = 6.0
"""A sample farther off than this many robust standard deviations is set aside (ours)."""
STRAIGHT = 1e-9
"""Spread across a path, as a share of that along it, that is rounding (ours)."""
WARN_SD_MM = 2.0
"""Uncertainty of an axis point from which a longer arc is advised (ours)."""


@dataclass(frozen=True, eq=False)
class TrackedAxis(UncertainAxis):
    """An axis located from tracks.

    Attributes
    ----------
    arc_deg, radius_mm, residual_mm : ndarray, shape (tracks,)
        Angle swept, distance from the axis, RMS distance of the samples from their circle.
    departure_p : float
        Probability of residuals this large (chi-square, noise stated) or of paths this far from
        common circles (F against a smooth path of its own a track); NaN where untestable.
    outliers : tuple of (track, sample)
        Set aside.
    """

    arc_deg: FloatArray
    radius_mm: FloatArray
    residual_mm: FloatArray
    departure_p: float
    outliers: tuple[tuple[int, int], ...]
    findings: tuple[Finding, ...]


def axis_from_tracked_points(
    tracks: Sequence[ArrayLike],
    *,
    left: ArrayLike,
    noise_mm: float | None = None,
    half_widths_mm: tuple[float, float] = (55.0, 55.0),
) -> TrackedAxis:
    """Find the common axis of points tracked on arcs, by orthogonal least squares.

    Parameters
    ----------
    tracks : sequence of array_like, shape (m, 3), mm
        One array a point of the lower, in a frame fixed to the upper; m >= 4, and 6 samples more
        than unknowns in all. Samples of different tracks need not be simultaneous.
    left : array_like, shape (3,)
        Roughly towards the patient's left.
    noise_mm : float, optional
        Standard deviation of each coordinate; estimated from the residuals where not given.
    half_widths_mm : (float, float)
        Transverse distance of the left and right point from the middle of all samples.

    Raises
    ------
    InputError
        Too few samples, tracks that do not move or sweep less than 1.15 degrees, an axis that
        is not transverse or at an impossible distance, non-finite numbers.

    Notes
    -----
    *Guarantee*: a local minimum of the summed squared distances of the samples from circles about
    one line, each track with its radius and height; samples farther off than six robust SD are
    set aside and named. The centre of a short arc is known along its radius only to about
    noise / angle squared, so three markers with simultaneous samples do better as poses.
    *Source*: derived here; simulated in the tests.
    """
    data, owner = checked_tracks(tracks)
    if noise_mm is not None and not (np.isfinite(noise_mm) and noise_mm > 0):
        raise InputError("noise_mm", f"{noise_mm:g}", "above 0 mm", "Leave it out to estimate.")
    hint = checks.towards_left(left)
    keep = np.ones(len(data), dtype=bool)
    best = fit_arcs(data, owner, hint, half_widths_mm)
    size = np.linalg.norm(best.residuals.reshape(-1, 2), axis=1)
    robust_sd = float(np.median(size)) / np.sqrt(2.0 * np.log(2.0))
    far = size > OUTLIER_SD * max(robust_sd, noise_mm or 0.0, 1e-9)
    if far.any() and far.sum() <= 0.1 * len(far):
        keep = ~far
        best = fit_arcs(data[keep], owner[keep], hint, half_widths_mm)
    count = int(owner.max()) + 1
    dof = 2 * int(keep.sum()) - 4 - 2 * count
    estimated = float(np.sqrt(best.cost / dof))
    sd = estimated if noise_mm is None else noise_mm * max(1.0, estimated / noise_mm)
    middle, u = best.foot, best.u
    axis = HingeAxis(middle + half_widths_mm[0] * u, middle - half_widths_mm[1] * u)
    fix = "Check the unit of the samples and their arcs."
    checks.check_located(axis, data[keep].mean(axis=0), "tracks", fix)
    own = owner[keep]
    each = [own == j for j in range(count)]
    arc = np.array([np.degrees(np.ptp(best.angle[one])) for one in each])
    check_arcs(arc, best, hint)
    square = (best.residuals.reshape(-1, 2) ** 2).sum(axis=1)
    lost = np.flatnonzero(~keep)
    result = TrackedAxis(
        axis=axis,
        line_directions=frozen([best.toward, best.above]),
        line_covariance_mm2=frozen(sd**2 * np.linalg.inv(best.jacobian.T @ best.jacobian)),
        dof=dof,
        noise_known=noise_mm is not None,
        noise_mm=estimated if noise_mm is None else noise_mm,
        arc_deg=frozen(arc),
        radius_mm=frozen([best.radius[one].mean() for one in each]),
        residual_mm=frozen([np.sqrt(square[one].mean()) for one in each]),
        departure_p=chance_of_departure(best, own, noise_mm, dof),
        outliers=tuple((int(owner[i]), int(i - np.argmax(owner == owner[i]))) for i in lost),
        findings=(),
    )
    return replace(result, findings=tuple(remarks(result)))


def checked_tracks(tracks: Sequence[ArrayLike]) -> tuple[FloatArray, NDArray[np.intp]]:
    """All samples (n, 3) and the track of each; too few or useless tracks are refused."""
    arrays = [np.array(t, dtype=np.float64) for t in tracks]
    for j, a in enumerate(arrays):
        where = f"tracks.{j}"
        if a.ndim != 2 or a.shape[1] != 3 or len(a) < 4:
            got = f"shape {a.shape}"
            raise InputError(where, got, "4 or more samples of 3 numbers", "Record a longer arc.")
        if not np.isfinite(a).all():
            raise InputError(where, "a NaN", "finite numbers in mm", "Remove lost samples.")
        if np.linalg.norm(np.ptp(a, axis=0)) == 0.0:
            raise InputError(where, "a point that does not move", "an arc", "Track the lower.")
    total = sum(len(a) for a in arrays)
    if 2 * total < 4 + 2 * len(arrays) + 6 or not arrays:
        got = f"{total} samples in {len(arrays)} tracks"
        need = "6 numbers more than unknowns (two a sample; 4, and 2 a track)"
        raise InputError("tracks", got, need, "Record more samples.")
    spreads = (np.linalg.svd(a - a.mean(axis=0), compute_uv=False) for a in arrays)
    if not any(across > STRAIGHT * along for along, across, _ in spreads):
        got = "points that move on straight lines"
        fix = "Record a wider opening, with all digits of the samples."
        raise InputError("tracks", got, "arcs about the hinge axis", fix)
    owner = np.repeat(np.arange(len(arrays)), [len(a) for a in arrays])
    return np.concatenate(arrays), owner


def chance_of_departure(
    best: ArcFit, owner: NDArray[np.intp], noise_mm: float | None, dof: int
) -> float:
    """Probability of paths this far from circles about one line; NaN where untestable."""
    if noise_mm is not None:
        return float(chi2.sf(best.cost / noise_mm**2, dof))
    columns = []
    turn = demean(best.angle, owner)
    for track in range(int(owner.max()) + 1):
        for power in (1, 2):
            for part in np.eye(2):
                path = np.where(owner == track, turn**power, 0.0)
                columns.append(demean(np.outer(path, part), owner).reshape(-1))
    wide = np.column_stack([best.jacobian, *columns])
    wide /= np.linalg.norm(wide, axis=0)
    solution, _, rank, _ = np.linalg.lstsq(wide, best.residuals, rcond=1e-9)
    left_over = best.residuals - wide @ solution
    small, extra = float(left_over @ left_over), int(rank) - 4
    rest = dof - extra
    if rest < 3 or extra < 1 or best.cost < 1e-18 * len(owner):
        return float("nan")
    return float(f.sf((best.cost - small) / extra / max(small / rest, 1e-300), extra, rest))


def check_arcs(arc_deg: FloatArray, best: ArcFit, hint: FloatArray) -> None:
    """Refuse arcs too short to locate an axis, and an axis that is not transverse."""
    widest = float(arc_deg.max())
    factor = checks.registration_magnification(widest)
    if factor > checks.MAX_MAGNIFICATION:
        got = f"arcs of {widest:.3g} degrees at most, which magnify an error at least "
        need = f"{checks.LEAST_OPENING_DEG:.2f} degrees or more; 8 or more is better"
        fix = "Record a wider opening within pure hinge movement."
        raise InputError("tracks", f"{got}{factor:.0f} times", need, fix)
    fix = "Check the direction to the left, and that the movement was an opening."
    checks.check_tilt(best.u, hint, "tracks", "an axis", fix)


def remarks(result: TrackedAxis) -> list[Finding]:
    """Findings about an axis located from tracks."""
    out = []
    worst = float(result.sd_mm.max())
    if worst > WARN_SD_MM:
        message = f"arcs of {result.arc_deg.max():.1f} degrees leave an axis point uncertain by "
        message += f"{worst:.1f} mm (one SD)"
        fix = "Record a wider opening, more samples, or points farther from the axis."
        out.append(Finding("warning", "tracks", message, fix))
    if result.departure_p < checks.REJECT_P:
        message = f"the points do not move on circles about one axis (p = {result.departure_p:.1g})"
        fix = "Guide the patient to the hinge position and record again; the condyles moved."
        out.append(Finding("warning", "tracks", message, fix))
    if result.outliers:
        named = ", ".join(f"track {j + 1} sample {i + 1}" for j, i in result.outliers[:5])
        message = f"{len(result.outliers)} samples set aside: {named}"
        out.append(Finding("note", "tracks", message, "Look for a lost or slipped marker."))
    return out
