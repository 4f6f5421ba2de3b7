"""The record of a located axis: line, covariance, departure, comparisons, and its remarks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding
from kinematics.mounting.locating.checks import PureRotationTest

WARN_MAGNIFICATION = 20.0
"""From here on a larger opening is advised (ours); it is that of 2.87 degrees."""
PURE_HINGE_DEG = 13.0
"""Pure hinge opening ends at 10 to 13 degrees (textbooks, from memory); mean 17.2 mm at the
incisors (Woelfel, Igarashi & Dong 2014, read), about 11 degrees at 90 mm."""


@dataclass(frozen=True, eq=False)
class UncertainAxis:
    """An axis with its uncertainty, in the frame of what it was located from.

    Attributes
    ----------
    axis : HingeAxis
        Points at the stated half widths from the foot of the arch's middle (at the first pose).
    line_directions : ndarray, shape (2, 3)
        Unit vectors square to the axis: toward the arch, and above (that one cross left).
    line_covariance_mm2 : ndarray, shape (4, 4)
        Of (left toward, left above, right toward, right above).
    dof : int
        Degrees of freedom behind the scale of the covariance; use Student's t where
        ``noise_known`` is False.
    noise_mm : float
        Stated, or estimated from the residuals: of poses the RMS registration error at the
        reference points, of tracks the standard deviation of a coordinate of a sample.
    """

    axis: HingeAxis
    line_directions: FloatArray
    line_covariance_mm2: FloatArray
    dof: int
    noise_known: bool
    noise_mm: float

    @property
    def covariance_mm2(self) -> FloatArray:
        """Covariance of (left xyz, right xyz), (6, 6); rank 4: sliding along the line is free."""
        base = np.kron(np.eye(2), self.line_directions)
        return frozen(base.T @ self.line_covariance_mm2 @ base)

    @property
    def sd_mm(self) -> FloatArray:
        """Standard deviation of (left toward, left above, right toward, right above), mm."""
        return np.sqrt(np.diag(self.line_covariance_mm2))

    def moved(self, b_from_a: RigidTransform) -> tuple[HingeAxis, FloatArray]:
        """Return axis and (6, 6) covariance in another frame."""
        turn = np.kron(np.eye(2), b_from_a.rotation.as_matrix())
        return self.axis.transformed(b_from_a), turn @ self.covariance_mm2 @ turn.T


@dataclass(frozen=True, eq=False)
class LocatedAxis(UncertainAxis):
    """An axis located from poses.

    Attributes
    ----------
    inflation : float
        Factor on the standard deviations because the scans disagree more than the noise stated.
    opening_deg : ndarray, shape (n,)
        From the first scan used, opening positive; NaN for a scan set aside.
    residual_mm : ndarray, shape (n,)
        RMS displacement left over at the reference points; NaN for a scan set aside.
    weights : ndarray, shape (n,)
        0 for a scan set aside, below 1 for one held down by the robust loss.
    scan_at_fault : int or None
    """

    inflation: float
    opening_deg: FloatArray
    residual_mm: FloatArray
    weights: FloatArray
    departure: PureRotationTest
    magnification: float
    scan_at_fault: int | None
    findings: tuple[Finding, ...]


def remarks(result: LocatedAxis, labels: Sequence[str]) -> list[Finding]:
    """Findings about a located axis."""
    out: list[Finding] = []

    def warn(message: str, fix: str) -> None:
        out.append(Finding("warning", "openings", message, fix))

    test = result.departure
    widest = float(np.nanmax(result.opening_deg) - np.nanmin(result.opening_deg))
    if result.magnification > WARN_MAGNIFICATION:
        warn(
            f"the scans are at most {widest:.2f} degrees apart, so a registration error is "
            f"magnified {result.magnification:.0f} times at the axis ({result.noise_mm:.3f} mm "
            f"becomes {result.noise_mm * result.magnification:.2f} mm)",
            "Add a scan at a wider hinge opening.",
        )
    if widest > PURE_HINGE_DEG:
        warn(
            f"the scans span {widest:.1f} degrees; pure hinge opening ends at about 10 to 13",
            "Make sure that the condyles did not travel forward at the widest opening.",
        )
    if not result.noise_known and result.dof == 1:  # two scans; three leave 6
        message = "the noise is estimated from one degree of freedom only, so the uncertainty is "
        warn(message + "itself a guess", "State the registration error, or add scans.")
    if test.rejected:
        warn(
            f"the movement departs from a pure rotation (p = {test.p_value:.1g}): "
            f"{test.largest_mm:.3f} mm left over at the arch, {test.slide_mm:.3f} mm slide along "
            "the axis",
            "Guide the patient to the hinge position and scan again; the condyles moved.",
        )
    closed = [labels[i] for i in range(1, len(labels)) if result.opening_deg[i] < -0.5]
    if closed:
        message = f"{', '.join(closed)}: more closed than {labels[0]}"
        fix = "Right if the first scan was the open one; otherwise left and right are swapped."
        out.append(Finding("note", "openings", message, fix))
    return out
