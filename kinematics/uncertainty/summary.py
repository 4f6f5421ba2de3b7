"""The record of a case's uncertainty, its words, and its form for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.words import percent, room_words
from kinematics.closure.stops import Stop

QUANTITIES = ("magnitude", "anteroposterior", "transverse", "vertical", "high")
"""Per landmark: length of the error, its components along x, y and z, and the high amount, mm."""

MICROMETRES = 1000.0
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
class OptionRisk:
    """One way to proceed, and how often it leaves the tolerance.

    Attributes
    ----------
    name, what : str
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
    options : tuple of OptionRisk
        "arbitrary axis", "located axis", "record nearer the target", "record at the target".
    risk_limit : float
    largest_departure_mm, largest_departure_located_mm : float
        Largest departure (size, same direction as the case's) that keeps P(any beyond) at or
        under ``risk_limit``; infinite where 20 mm does not exceed it.
    value_of_locating : float
        P(any beyond) on the arbitrary axis minus the same on the located one.
    worst_error_mm : mapping
        "arbitrary axis" and "located axis" to the largest landmark error of each trial, (trials,).
    sentences : tuple of str
        The answer, for a reader.
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
    options: tuple[OptionRisk, ...]
    risk_limit: float
    largest_departure_mm: float
    largest_departure_located_mm: float
    value_of_locating: float
    worst_error_mm: Mapping[str, FloatArray]
    sentences: tuple[str, ...]
    assumptions: tuple[str, ...]
    failed_trials: int

    def option(self, name: str) -> OptionRisk:
        """The option of this name."""
        return next(o for o in self.options if o.name == name)


def wilson_interval(share: float, n: int) -> tuple[float, float]:
    """95 % interval of a probability of which ``share`` of ``n`` trials were counted.

    *Source*: Wilson EB, J Am Stat Assoc 1927;22:209-212 (from memory).
    """
    z2 = NORMAL_95**2 / n
    middle = (share + 0.5 * z2) / (1.0 + z2)
    half = NORMAL_95 * float(np.sqrt(share * (1.0 - share) / n + 0.25 * z2 / n)) / (1.0 + z2)
    return max(0.0, middle - half), min(1.0, middle + half)


def _room(departure_mm: float) -> str:
    return room_words(departure_mm) if np.isfinite(departure_mm) else "any departure up to 20 mm"


def sentences(
    tolerance_mm: float,
    options: tuple[OptionRisk, ...],
    even: float,
    even_located: float,
    risk_limit: float,
) -> tuple[str, ...]:
    """The answer for a reader: the probability, what locating changes, how much departure."""
    limit = f"{tolerance_mm * MICROMETRES:g} µm"
    arbitrary, located, _, target = options
    points = 100.0 * (arbitrary.beyond_any - located.beyond_any)
    many = f"{points:.0f} percentage point{'' if round(points) == 1 else 's'}"

    def chance(option: OptionRisk) -> str:
        return percent(option.beyond_any, option.beyond_any_interval[1])

    return (
        f"The error somewhere on the arch exceeds {limit} with a probability of "
        f"{chance(arbitrary)} on the arbitrary axis and {chance(located)} "
        f"on the located one; with the record at the target vertical dimension it is "
        f"{chance(target)}.",
        f"Locating the axis lowers that probability by {many}."
        if points >= 1.0
        else "Locating the axis does not lower that probability by as much as one percentage "
        "point.",
        f"To keep it at or under {100.0 * risk_limit:g} %, the departure may reach {_room(even)} "
        f"at the incisors on the arbitrary axis, and {_room(even_located)} on the located one.",
    )


def summary_dict(summary: UncertaintySummary) -> dict[str, Any]:
    """The summary as plain dicts and lists, ready for JSON; infinite departures become None.

    The trials' own errors are left out; their percentiles 0 to 100 stand for them.
    """
    quantities = {
        name: {
            field: np.asarray(getattr(q, field)).tolist()
            for field in (
                "mean",
                "uncertainty",
                "symmetric",
                "shortest",
                "gum_estimate",
                "gum_uncertainty",
                "gum_interval",
                "gum_validated",
            )
        }
        for name, q in summary.quantities.items()
    }
    options = [
        {
            "name": o.name,
            "what": o.what,
            "departure_mm": o.departure_mm,
            "beyond": o.beyond.tolist(),
            "beyond_any": o.beyond_any,
            "beyond_any_interval": list(o.beyond_any_interval),
            "worst_mean_mm": o.worst_mean_mm,
            "worst_median_mm": o.worst_median_mm,
            "worst_high_mm": o.worst_high_mm,
        }
        for o in summary.options
    ]
    return {
        "status": summary.status,
        "stop": summary.stop,
        "tolerance_mm": summary.tolerance_mm,
        "coverage": summary.coverage,
        "seed": summary.seed,
        "trials": summary.trials,
        "failed_trials": summary.failed_trials,
        "landmarks": list(summary.names),
        "teeth": list(summary.teeth),
        "population": summary.population,
        "quantities": quantities,
        "options": options,
        "risk_limit": summary.risk_limit,
        "largest_departure_mm": _finite(summary.largest_departure_mm),
        "largest_departure_located_mm": _finite(summary.largest_departure_located_mm),
        "value_of_locating": summary.value_of_locating,
        "worst_error_percentiles_mm": {
            name: np.percentile(v, np.arange(101)).tolist()
            for name, v in summary.worst_error_mm.items()
        },
        "sentences": list(summary.sentences),
        "assumptions": list(summary.assumptions),
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
