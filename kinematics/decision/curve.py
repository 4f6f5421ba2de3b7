"""How the error of the case's own axis grows with the closure, by stop: shown, never decisive."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import Progress
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.closure.close import Closures
from kinematics.closure.stops import Stop

CURVE_POINTS = 41
"""Samples of the error against departure."""

Worst = Callable[
    [Stop, HingeAxis, NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.intp]]
]


@dataclass(frozen=True, eq=False)
class DepartureCurve:
    """Worst landmark error against departure (mm at the incisors, opening positive)."""

    departure_mm: NDArray[np.float64]
    worst_error_mm: Mapping[Stop, NDArray[np.float64]]


def departure_curve(
    closed: Closures,
    largest_mm: float = float("nan"),
    stops: Iterable[Stop] | None = None,
    *,
    progress: Progress | None = None,
) -> DepartureCurve:
    """Worst error of each stop over departures around the case's own and the largest closure.

    All stops by default; ``largest_mm`` is the largest closure that keeps the risk limit.
    ``progress`` is called before each first contact with words and the share done; what it raises
    ends the work.
    """
    tell = progress or (lambda words, share: None)
    worst = worst_by_departure(closed)
    planned = abs(closed.departure_mm)
    span = float(
        np.clip(1.3 * max(planned, largest_mm if np.isfinite(largest_mm) else 0.0), 4.0, 20.0)
    )
    departures = np.linspace(-span, span, CURVE_POINTS)
    errors = {}
    for stop in closed.stops if stops is None else stops:
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
    measure = closed.case.decision.measure

    def worst(
        stop: Stop, axis: HingeAxis, departure_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        contact = None
        if stop == "contact":
            records = [
                opening_motion(true, float(o)) for o in geometry.record_openings_deg(departure_mm)
            ]
            contact = np.array(
                [[engine.closing_deg(r, about) for about in (true, axis)] for r in records]
            )
        batch = geometry.closed(stop, axis, departure_mm, contact_closing_deg=contact)
        size = batch.sizes_mm(measure)
        index = np.argmax(size, axis=1)
        return size[np.arange(len(size)), index], index

    return worst
