"""How sure one case's answer is: spread, decision chart and the ranking of what causes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from kinematics.base.arrays import Progress
from kinematics.base.words import HINGE_RANGE_MM
from kinematics.closure.place import PlacedCase
from kinematics.uncertainty.departure import DecisionChart, decision_chart
from kinematics.uncertainty.from_case import inputs_from_case
from kinematics.uncertainty.inputs import UncertaintyInputs
from kinematics.uncertainty.propagate import UncertaintySummary, propagate
from kinematics.uncertainty.ranking import RankedInput, ranked, sensitivity_of
from kinematics.uncertainty.summary import summary_dict

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


def risk_dict(risk: Risk) -> dict[str, Any]:
    """JSON-ready values of a risk."""
    chart = risk.chart
    return {
        **summary_dict(risk.spread),
        "decision_chart": {
            "departure_mm": chart.departure_mm.tolist(),
            "axis_error_mm": chart.axis_error_mm.tolist(),
            "worst_mm": chart.worst_mm.tolist(),
            "coverage_mm": chart.coverage_mm.tolist(),
            "beyond": chart.beyond.tolist(),
        },
        "ranking": [
            {
                "rank": row.rank,
                "name": row.name,
                "first": row.first,
                "total": row.total,
                "first_interval": list(row.first_interval),
                "total_interval": list(row.total_interval),
                "sentence": row.sentence,
            }
            for row in risk.ranking
        ],
    }
