"""How sure one case's answer is: spread, chart, what it comes from, the mounting's own part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from kinematics.base.arrays import Progress
from kinematics.base.errors import Finding
from kinematics.base.to_json import form
from kinematics.base.words import HINGE_RANGE_MM, MICROMETRES
from kinematics.case.tables import Uncertainty
from kinematics.closure.close import Closures
from kinematics.closure.place import PlacedCase
from kinematics.uncertainty.departure import DecisionChart, decision_chart
from kinematics.uncertainty.inputs import COLUMNS, UncertaintyInputs, inputs_from_case
from kinematics.uncertainty.propagate import UncertaintySummary, propagate
from kinematics.uncertainty.ranking import RankedInput, ranked, sensitivity_of

CHART_POINTS = 13
"""Samples of the decision chart along each side (ours)."""

CHART_AXIS_ERROR_MM = 12.0
"""Axis errors up to this are charted: beyond nearly all published scatter (section 2; ours)."""

CHART_DIRECTIONS = 200
CHART_DIRECTIONS_CONTACT = 24
"""Directions of the axis error tried at each point of the chart (ours)."""

RANKING_SAMPLES_CONTACT = 128
"""Base samples of the ranking where each needs a first contact (ours: seconds)."""


@dataclass(frozen=True, eq=False)
class Risk:
    """Uncertainty of one case.

    Attributes
    ----------
    spread : UncertaintySummary
        Coverage intervals, probabilities and the value of locating the axis.
    chart : DecisionChart
        Worst error over departure and axis error.
    ranking : tuple of RankedInput
        What the spread comes from, largest first; empty where nothing varies.
    inputs : UncertaintyInputs
        What was propagated.
    """

    spread: UncertaintySummary
    chart: DecisionChart
    ranking: tuple[RankedInput, ...]
    inputs: UncertaintyInputs

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        chart = form(self.chart, "tolerance_mm")
        return self.spread.json_form() | {"decision_chart": chart, "ranking": self.ranking}


def risk_of(placed: PlacedCase, *, progress: Progress | None = None) -> Risk | None:
    """Compute a placed case's risk; None where it has no ``[uncertainty]``.

    Notes
    -----
    *Guarantee*: the case's seed decides every draw; equal cases give equal results.
    """
    if placed.case.uncertainty is None:
        return None
    tell = progress or (lambda words, done: None)
    inputs = inputs_from_case(placed)
    contact = inputs.stop == "contact"
    spread = propagate(inputs, progress=lambda words, done: tell(words, 0.7 * done))
    tell("Drawing up the decision chart", 0.7)
    departure = min(HINGE_RANGE_MM, max(6.0, 2.0 * abs(inputs.nominal_departure_mm)))
    chart = decision_chart(
        inputs,
        np.linspace(0.0, departure, CHART_POINTS),
        np.linspace(0.0, CHART_AXIS_ERROR_MM, CHART_POINTS),
        rng=np.random.default_rng(inputs.seed),
        directions=CHART_DIRECTIONS_CONTACT if contact else CHART_DIRECTIONS,
    )
    tell("Ranking what matters", 0.85)
    ranking: tuple[RankedInput, ...] = ()
    if inputs.groups:
        ranking = ranked(
            sensitivity_of(inputs, samples=RANKING_SAMPLES_CONTACT if contact else None)
        )
    return Risk(spread, chart, ranking, inputs)


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
    _, worst = closed.stops[closed.decision].worst
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
