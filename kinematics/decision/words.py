"""Every sentence of the answer: the outcome, the chances, why, and what the transfer costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kinematics.base.arrays import FloatArray
from kinematics.base.words import (
    HINGE_RANGE_MM,
    MICROMETRES,
    departure_words,
    room_words,
    rounded_room_mm,
)
from kinematics.closure.close import Closures
from kinematics.closure.stops import Stop
from kinematics.decision.answer import Limit, Outcome, WayOut
from kinematics.decision.third_point import ThirdPointEffect
from kinematics.mounting.marks import SideExtension, SlipCost
from kinematics.mounting.mount import Mounting
from kinematics.uncertainty.summary import UncertaintySummary
from kinematics.uncertainty.ways import AS_PLANNED, AT_PLANNED, LOCATED

STOP_WORDS: dict[Stop, str] = {
    "equal_angle": "closure ends at equal angle",
    "pin": "closure ends at the incisal guide pin",
    "contact": "closure ends at tooth contact",
}

NO_SINGLE_AXIS = (
    "Errors by tooth are not told for one axis here, for none was measured; chances by tooth "
    "stand with the uncertainty."
)
EXCURSIONS_LIMIT = (
    "Excursions limit the plan: a record at the planned OVD ends the closure error and changes "
    "nothing in them."
)


def why(closed: Closures, limited_by: Limit | None) -> str:
    """Why the answer is what it is: the largest part of the closure error, and excursions."""
    if not closed.measured:
        said = NO_SINGLE_AXIS
    else:
        true, arbitrary = closed.true_axis, closed.arbitrary_axis
        said = largest_part(
            closed.stops[closed.stop].error_mm, arbitrary.points_mm - true.points_mm
        )
    return f"{EXCURSIONS_LIMIT} {said}" if limited_by == "excursions" else said


def largest_part(error_mm: FloatArray, axis_error_mm: FloatArray) -> str:
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


def sentence(
    outcome: Outcome,
    ways: Sequence[WayOut],
    spread: UncertaintySummary,
    *,
    measured: bool,
    lowers: bool,
) -> str:
    """The answer in one sentence; only ways out that keep the risk limit are offered."""
    said = f"{plan_words(ways[0], spread, measured=measured)}; {chance_words(ways[0], spread)}"
    limit = f"your risk limit of {100.0 * spread.risk_limit:g} %"
    if outcome == "not_needed":
        return f"{said}, within {limit}: locating the true axis is not needed{stays(spread)}."
    by_name = {way.name: way for way in ways}
    located = by_name[LOCATED]
    chance = located.chances.either.words()
    others = [OFFERS[way.name] for way in ways[1:] if way.holds and way.name in OFFERS]
    others += [
        f"keep {closing_words(way.closure_mm)} to {room_words(abs(way.closure_mm))}"
        for way in ways[1:]
        if way.holds and way.name not in (*OFFERS, LOCATED)
    ]
    also = f", or {' or '.join(others)}" if others else ""
    if outcome == "worth_it":
        return f"{said}, above {limit}: locate and transfer the true axis ({chance}){also}."
    if outcome == "cannot_tell":
        return (
            f"{said}, and the draws cannot tell whether locating the true axis is needed to keep "
            f"it within {limit} (it is {chance} then){also}."
        )
    helps = (
        f"locating the true axis lowers it to {chance}, which is not enough"
        if lowers
        else f"locating the true axis does not lower it ({chance})"
    )
    return f"{said}, above {limit}: {helps}{also or ', and no way out examined here is'}."


OFFERS = {AT_PLANNED: "take the record at the planned OVD"}


def closing_words(closure_mm: float) -> str:
    """The direction from the record to the planned OVD."""
    return "the closing" if closure_mm >= 0.0 else "the opening"


def plan_words(plan: WayOut, spread: UncertaintySummary, *, measured: bool) -> str:
    """What the plan does to the teeth: on its own axis, or on most axes of a scatter."""
    high = spread.decision.measure == "high"
    size = abs(plan.high_mm) if high else plan.displacement_mm
    moves = "leaves the teeth high or out of contact by" if high else "displaces the teeth by"
    amount = f"up to {size * MICROMETRES:.0f} µm"
    closing = (
        "closing from the interocclusal record to tooth contact"
        if spread.stop == "contact"
        else departure_words(-plan.closure_mm)
    )
    where = f"({plan.landmark}; {STOP_WORDS[spread.stop]})"
    if spread.measured:
        return f"On this arbitrary axis, {closing} {moves} {amount} {where}"
    axes = (
        "Of arbitrary axes scattered as stated"
        if measured
        else "The arbitrary axis was not measured on this patient; of such axes"
    )
    return (
        f"{axes} ({scatter_words(spread.population)}), {closing} {moves} {amount} in "
        f"{100.0 * spread.coverage:g} % {where}"
    )


def chance_words(plan: WayOut, spread: UncertaintySummary) -> str:
    """The chance that any tooth is beyond, with its parts where there are excursions."""
    table = spread.decision
    tolerance = f"your tolerance of {table.tolerance_mm * MICROMETRES:g} µm"
    parts = ""
    if plan.chances.excursions is not None:
        closure, further = plan.chances.closure.words(), plan.chances.excursions.words()
        parts = f" (closure {closure}, excursions {further})"
        if table.excursion_tolerance_mm is not None:
            own = table.excursion_tolerance_mm * MICROMETRES
            tolerance += f", in excursions {own:g} µm,"
    return (
        f"the chance that any tooth is beyond {tolerance} is {plan.chances.either.words()}{parts}"
    )


def stays(spread: UncertaintySummary) -> str:
    """How far the plan could still close; nothing where that is no farther, or excursions count."""
    plan = spread.way(AS_PLANNED)
    room, planned = spread.largest_closure_mm, abs(plan.departure_mm)
    if plan.chances.excursions is not None:
        return ""
    if not np.isfinite(room):
        return ", and no closure within hinge range would change that"
    if rounded_room_mm(room) <= planned:
        return ""
    return f", and it would stay so up to a closure of {room_words(room)}"


def how_sure(spread: UncertaintySummary) -> tuple[str, ...]:
    """How sure the answer is: the chances, what locating changes, how much closure."""
    points = 100.0 * spread.value_of_locating
    many = f"{points:.0f} percentage point{'' if round(points) == 1 else 's'}"
    planned, at_planned, located = (
        spread.either(name).words() for name in (AS_PLANNED, AT_PLANNED, LOCATED)
    )
    largest, largest_located = (
        room_words(room) if np.isfinite(room) else f"any length up to {HINGE_RANGE_MM:g} mm"
        for room in (spread.largest_closure_mm, spread.largest_closure_located_mm)
    )
    return (
        f"The chance that any tooth is beyond the tolerance is {planned} on the arbitrary axis and "
        f"{located} on the located one; with the record at the planned OVD it is {at_planned}.",
        f"Locating the axis lowers that chance by {many}."
        if points >= 1.0
        else "Locating the axis does not lower that chance by as much as one percentage point.",
        f"To keep the chance in closure at or under {100.0 * spread.risk_limit:g} %, the closure "
        f"may reach {largest} at the incisors on the arbitrary axis, and {largest_located} on the "
        "located one.",
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
