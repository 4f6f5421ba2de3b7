"""Judge a case: worst error by departure, the remedies, and the error-against-departure curve."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.words import room_words
from kinematics.case.read import Case
from kinematics.closure.geometry import Geometry
from kinematics.closure.place import CastContacts
from kinematics.closure.stops import Stop, StopResult
from kinematics.decision.by_chance import NO_SINGLE_AXIS, NOT_MEASURED, not_measured
from kinematics.decision.verdict import Remedy, Verdict, answer, break_even, why

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


def judge(
    case: Case,
    geometry: Geometry,
    stops: Mapping[Stop, StopResult],
    decision: Stop,
    worst: Worst,
) -> Verdict:
    """Weigh the decision stop against the tolerance and compute each remedy."""
    tolerance = case.decision.tolerance_mm
    marks = geometry.landmarks
    index, size = stops[decision].worst
    target = marks.incisal_point_mm
    record = opening_motion(geometry.true_axis, geometry.poses.true_closing_deg).apply(target)
    departure = float(record[2] - target[2])
    sign = 1.0 if departure > 0 else -1.0
    arbitrary = geometry.arbitrary_axis
    even = break_even(lambda d: worst(decision, arbitrary, d)[0], tolerance, sign)

    def remedy(name: str, what: str, axis: HingeAxis, departure_mm: float) -> Remedy:
        errors, at = worst(decision, axis, np.array([departure_mm]))
        error, landmark = float(errors[0]), marks.names[int(at[0])]
        return Remedy(name, what, departure_mm, error, landmark, error <= tolerance + 1e-9)

    remedies = [
        remedy(
            "as planned",
            "The arbitrary axis with the record and the target of this case.",
            arbitrary,
            departure,
        )
    ]
    if np.isfinite(even) and even < abs(departure):
        remedies.append(
            remedy(
                "thinner record" if sign < 0 else "record nearer the target",
                f"The arbitrary axis, the record {room_words(even)} (incisors) from the target: "
                "the error is the tolerance itself.",
                arbitrary,
                sign * even,
            )
        )
    remedies += [
        remedy(
            "record at the target vertical dimension",
            "The arbitrary axis, with nothing left to close or open.",
            arbitrary,
            0.0,
        ),
        remedy(
            "true axis",
            "The axis is located on the patient and transferred, taken as exact; the record stays.",
            geometry.true_axis,
            departure,
        ),
    ]
    offsets = np.array(
        [
            arbitrary.left_point_mm - geometry.true_axis.left_point_mm,
            arbitrary.right_point_mm - geometry.true_axis.right_point_mm,
        ]
    )
    by_chance = not_measured(case, geometry.true_axis, arbitrary)
    return Verdict(
        basis="chance" if by_chance else "error",
        stop=decision,
        tolerance_mm=tolerance,
        worst_error_mm=size,
        worst_landmark=marks.names[index],
        worst_tooth=marks.teeth[index],
        within=bool(size <= tolerance) and not by_chance,
        break_even_departure_mm=even,
        sentence=NOT_MEASURED
        if by_chance
        else answer(size, marks.names[index], tolerance, departure, even, decision),
        reason=NO_SINGLE_AXIS if by_chance else why(stops[decision].error_mm, offsets),
        remedies=tuple(remedies),
    )


def departure_curve(
    verdict: Verdict,
    geometry: Geometry,
    stops: Iterable[Stop],
    worst: Worst,
) -> DepartureCurve:
    """Worst error of each stop over departures around the case's own."""
    planned = abs(verdict.remedies[0].departure_mm)
    even = verdict.break_even_departure_mm
    span = float(np.clip(1.3 * max(planned, even if np.isfinite(even) else 0.0), 4.0, 20.0))
    departures = np.linspace(-span, span, CURVE_POINTS)
    return DepartureCurve(
        departures,
        {stop: worst(stop, geometry.arbitrary_axis, departures)[0] for stop in stops},
    )


def worst_by_departure(geometry: Geometry, engine: CastContacts) -> Worst:
    """Worst landmark error, shape (n,), and its index, for a stop, an axis and departures (n,)."""

    def worst(
        stop: Stop, axis: HingeAxis, departure_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
        theta = geometry.closing_for_departure(departure_mm)
        contact = None
        if stop == "contact":
            contact = np.array(
                [
                    engine.closing_deg(float(t) + geometry.poses.target_opening_deg, axis)
                    for t in theta
                ]
            )
        size = geometry.departure_errors(stop, axis, theta, contact)
        index = np.argmax(size, axis=1)
        return size[np.arange(len(size)), index], index

    return worst
