"""What the uncertainty of the casts' mounted position alone does to the verdict's error."""

from __future__ import annotations

import numpy as np

from kinematics.base.errors import Finding
from kinematics.base.words import MICROMETRES
from kinematics.case.tables import Uncertainty
from kinematics.closure.close import Closures
from kinematics.decision.verdict import worst_of
from kinematics.uncertainty.from_case import inputs_from_case
from kinematics.uncertainty.inputs import COLUMNS

MOTION = slice(10, 16)
"""Columns of a draw that move the casts (:data:`kinematics.uncertainty.inputs.COLUMNS`)."""

COVERAGE_FACTOR = 1.96
"""Half width of the 95 % interval of a normal law in standard deviations (GUM 6.3.3)."""

SHOWN_MM = 5e-4
"""Less is not said: the words count in micrometres (ours)."""


def mounting_sd_mm(closed: Closures) -> float:
    """Standard uncertainty of the worst landmark error that the mounting alone makes, mm.

    Parameters
    ----------
    closed : Closures

    Returns
    -------
    float
        0 where nothing is known of the mounting's uncertainty; NaN where the teeth of a moved
        cast do not meet.

    Notes
    -----
    First order: half the difference of the worst error one standard deviation to either side,
    along each independent direction, added in quadrature. *Source*: GUM 5.1.3, note 2.
    """
    covariance = closed.placed.mounting.covariance
    if covariance is None or not covariance.any():
        return 0.0
    inputs = inputs_from_case(closed.placed, stop=closed.decision, table=Uncertainty())
    size, along = np.linalg.eigh(covariance)
    steps = np.sqrt(np.clip(size, 0.0, None)) * along
    values = np.zeros((12, len(COLUMNS)))
    values[:6, MOTION], values[6:, MOTION] = steps.T, -steps.T
    worst = inputs.close(values, "arbitrary").magnitude_mm.max(axis=1)
    return float(np.linalg.norm((worst[:6] - worst[6:]) / 2.0))


def mounting_findings(closed: Closures) -> list[Finding]:
    """Say what the mounting's uncertainty is worth, where the case has no ``[uncertainty]``.

    A warning where the tolerance lies within the 95 % range that it gives the worst error.
    """
    case = closed.case
    if case.uncertainty is not None or case.mounting is None:
        return []
    sd = mounting_sd_mm(closed)
    if not sd > SHOWN_MM:
        return []
    _, worst = worst_of(closed.stops[closed.decision])
    open_answer = abs(worst - case.decision.tolerance_mm) < COVERAGE_FACTOR * sd
    low, high = max(0.0, worst - COVERAGE_FACTOR * sd), worst + COVERAGE_FACTOR * sd
    meaning = (
        "and your tolerance lies in that range: the answer may be either"
        if open_answer
        else "which leaves the answer as it is"
    )
    return [
        Finding(
            "warning" if open_answer else "note",
            "mounting",
            "as surely as the casts are placed on the axis, the largest error lies between "
            f"{low * MICROMETRES:.0f} and {high * MICROMETRES:.0f} µm (95 %), {meaning}",
            "Add [uncertainty] to have every input's part and the probability.",
        )
    ]
