"""The record of a case's uncertainty, and its form for JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.to_json import form
from kinematics.closure.stops import Stop
from kinematics.uncertainty.ways import AS_PLANNED, TRUE_AXIS

QUANTITIES = ("magnitude", "anteroposterior", "transverse", "vertical", "high")
"""Per landmark: length of the error, its components along x, y and z, and the high amount, mm."""

NORMAL_95 = 1.959963984540054
"""97.5 % quantile of the normal distribution, for the interval of a counted fraction."""


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
    """How often one way out leaves the tolerance.

    Attributes
    ----------
    name, what : str
        As :class:`~kinematics.uncertainty.ways.Way`.
    departure_mm : float
        Nominal, at the incisors, opening positive.
    beyond : ndarray, shape (k,)
        P(error > tolerance) at each landmark.
    beyond_any : float
        P(error > tolerance) at any landmark, which is at the worst one.
    beyond_any_interval : tuple of float
        95 % interval of that probability from the number of trials alone (Wilson).
    worst_mean_mm, worst_median_mm, worst_high_mm : float
        Of the largest landmark error: mean, median and the coverage quantile.
    """

    name: str
    what: str
    departure_mm: float
    beyond: FloatArray
    beyond_any: float
    beyond_any_interval: tuple[float, float]
    worst_mean_mm: float
    worst_median_mm: float
    worst_high_mm: float


@dataclass(frozen=True, eq=False)
class UncertaintySummary:
    """How sure the answer of one case is.

    Attributes
    ----------
    status : {"stabilised", "not_stabilised"}
        Whether the adaptive run met its stabilisation test within the trials allowed.
    stop, tolerance_mm, coverage, seed, trials
        What was asked and done.
    names, teeth : tuple
        Of the ``k`` landmarks.
    population : str
        What the arbitrary axis was drawn from, with its source.
    quantities : mapping
        :data:`QUANTITIES` to :class:`QuantitySummary`, for the arbitrary axis as planned.
    ways : tuple of WayChance
        :data:`~kinematics.uncertainty.ways.WAYS` with their chances.
    risk_limit : float
    largest_departure_mm, largest_departure_located_mm : float
        Largest departure (size, same direction as the case's) that keeps P(any beyond) at or
        under ``risk_limit``; infinite where 20 mm does not exceed it.
    worst_error_mm : mapping
        "as planned" and "true axis" to the largest landmark error of each trial, (trials,).
    assumptions : tuple of str
    failed_trials : int
        Draws left out because a height or a contact was out of reach.
    """

    status: Literal["stabilised", "not_stabilised"]
    stop: Stop
    tolerance_mm: float
    coverage: float
    seed: int
    trials: int
    names: tuple[str, ...]
    teeth: tuple[int, ...]
    population: str
    quantities: Mapping[str, QuantitySummary]
    ways: tuple[WayChance, ...]
    risk_limit: float
    largest_departure_mm: float
    largest_departure_located_mm: float
    worst_error_mm: Mapping[str, FloatArray]
    assumptions: tuple[str, ...]
    failed_trials: int

    def way(self, name: str) -> WayChance:
        """The chances of the way out of this name."""
        return next(w for w in self.ways if w.name == name)

    @property
    def value_of_locating(self) -> float:
        """P(any beyond) as planned minus the same on the true axis."""
        return self.way(AS_PLANNED).beyond_any - self.way(TRUE_AXIS).beyond_any

    def json_form(self) -> dict[str, Any]:
        """In result.json; percentiles 0 to 100 stand for the trials' own errors."""
        return form(self, "worst_error_mm", landmarks="names", options="ways") | {
            "value_of_locating": self.value_of_locating,
            "worst_error_percentiles_mm": {
                name: np.percentile(v, np.arange(101)) for name, v in self.worst_error_mm.items()
            },
        }


def wilson_interval(share: float, n: int) -> tuple[float, float]:
    """95 % interval of a probability of which ``share`` of ``n`` trials were counted.

    *Source*: Wilson EB, J Am Stat Assoc 1927;22:209-212 (from memory).
    """
    z2 = NORMAL_95**2 / n
    middle = (share + 0.5 * z2) / (1.0 + z2)
    half = NORMAL_95 * float(np.sqrt(share * (1.0 - share) / n + 0.25 * z2 / n)) / (1.0 + z2)
    return max(0.0, middle - half), min(1.0, middle + half)
