"""Every sentence of the answer: the error, the chance, why, and what the transfer costs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.base.words import (
    HINGE_RANGE_MM,
    MICROMETRES,
    beyond_words,
    departure_words,
    percent,
    room_words,
)
from kinematics.closure.stops import Stop
from kinematics.decision.third_point import ThirdPointEffect
from kinematics.mounting.marks import SideExtension, SlipCost
from kinematics.mounting.mount import Mounting
from kinematics.uncertainty.summary import UncertaintySummary
from kinematics.uncertainty.ways import AS_PLANNED, AT_TARGET, TRUE_AXIS

STOP_WORDS: dict[Stop, str] = {
    "equal_angle": "both close by the same angle",
    "pin": "the incisal pin restores the height",
    "contact": "the teeth meet",
}

NOT_MEASURED = (
    "Where the arbitrary axis lies on this patient was not measured, so that no single error can "
    "be told: the chance of an error beyond your tolerance decides."
)
NO_SINGLE_AXIS = (
    "Errors by tooth are not told for one axis here, for none was measured; chances by tooth "
    "stand with the uncertainty."
)

WITHOUT_UNCERTAINTY = {
    AS_PLANNED: "The arbitrary axis with the record and the target of this case.",
    AT_TARGET: "The arbitrary axis, with nothing left to close or open.",
    TRUE_AXIS: "The axis is located on the patient and transferred, taken as exact; the record "
    "stays.",
}
"""What a way out means where its error is computed and nothing counts as uncertain."""


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


def chance_sentence(stop: Stop, spread: UncertaintySummary) -> str:
    """The answer in one sentence where the chance decides."""
    planned = spread.way(AS_PLANNED)
    limit = f"{spread.tolerance_mm * MICROMETRES:g} µm"
    chance = percent(planned.beyond_any, planned.beyond_any_interval[1])
    room = spread.largest_departure_mm
    scatter = scatter_words(spread.population)
    head = (
        f"The arbitrary axis was not measured on this patient; of such axes ({scatter}), "
        f"{departure_words(planned.departure_mm)} leaves {chance} beyond your tolerance of {limit} "
        f"somewhere on the arch ({100.0 * spread.coverage:g} % stay within "
        f"{planned.worst_high_mm * MICROMETRES:.0f} µm; {STOP_WORDS[stop]})"
    )
    if planned.beyond_any <= spread.risk_limit:
        stays = (
            f"it would stay so up to a departure of {room_words(room)}"
            if np.isfinite(room)
            else "no departure within hinge range would exceed it"
        )
        return (
            f"{head}, at or under {100.0 * spread.risk_limit:g} %: locating the true axis is not "
            f"needed for it, and {stays}."
        )
    keep = f"keep the departure to {room_words(room)}, " if room > 0.0 else ""
    return (
        f"{head}: {keep}take the record at the target vertical dimension, or locate and transfer "
        "the true axis."
    )


def spread_sentences(spread: UncertaintySummary) -> tuple[str, ...]:
    """How sure the answer is: the chances, what locating changes, how much departure."""
    limit = f"{spread.tolerance_mm * MICROMETRES:g} µm"
    points = 100.0 * spread.value_of_locating
    many = f"{points:.0f} percentage point{'' if round(points) == 1 else 's'}"
    planned, at_target, located = (
        percent(way.beyond_any, way.beyond_any_interval[1])
        for way in map(spread.way, (AS_PLANNED, AT_TARGET, TRUE_AXIS))
    )
    even, even_located = (
        room_words(room) if np.isfinite(room) else f"any departure up to {HINGE_RANGE_MM:g} mm"
        for room in (spread.largest_departure_mm, spread.largest_departure_located_mm)
    )
    return (
        f"The error somewhere on the arch exceeds {limit} with a probability of {planned} on the "
        f"arbitrary axis and {located} on the located one; with the record at the target vertical "
        f"dimension it is {at_target}.",
        f"Locating the axis lowers that probability by {many}."
        if points >= 1.0
        else "Locating the axis does not lower that probability by as much as one percentage "
        "point.",
        f"To keep it at or under {100.0 * spread.risk_limit:g} %, the departure may reach {even} "
        f"at the incisors on the arbitrary axis, and {even_located} on the located one.",
    )


def scatter_words(population: str) -> str:
    """A population in a few words: of a study, its name only (its source stands with the rest)."""
    key, colon, _ = population.partition(": ")
    if not colon or " " in key:
        return population
    words = key.split("_")
    year = next((i for i, word in enumerate(words) if word.isdigit()), len(words))
    return " ".join(["as in", *(w.capitalize() for w in words[:year]), *words[year:]])


def transfer_sentences(
    third: ThirdPointEffect | None,
    extension: SideExtension | None,
    slip: SlipCost | None,
    mounting: Mounting,
    lateral_deg: float,
) -> tuple[str, ...]:
    """What the transfer costs, one sentence for each measurement that the case holds."""
    out = []
    if third is not None:
        way = "superior" if third.error_superior_mm >= 0.0 else "inferior"
        out.append(
            f"A third reference point {abs(third.error_superior_mm):.1f} mm too {way} turns the "
            f"casts by {third.tilt_deg:+.2f} degrees: at equal angles and at tooth contact the "
            f"closure error stays (change {third.equal_angle_change_mm * 1e3:.1f} µm), with the "
            f"pin it changes by {third.pin_change_mm * 1e3:.1f} µm, and a sagittal condylar "
            f"inclination of {third.sagittal_deg[0]:.1f} degrees (mean of both sides) reads "
            f"{third.sagittal_deg[1]:.1f} degrees."
        )
    if third is not None and third.sd_superior_mm > 0.0:
        out.append(
            f"The third reference point's standard uncertainty of {third.sd_superior_mm:g} mm "
            f"makes that turn, and every sagittal guidance angle with it, uncertain by "
            f"{third.tilt_sd_deg:.2f} degrees; at equal angles and at tooth contact it is no part "
            "of the closure error's spread."
        )
    if extension is not None:
        out.append(
            f"Centred on the stand, each side extends by {extension.each_side_mm:.1f} mm; as set, "
            f"left {extension.left_mm:.1f} mm and right {extension.right_mm:.1f} mm."
        )
    if slip is not None and slip.lateral_mm > 0.0:
        out.append(
            "The sideways slip along the axis makes no hinge error "
            f"({slip.hinge_error_mm * 1e3:.1f} µm), and moves lateral paths by "
            f"{slip.lateral_mm * 1e3:.0f} µm in a turn of {lateral_deg:g} degrees."
        )
    if mounting.influences:
        name, size = mounting.influences[0]
        out.append(
            "The average mounting is nobody's measurement: one published standard deviation of "
            f"the {name} alone moves the teeth by {size:.1f} mm against the axis."
            if mounting.method == "average"
            else f"Of the mounting's readings, repeat {name!r} first: its standard deviation "
            f"moves the teeth by {size * 1e3:.0f} µm against the axis."
        )
    return tuple(out)
