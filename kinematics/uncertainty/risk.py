"""How sure one case's answer is: spread, chart, what it comes from, the mounting's own part."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from kinematics.base.arrays import Progress
from kinematics.base.to_json import form
from kinematics.base.words import HINGE_RANGE_MM
from kinematics.closure.close import Closures
from kinematics.excursions.chance import ExcursionModel
from kinematics.uncertainty.departure import DecisionChart, decision_chart
from kinematics.uncertainty.inputs import UncertaintyInputs, inputs_from_case
from kinematics.uncertainty.propagate import UncertaintySummary, propagate
from kinematics.uncertainty.ranking import LEAST_SPREAD_MM, RankedInput, ranked, sensitivity_of
from kinematics.uncertainty.ways import AS_PLANNED

CHART_POINTS = 13
"""Samples of the decision chart along each side (ours)."""

CHART_AXIS_ERROR_MM = 12.0
"""Axis errors up to this are charted: beyond nearly all published scatter (section 2; ours)."""

CHART_DIRECTIONS = 200
CHART_DIRECTIONS_CONTACT = 24
"""Directions of the axis error tried at each point of the chart (ours)."""

RANKING_SAMPLES_CONTACT = 128
"""Base samples of the ranking where each needs a first contact (ours: seconds)."""


NO_EXCURSION = (
    "No excursion of the articulator's settings can be compared, so that excursions are not "
    "counted."
)
"""Said where neither patient nor articulator can start any."""


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


def inputs_of(closed: Closures, *, threads: int | None = None) -> UncertaintyInputs:
    """The uncertain inputs of a closed case at its answer's stop, excursions with them.

    Excursions count where the case has ``[articulator]`` and at least one can be compared.
    """
    inputs = inputs_from_case(closed.placed, stop=closed.stop, threads=threads)
    if closed.case.articulator is None:
        return inputs
    sizes = ExcursionModel(closed.geometry).sizes
    at = closed.arbitrary_axis.points_mm - closed.true_axis.points_mm
    if np.isnan(sizes(np.zeros((1, 4)), at[:, ::2].reshape(1, 4))).any():
        return replace(inputs, assumptions=(*inputs.assumptions, NO_EXCURSION))
    return replace(inputs, excursions=sizes)


def risk_of(closed: Closures, *, progress: Progress | None = None) -> Risk:
    """Compute a closed case's risk, at its answer's stop.

    Notes
    -----
    *Guarantee*: the case's seed decides every draw; equal cases give equal results.
    """
    tell = progress or (lambda words, done: None)
    inputs = inputs_of(closed)
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
    if inputs.groups and np.ptp(spread.worst_displacement_mm[AS_PLANNED]) > LEAST_SPREAD_MM:
        ranking = ranked(
            sensitivity_of(inputs, samples=RANKING_SAMPLES_CONTACT if contact else None)
        )
    return Risk(spread, chart, ranking, inputs)
