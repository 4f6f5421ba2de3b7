"""Locate the hinge axis from poses of the lower at two or more openings, with covariance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform
from scipy.stats import chi2

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding, InputError
from kinematics.mounting.locating import checks
from kinematics.mounting.locating.line_fit import LineFit, fit_line, metric
from kinematics.mounting.locating.located_axis import LocatedAxis, remarks

Fit = Callable[[NDArray[np.intp], FloatArray], LineFit]

INFLATE_P = 0.05
"""Residuals less probable than this under the stated noise widen the covariance (ours)."""
HUBER_LIMIT = float(np.sqrt(chi2.ppf(0.95, 6)))
"""Size of a pose's whitened residual from which the robust loss grows linearly (95 %, 6 dof)."""


def axis_from_poses(
    poses: RigidTransform,
    reference_points_mm: ArrayLike,
    *,
    left: ArrayLike,
    noise: float | ArrayLike | None = None,
    weights: ArrayLike | None = None,
    half_widths_mm: tuple[float, float] = (55.0, 55.0),
    nominal_openings_deg: ArrayLike | None = None,
    robust: bool = True,
    names: Sequence[str] | None = None,
) -> LocatedAxis:
    """Find the common axis of a body's poses by least squares over all relative motions.

    Parameters
    ----------
    poses : RigidTransform, n >= 2
        ``upper_scan_from_lower_scan`` at n openings. The first need not be exact.
    reference_points_mm : array_like, shape (k, 3), k >= 3, frame ``lower_scan``
        Points of the arch, not on one line, where residual motion is measured.
    left : array_like, shape (3,)
        Roughly towards the patient's left, in the frame of the poses.
    noise : float or array_like of shape (n, 6, 6), optional
        RMS registration error at the reference points in mm; or a covariance a pose of (rotation
        vector in rad, displacement in mm) about the middle of the posed reference points, as
        :meth:`kinematics.casts.registration.RegistrationResult.covariance_at` gives. Without it the
        noise is estimated from the residuals.
    weights : array_like, shape (n,), optional
        Relative trust, 1 for an ordinary scan.
    half_widths_mm : (float, float)
        Transverse distance of the left and the right point from the middle of the arch.
    nominal_openings_deg : array_like, shape (n,), optional
        What was aimed at, to detect scans out of order and swapped sides.
    robust : bool
        Fit without each scan too; set aside one at fault; hold down scans that disagree where
        none can be named.
    names : sequence of str, optional
        Names of the scans in messages.

    Raises
    ------
    InputError
        Fewer than two poses; openings too small (the magnification is stated); axis not
        transverse; swapped sides; reference points on a line; a wrong unit; bad covariance.

    Notes
    -----
    *Guarantee*: minimises the residual motion at the reference points (or its Mahalanobis form)
    over one line, n angles and the first pose together; for two scans without a slide it is
    their screw axis.
    Where the scans disagree more than the stated noise allows (5 %), the covariance is inflated
    by chi-square over dof. *Source*: derived here; simulated in the tests.
    """
    turn, shift = checks.pose_arrays(poses)
    n = len(turn)
    labels = [f"scan {i + 1}" for i in range(n)] if names is None else list(names)
    if len(labels) != n:
        raise InputError("names", f"{len(labels)} names", f"{n}", "Give one name a scan.")
    points, centre = checks.reference(reference_points_mm)
    hint = checks.towards_left(left)
    trust = checks.scan_weights(weights, n)
    spread = np.stack([metric(points @ t.T, t @ centre) for t in turn])
    whiteners, known, noise_mm = checks.noise_whiteners(noise, spread, len(points))
    angles = checks.check_openings(turn, shift, hint, nominal_openings_deg, labels)

    def fit(used: NDArray[np.intp], factors: FloatArray) -> LineFit:
        return fit_line(
            turn[used], shift[used], centre, whiteners[used], half_widths_mm, hint, factors[used]
        )

    chosen, factors, fault, findings = choose_scans(
        fit, angles, trust, known, labels, robust=robust
    )
    used = np.flatnonzero(np.arange(n) != fault)
    axis = HingeAxis(chosen.left, chosen.right)
    fix = "Check the unit of the translations (mm), and that the poses are "
    fix += "upper_scan_from_lower_scan."
    checks.check_located(axis, turn[used[0]] @ centre + shift[used[0]], "openings", fix)
    unit_sd = float(np.sqrt(chosen.sum_squares / chosen.dof))
    unlikely = known and chi2.sf(chosen.sum_squares, chosen.dof) < INFLATE_P
    inflation = unit_sd if unlikely else 1.0
    scale = inflation if known else unit_sd
    at_points = spread[used] / len(points)
    opening, residual = np.full(n, np.nan), np.full(n, np.nan)
    opening[used] = np.degrees(chosen.angles)
    e = chosen.residuals
    residual[used] = np.sqrt(np.einsum("na,nab,nb->n", e, at_points, e))
    result = LocatedAxis(
        axis=axis,
        line_directions=frozen([chosen.toward, chosen.above]),
        line_covariance_mm2=frozen(scale**2 * chosen.cofactor),
        dof=chosen.dof,
        noise_known=known,
        noise_mm=noise_mm if known else noise_mm * scale,
        inflation=inflation,
        opening_deg=frozen(opening),
        residual_mm=frozen(residual),
        weights=frozen(factors),
        departure=checks.pure_rotation_test(
            chosen, known, axis.direction, whiteners[used], at_points
        ),
        magnification=checks.largest_magnification(chosen.angles),
        scan_at_fault=fault,
        findings=(),
    )
    return replace(result, findings=(*findings, *remarks(result, labels)))


def choose_scans(
    fit: Fit,
    angles: FloatArray,
    trust: FloatArray,
    known: bool,
    labels: list[str],
    *,
    robust: bool,
) -> tuple[LineFit, FloatArray, int | None, list[Finding]]:
    """Fit all scans; set one aside, or hold some down, where they disagree."""
    everything = np.arange(len(angles))
    whole = fit(everything, trust)
    drops = [np.delete(everything, i) for i in everything]
    testable = len(angles) >= 3 and all(
        checks.largest_magnification(angles[d]) <= checks.MAX_MAGNIFICATION for d in drops
    )
    if not (robust and testable):
        return whole, trust, None, []
    without = [fit(d, trust) for d in drops]
    fault, disagree = checks.scan_at_fault(whole, without, known)
    if fault is not None:
        factors = trust.copy()
        factors[fault] = 0.0
        rest = without[fault]
        shifts = np.linalg.norm([whole.left - rest.left, whole.right - rest.right], axis=1)
        message = f"{labels[fault]} disagrees with all others and was set aside; with it the axis "
        message += f"would move by {shifts.max():.2f} mm"
        fix = f"Repeat {labels[fault]}, or its registration; the others agree without it."
        return rest, factors, fault, [Finding("warning", labels[fault], message, fix)]
    if not disagree:
        return whole, trust, None, []
    fitted, factors = held_down(fit, trust, whole, known)
    message = "the scans disagree more than their noise allows and no single one explains it"
    fix = "Take one or two more scans at other openings, then see which one stands out."
    return fitted, factors, None, [Finding("warning", "openings", message, fix)]


def held_down(
    fit: Fit, trust: FloatArray, start: LineFit, known: bool
) -> tuple[LineFit, FloatArray]:
    """Huber's loss on whole poses by reweighting, 20 rounds at most."""
    everything = np.arange(len(trust))
    current, factors = start, trust
    for _ in range(20):
        raw = current.whitened.reshape(-1, 6) / np.sqrt(factors)[:, None]
        size = np.linalg.norm(raw, axis=1)
        if not known:
            size = size * np.sqrt(6.0) / max(float(np.median(size)), 1e-300)
        new = trust * np.minimum(1.0, HUBER_LIMIT / np.maximum(size, 1e-300))
        settled = bool(np.abs(new - factors).max() < 1e-6)
        factors = new
        current = fit(everything, factors)
        if settled:
            break
    return current, factors
