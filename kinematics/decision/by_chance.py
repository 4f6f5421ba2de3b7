"""By chance: where the arbitrary axis was not measured, the chance of an error decides."""

from __future__ import annotations

import numpy as np

from kinematics.base.words import room_words
from kinematics.closure.close import Closures
from kinematics.closure.stops import Stop
from kinematics.decision.verdict import Verdict, WayOut
from kinematics.decision.words import (
    NO_SINGLE_AXIS,
    NOT_MEASURED,
    chance_sentence,
    spread_sentences,
)
from kinematics.uncertainty.departure import departure_draws, share_beyond
from kinematics.uncertainty.inputs import SAME_POINT_MM
from kinematics.uncertainty.risk import Risk
from kinematics.uncertainty.summary import UncertaintySummary
from kinematics.uncertainty.ways import AS_PLANNED, WAYS, Way, nearer


def not_measured(closed: Closures) -> bool:
    """Whether a case knows its arbitrary axis as a scatter only: no offset, and a population."""
    table, true, arbitrary = closed.case.uncertainty, closed.true_axis, closed.arbitrary_axis
    if table is None or table.arbitrary_axis == "measured":
        return False
    left = arbitrary.left_point_mm - true.left_point_mm
    right = arbitrary.right_point_mm - true.right_point_mm
    return bool(max(np.abs(left).max(), np.abs(right).max()) < SAME_POINT_MM)


def by_chance(closed: Closures, risk: Risk | None, stop: Stop) -> Verdict:
    """Weigh the chance at one stop against the risk limit, and every way out.

    Parameters
    ----------
    closed : Closures
    risk : Risk or None
        Of the same case; without it the answer only says that the chance decides.
    stop : Stop
        The verdict's.
    """
    tolerance = closed.case.decision.tolerance_mm
    if risk is None:
        nan = float("nan")
        return Verdict(
            "chance", stop, tolerance, nan, "", 0, False, nan, NOT_MEASURED, NO_SINGLE_AXIS, (), ()
        )
    spread = risk.spread
    planned, room = spread.way(AS_PLANNED), spread.largest_departure_mm
    ways = [counted(way, spread) for way in WAYS]
    if not ways[0].within and 0.0 < room < abs(planned.departure_mm):
        ways.insert(1, kept_by_the_risk_limit(risk))
    return Verdict(
        basis="chance",
        stop=stop,
        tolerance_mm=tolerance,
        worst_error_mm=planned.worst_high_mm,
        worst_landmark=ways[0].landmark,
        worst_tooth=spread.teeth[int(np.argmax(planned.beyond))],
        within=ways[0].within,
        break_even_departure_mm=room,
        sentence=chance_sentence(stop, spread),
        reason=NO_SINGLE_AXIS,
        how_sure=spread_sentences(spread),
        ways_out=tuple(ways),
    )


def counted(way: Way, spread: UncertaintySummary) -> WayOut:
    """One way out by the trials that were counted for it."""
    found = spread.way(way.name)
    return WayOut(
        name=way.name,
        what=way.what,
        axis=way.axis,
        departure_mm=found.departure_mm,
        error_mm=found.worst_high_mm,
        landmark=spread.names[int(np.argmax(found.beyond))],
        chance=found.beyond_any,
        within=found.beyond_any <= spread.risk_limit,
    )


def kept_by_the_risk_limit(risk: Risk) -> WayOut:
    """The record as far from the target as the risk limit allows, with draws of its own."""
    inputs, spread = risk.inputs, risk.spread
    size, planned = spread.largest_departure_mm, spread.way(AS_PLANNED).departure_mm
    departure = float(np.copysign(size, planned))
    errors = inputs.close(departure_draws(inputs), "arbitrary", departure_mm=departure).magnitude_mm
    chance = share_beyond(errors, spread.tolerance_mm)
    return WayOut(
        name=nearer(planned),
        what=f"The arbitrary axis, the record {room_words(size)} (incisors) from the target.",
        axis="arbitrary",
        departure_mm=departure,
        error_mm=float(np.quantile(errors.max(axis=1), spread.coverage)),
        landmark=spread.names[int(np.argmax((errors > spread.tolerance_mm).sum(axis=0)))],
        chance=chance,
        within=chance <= spread.risk_limit,
    )
