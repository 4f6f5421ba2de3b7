"""Is it one axis? Departure from pure rotation, the scan at fault, and scan combinations."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import chi2, f

from kinematics.base.arrays import FloatArray, turns_about
from kinematics.mounting.locating.line_fit import LineFit

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
