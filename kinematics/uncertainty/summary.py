"""The record of a case's uncertainty, and its form for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.to_json import form
from kinematics.case.tables import Decision
from kinematics.closure.stops import Stop
from kinematics.uncertainty.chance import Chance, Chances
from kinematics.uncertainty.ways import AS_PLANNED, AT_PLANNED, LOCATED, Way

QUANTITIES = ("magnitude", "anteroposterior", "transverse", "vertical", "high")
"""Per landmark: length of the error, its components along x, y and z, and the high amount, mm."""


@dataclass(frozen=True, eq=False)
class QuantitySummary:
    """One quantity at ``k`` landmarks, by Monte Carlo and by first order, mm.

    Attributes
    ----------
    mean, uncertainty : ndarray, shape (k,)
    symmetric, shortest : ndarray, shape (k, 2)
        Coverage intervals by Monte Carlo.
    gum_estimate, gum_uncertainty : ndarray, shape (k,)
    gum_interval : ndarray, shape (k, 2)
    gum_validated : ndarray of bool, shape (k,)
        Whether first order agrees with Monte Carlo (JCGM 101:2008, clause 8, one significant
        digit); where it does not, the Monte Carlo result stands.
    """

    mean: FloatArray
    uncertainty: FloatArray
    symmetric: FloatArray
    shortest: FloatArray
    gum_estimate: FloatArray
    gum_uncertainty: FloatArray
    gum_interval: FloatArray
    gum_validated: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class WayChance:
    """One way out: its errors, and how often it leaves the tolerance.

    Attributes
    ----------
    way : Way
    departure_mm : float
        Nominal, at the incisors, opening positive.
    chances : Chances
        Of any tooth beyond, in closure and in excursions.
    beyond : ndarray, shape (k,)
        P(beyond the tolerance in closure) at each landmark.
    displacement_mm, high_mm : float
        Largest displacement, and the largest amount high (positive) or out of contact. With nothing
        off where the arbitrary axis was measured; otherwise the sizes that the coverage's share of
        axes keeps.
    worst : int
        Landmark of the largest one by the case's measure; otherwise of the most frequent one.
    worst_mean_mm, worst_median_mm, worst_high_mm : float
        Of the largest displacement of each trial: mean, median and the coverage quantile.
    """

    way: Way
    departure_mm: float
    chances: Chances
    beyond: FloatArray
    displacement_mm: float
    high_mm: float
    worst: int
    worst_mean_mm: float
    worst_median_mm: float
    worst_high_mm: float

    @property
    def name(self) -> str:
        """The way's."""
        return self.way.name

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        return {"name": self.name, "what": self.way.what} | form(self, "way", "worst")


@dataclass(frozen=True, eq=False)
class UncertaintySummary:
    """How sure the answer of one case is.

    Attributes
    ----------
    status : {"stabilised", "not_stabilised"}
        Whether the adaptive run met its stabilisation test within the trials allowed.
    stop, decision, coverage, seed, trials
        What was asked and done.
    names, teeth : tuple
        Of the ``k`` landmarks.
    population : str
        What the arbitrary axis was drawn from, with its source.
    measured : bool
        Whether the arbitrary axis is this patient's own.
    quantities : mapping
        :data:`QUANTITIES` to :class:`QuantitySummary`, for the arbitrary axis as planned.
    ways : tuple of WayChance
        :data:`~kinematics.uncertainty.ways.WAYS`, and the record as far from the planned OVD as
        keeps the risk limit where that is nearer than the case's.
    largest_closure_mm, largest_closure_located_mm : float
        Largest closure (size at the incisors, in the plan's direction) at which the chance in
        closure keeps the risk limit on either axis; infinite where 20 mm does.
    worst_displacement_mm : mapping
        "as planned" and "located axis" to the largest landmark error of each trial, (trials,).
    assumptions : tuple of str
    failed_trials : int
        Draws left out because a height or a contact was out of reach.
    """

    status: Literal["stabilised", "not_stabilised"]
    stop: Stop
    decision: Decision
    coverage: float
    seed: int
    trials: int
    names: tuple[str, ...]
    teeth: tuple[int, ...]
    population: str
    measured: bool
    quantities: Mapping[str, QuantitySummary]
    ways: tuple[WayChance, ...]
    largest_closure_mm: float
    largest_closure_located_mm: float
    worst_displacement_mm: Mapping[str, FloatArray]
    assumptions: tuple[str, ...]
    failed_trials: int

    @property
    def tolerance_mm(self) -> float:
        """The case's, for closure."""
        return self.decision.tolerance_mm

    @property
    def risk_limit(self) -> float:
        """The case's."""
        return self.decision.risk_limit

    def way(self, name: str) -> WayChance:
        """The way out of this name."""
        return next(w for w in self.ways if w.name == name)

    def either(self, name: str) -> Chance:
        """The chance of a tooth beyond in closure or excursions, by the way's name."""
        return self.way(name).chances.either

    @property
    def chance(self) -> dict[str, Chances]:
        """The chances that the decision weighs, by their names in result.json."""
        ways = {"arbitrary": AS_PLANNED, "located": LOCATED, "record_at_planned": AT_PLANNED}
        return {key: self.way(name).chances for key, name in ways.items()}

    @property
    def worst_interval_mm(self) -> tuple[float, float]:
        """Coverage interval of the largest displacement as planned, symmetric."""
        tail = 50.0 * (1.0 - self.coverage)
        ends = np.percentile(self.worst_displacement_mm[AS_PLANNED], [tail, 100.0 - tail])
        return float(ends[0]), float(ends[1])

    @property
    def value_of_locating(self) -> float:
        """The chance as planned minus the same on the located axis."""
        return self.either(AS_PLANNED).value - self.either(LOCATED).value

    def json_form(self) -> dict[str, Any]:
        """In result.json; percentiles 0 to 100 stand for the trials' own errors."""
        return form(self, "worst_displacement_mm", "decision", landmarks="names") | {
            "tolerance_mm": self.tolerance_mm,
            "risk_limit": self.risk_limit,
            "value_of_locating": self.value_of_locating,
            "worst_displacement_percentiles_mm": {
                name: np.percentile(v, np.arange(101))
                for name, v in self.worst_displacement_mm.items()
            },
        }
