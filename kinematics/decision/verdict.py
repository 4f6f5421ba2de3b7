"""The answer: the error against the tolerance, the break-even departure, and the remedies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from kinematics.base.words import (
    HINGE_RANGE_MM,
    MICROMETRES,
    beyond_words,
    departure_words,
    room_words,
)
from kinematics.closure.stops import Stop

SCAN_STEP_MM = 0.25
"""Step in which the first crossing of the tolerance is bracketed (ours)."""

SCAN_BLOCKS = 8
"""The scan is done in blocks, so that a slow stop is not evaluated far beyond the crossing."""

STOP_WORDS: dict[Stop, str] = {
    "equal_angle": "both close by the same angle",
    "pin": "the incisal pin restores the height",
    "contact": "the teeth meet",
}


@dataclass(frozen=True, eq=False)
class Remedy:
    """One way to reduce the error, computed.

    Attributes
    ----------
    name, what : str
        Short name, and what it means in one sentence.
    departure_mm : float
        At the incisors, opening positive.
    worst_error_mm : float
        Largest landmark error with it.
    worst_landmark : str
    within : bool
        Whether that is within the tolerance.
    chance : float or None
        Probability that the error leaves the tolerance; None where nothing is uncertain. Where
        the verdict goes by chance, ``worst_error_mm`` is what the coverage's share of axes keeps,
        and ``within`` whether the chance stays at or under the risk limit.
    """

    name: str
    what: str
    departure_mm: float
    worst_error_mm: float
    worst_landmark: str
    within: bool
    chance: float | None = None


@dataclass(frozen=True, eq=False)
class Verdict:
    """The decision for one stop.

    Attributes
    ----------
    stop, tolerance_mm
        What it is about.
    worst_error_mm, worst_landmark, worst_tooth
        Largest error magnitude over the landmarks.
    within : bool
    break_even_departure_mm : float
        Largest departure (size, mm at the incisors, same direction as the case's) that keeps the
        error within the tolerance; infinite where no departure up to 20 mm exceeds it.
    sentence, reason : str
        The answer in one sentence, and why.
    remedies : tuple of Remedy
    basis : {"error", "chance"}
        Whether one error decides, or the chance, since the arbitrary axis was not measured.
    """

    stop: Stop
    tolerance_mm: float
    worst_error_mm: float
    worst_landmark: str
    worst_tooth: int
    within: bool
    break_even_departure_mm: float
    sentence: str
    reason: str
    remedies: tuple[Remedy, ...]
    basis: Literal["error", "chance"] = "error"


def break_even(
    worst_errors: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    tolerance_mm: float,
    sign: float,
) -> float:
    """Smallest departure at which the worst error leaves the tolerance.

    Parameters
    ----------
    worst_errors : callable
        Worst landmark error (mm), shape (n,), for signed departures (mm at the incisors), shape
        (n,); NaN where it is not defined, which ends the search.
    tolerance_mm : float
    sign : float
        +1 opening, -1 closing.

    Returns
    -------
    float
        Size of the departure, mm; infinite if nothing up to 20 mm exceeds the tolerance, or if
        the error stops being defined first.

    Notes
    -----
    *Guarantee*: a crossing between two steps of 0.25 mm is refined to 1e-9 mm; an excursion above
    the tolerance that is shorter than one step can be missed.
    """
    grid = np.arange(0.0, HINGE_RANGE_MM + 1e-9, SCAN_STEP_MM)
    low = 0.0
    for block in np.array_split(grid, SCAN_BLOCKS):
        for high, error in zip(block, worst_errors(sign * block), strict=True):
            if np.isnan(error):
                return float("inf")
            if error > tolerance_mm:
                if high == 0.0:
                    return 0.0
                return float(
                    brentq(
                        lambda d: float(worst_errors(np.array([sign * d]))[0]) - tolerance_mm,
                        low,
                        float(high),
                        xtol=1e-9,
                    )
                )
            low = float(high)
    return float("inf")


def why(error_mm: NDArray[np.float64], axis_error_mm: NDArray[np.float64]) -> str:
    """Say which component of the axis error makes the largest part of the closure error.

    Parameters
    ----------
    error_mm : ndarray, shape (k, 3)
        Landmark errors (anteroposterior, transverse, vertical).
    axis_error_mm : ndarray, shape (2, 3)
        Arbitrary minus true point, left and right.
    """
    power = np.mean(error_mm**2, axis=0)
    total = float(power.sum())
    if total == 0.0:
        return "The two axes give the same closure, so there is no error."
    share = power / total
    mean = axis_error_mm.mean(axis=0)
    unequal = axis_error_mm[0] - axis_error_mm[1]
    part = int(np.argmax(share))
    words = (
        f"anteroposterior: the arbitrary axis lies {abs(mean[2]):.1f} mm too "
        f"{'superior' if mean[2] > 0 else 'inferior'} on average, and a vertical axis error moves "
        "the teeth forward or back",
        f"transverse: the arbitrary points differ by side (anterior {unequal[0]:+.1f} mm, superior "
        f"{unequal[2]:+.1f} mm, left against right), and an oblique axis moves the teeth sideways",
        f"vertical: the arbitrary axis lies {abs(mean[0]):.1f} mm too "
        f"{'anterior' if mean[0] > 0 else 'posterior'} on average, and a horizontal axis error "
        "raises or lowers the teeth",
    )
    return f"Most of the error ({100.0 * share[part]:.0f} % of its mean square) is {words[part]}."


def answer(
    worst_error_mm: float,
    worst_landmark: str,
    tolerance_mm: float,
    departure_mm: float,
    break_even_mm: float,
    stop: Stop,
) -> str:
    """The answer in one sentence."""
    beyond = worst_error_mm > tolerance_mm
    size = f"{worst_error_mm * MICROMETRES:.0f} µm"
    if beyond:
        size = beyond_words(worst_error_mm, tolerance_mm)
    limit = f"{tolerance_mm * MICROMETRES:g} µm"
    head = (
        f"On this arbitrary axis, {departure_words(departure_mm)} leaves an occlusal error of up "
        f"to {size} ({worst_landmark}; {STOP_WORDS[stop]})"
    )
    if not beyond:
        room = (
            f"it would stay so up to a departure of {room_words(break_even_mm)}"
            if np.isfinite(break_even_mm)
            else "no departure within hinge range would exceed it"
        )
        return (
            f"{head}, within your tolerance of {limit}: locating the true axis is not needed for "
            f"it, and {room}."
        )
    keep = room_words(break_even_mm) if np.isfinite(break_even_mm) else f"{HINGE_RANGE_MM:g} mm"
    return (
        f"{head}, beyond your tolerance of {limit}: keep the departure to {keep}, "
        "take the record at the target vertical dimension, or locate and transfer the true axis."
    )
