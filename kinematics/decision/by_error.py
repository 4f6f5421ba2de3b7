"""By error: the case's own error decides; and how it grows with the departure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from kinematics.base.arrays import Progress
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.words import HINGE_RANGE_MM, room_words
from kinematics.closure.close import Closures
from kinematics.closure.stops import Stop
from kinematics.decision.verdict import Verdict, WayOut
from kinematics.decision.words import WITHOUT_UNCERTAINTY, answer, spread_sentences, why
from kinematics.uncertainty.departure import departure_draws, risk_at
from kinematics.uncertainty.risk import Risk
from kinematics.uncertainty.ways import WAYS, Way, nearer

CURVE_POINTS = 41
"""Samples of the error against departure."""

SCAN_STEP_MM = 0.25
"""Step in which the first crossing of the tolerance is bracketed (ours)."""

SCAN_BLOCKS = 8
"""The scan is done in blocks, so that a slow stop is not evaluated far beyond the crossing."""

ROUNDING_MM = 1e-9
"""An error that is the tolerance but for rounding is within it."""

Worst = Callable[
    [Stop, HingeAxis, NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.intp]]
]


@dataclass(frozen=True, eq=False)
class DepartureCurve:
    """Worst landmark error against departure (mm at the incisors, opening positive)."""

    departure_mm: NDArray[np.float64]
    worst_error_mm: Mapping[Stop, NDArray[np.float64]]


def by_error(closed: Closures, risk: Risk | None, stop: Stop) -> Verdict:
    """Weigh the error at one stop against the tolerance, and every way out.

    Parameters
    ----------
    closed : Closures
    risk : Risk or None
        Of the same case: gives each way out its chance.
    stop : Stop
        The verdict's.
    """
    case, names = closed.case, closed.landmarks.names
    tolerance, planned = case.decision.tolerance_mm, closed.departure_mm
    worst = worst_by_departure(closed)
    axes = {"arbitrary": closed.arbitrary_axis, "located": closed.true_axis}
    sign = 1.0 if planned > 0 else -1.0
    even = break_even(lambda d: worst(stop, closed.arbitrary_axis, d)[0], tolerance, sign)

    def weighed(way: Way, what: str) -> WayOut:
        departure = planned if way.departure_mm is None else way.departure_mm
        errors, at = worst(stop, axes[way.axis], np.array([departure]))
        error = float(errors[0])
        within = error <= tolerance + ROUNDING_MM
        chance = None if risk is None else way_chance(risk, way)
        return WayOut(way.name, what, way.axis, departure, error, names[int(at[0])], chance, within)

    ways = [weighed(way, WITHOUT_UNCERTAINTY[way.name]) for way in WAYS]
    if np.isfinite(even) and even < abs(planned):
        what = (
            f"The arbitrary axis, the record {room_words(even)} (incisors) from the target: "
            "the error is the tolerance itself."
        )
        ways.insert(1, weighed(Way(nearer(planned), what, "arbitrary", sign * even), what))
    index, size = closed.stops[stop].worst
    offsets = np.array(
        [
            closed.arbitrary_axis.left_point_mm - closed.true_axis.left_point_mm,
            closed.arbitrary_axis.right_point_mm - closed.true_axis.right_point_mm,
        ]
    )
    return Verdict(
        basis="error",
        stop=stop,
        tolerance_mm=tolerance,
        worst_error_mm=size,
        worst_landmark=names[index],
        worst_tooth=closed.landmarks.teeth[index],
        within=size <= tolerance,
        break_even_departure_mm=even,
        sentence=answer(size, names[index], tolerance, planned, even, stop),
        reason=why(closed.stops[stop].error_mm, offsets),
        how_sure=() if risk is None else spread_sentences(risk.spread),
        ways_out=tuple(ways),
    )


def way_chance(risk: Risk, way: Way) -> float:
    """Chance of one way out: of the trials, or of fewer draws at a departure of its own."""
    if way in WAYS:
        return risk.spread.way(way.name).beyond_any
    draws = departure_draws(risk.inputs)
    return risk_at(risk.inputs, draws, way.axis, float(way.departure_mm or 0.0))


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


def departure_curve(
    closed: Closures, even_mm: float, stops: Iterable[Stop], *, progress: Progress | None = None
) -> DepartureCurve:
    """Worst error of each stop over departures around the case's own and the break-even one.

    ``progress`` is called before each first contact with words and the share done; what it raises
    ends the work.
    """
    tell = progress or (lambda words, share: None)
    worst = worst_by_departure(closed)
    planned = abs(closed.departure_mm)
    span = float(np.clip(1.3 * max(planned, even_mm if np.isfinite(even_mm) else 0.0), 4.0, 20.0))
    departures = np.linspace(-span, span, CURVE_POINTS)
    errors = {}
    for stop in stops:
        parts = np.split(departures, len(departures) if stop == "contact" else 1)
        found = []
        for i, part in enumerate(parts):
            tell("Error against departure", i / len(parts))
            found.append(worst(stop, closed.arbitrary_axis, part)[0])
        errors[stop] = np.concatenate(found)
    return DepartureCurve(departures, errors)


def worst_by_departure(closed: Closures) -> Worst:
    """Worst landmark error, shape (n,), and its index, for a stop, an axis and departures (n,)."""

    geometry, engine, true = closed.geometry, closed.placed.contacts, closed.true_axis

    def worst(
        stop: Stop, axis: HingeAxis, departure_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        contact = None
        if stop == "contact":
            openings = geometry.closing_for_departure(departure_mm) + geometry.target_opening_deg
            contact = np.array(
                [engine.closing_deg(opening_motion(true, float(o)), axis) for o in openings]
            )
        size = geometry.closed(stop, axis, departure_mm, contact_closing_deg=contact).magnitude_mm
        index = np.argmax(size, axis=1)
        return size[np.arange(len(size)), index], index

    return worst
