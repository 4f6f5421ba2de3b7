"""The verdict with its uncertainty counted: a chance for each remedy, or the chance alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kinematics.base.axis import HingeAxis
from kinematics.base.words import MICROMETRES, departure_words, percent, room_words
from kinematics.case.read import Case
from kinematics.decision.verdict import STOP_WORDS, Remedy, Verdict
from kinematics.uncertainty.departure import departure_draws, risk_at, share_beyond
from kinematics.uncertainty.inputs import SAME_POINT_MM
from kinematics.uncertainty.risk import Risk
from kinematics.uncertainty.summary import OptionRisk, UncertaintySummary

NOT_MEASURED = (
    "Where the arbitrary axis lies on this patient was not measured, so that no single error can "
    "be told: the chance of an error beyond your tolerance decides."
)
NO_SINGLE_AXIS = (
    "Errors by tooth are not told for one axis here, for none was measured; chances by tooth "
    "stand with the uncertainty."
)

OPTION_OF = {
    "as planned": "arbitrary axis",
    "record at the target vertical dimension": "record at the target",
    "true axis": "located axis",
}
"""Remedies to the options whose draws were counted; a thinner record has draws of its own."""


def not_measured(case: Case, true_axis: HingeAxis, arbitrary_axis: HingeAxis) -> bool:
    """Whether a case knows its arbitrary axis as a scatter only: no offset, and a population."""
    table = case.uncertainty
    if table is None or table.arbitrary_axis == "measured":
        return False
    left = arbitrary_axis.left_point_mm - true_axis.left_point_mm
    right = arbitrary_axis.right_point_mm - true_axis.right_point_mm
    return bool(max(np.abs(left).max(), np.abs(right).max()) < SAME_POINT_MM)


def counted(verdict: Verdict, risk: Risk) -> Verdict:
    """The verdict with what is uncertain counted.

    Parameters
    ----------
    verdict : Verdict
        From :func:`kinematics.decision.by_error.judge`.
    risk : Risk
        Of the same case.

    Returns
    -------
    Verdict
        Where the arbitrary axis was measured, the same with the chance of each remedy; else the
        chance decides: ``within`` says whether it stays at or under the risk limit, errors are
        those that the stated share of such axes keeps, and the break-even departure is the largest
        that keeps the risk limit.
    """
    if verdict.basis == "chance":
        return _by_chance(verdict, risk)
    return replace(
        verdict, remedies=tuple(replace(r, chance=_chance(r, risk)) for r in verdict.remedies)
    )


def _chance(remedy: Remedy, risk: Risk) -> float:
    if remedy.name in OPTION_OF:
        return risk.spread.option(OPTION_OF[remedy.name]).beyond_any
    return risk_at(risk.inputs, departure_draws(risk.inputs), "arbitrary", remedy.departure_mm)


def _by_chance(verdict: Verdict, risk: Risk) -> Verdict:
    spread, limit = risk.spread, risk.spread.risk_limit
    planned = spread.option("arbitrary axis")
    room = spread.largest_departure_mm
    within = planned.beyond_any <= limit
    remedies = []
    for remedy in verdict.remedies:
        if remedy.name in OPTION_OF:
            remedies.append(_remedy(remedy, spread.option(OPTION_OF[remedy.name]), spread))
    if not within and 0.0 < room < abs(planned.departure_mm):
        remedies.insert(1, _thinner(verdict, risk))
    return replace(
        verdict,
        within=within,
        worst_error_mm=planned.worst_high_mm,
        worst_landmark=_where(planned, spread),
        worst_tooth=spread.teeth[int(np.argmax(planned.beyond))],
        break_even_departure_mm=room,
        sentence=chance_sentence(verdict, spread),
        reason=NO_SINGLE_AXIS,
        remedies=tuple(remedies),
    )


def chance_sentence(verdict: Verdict, spread: UncertaintySummary) -> str:
    """The answer in one sentence where the chance decides."""
    planned = spread.option("arbitrary axis")
    limit = f"{verdict.tolerance_mm * MICROMETRES:g} µm"
    chance = percent(planned.beyond_any, planned.beyond_any_interval[1])
    room = spread.largest_departure_mm
    scatter = _scatter_words(spread.population)
    head = (
        f"The arbitrary axis was not measured on this patient; of such axes ({scatter}), "
        f"{departure_words(planned.departure_mm)} leaves {chance} beyond your tolerance of {limit} "
        f"somewhere on the arch ({100.0 * spread.coverage:g} % stay within "
        f"{planned.worst_high_mm * MICROMETRES:.0f} µm; {STOP_WORDS[verdict.stop]})"
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


def _scatter_words(population: str) -> str:
    """A population in a few words: of a study, its name only (its source stands with the rest)."""
    key, colon, _ = population.partition(": ")
    if not colon or " " in key:
        return population
    words = key.split("_")
    year = next((i for i, word in enumerate(words) if word.isdigit()), len(words))
    return " ".join(["as in", *(w.capitalize() for w in words[:year]), *words[year:]])


def _where(option: OptionRisk, spread: UncertaintySummary) -> str:
    return spread.names[int(np.argmax(option.beyond))]


def _remedy(remedy: Remedy, option: OptionRisk, spread: UncertaintySummary) -> Remedy:
    return replace(
        remedy,
        what=option.what,
        worst_error_mm=option.worst_high_mm,
        worst_landmark=_where(option, spread),
        within=option.beyond_any <= spread.risk_limit,
        chance=option.beyond_any,
    )


def _thinner(verdict: Verdict, risk: Risk) -> Remedy:
    """The record that keeps the risk limit."""
    inputs, spread, planned = risk.inputs, risk.spread, verdict.remedies[0]
    size = spread.largest_departure_mm
    closing = planned.departure_mm < 0
    departure = -size if closing else size
    errors = inputs.close(departure_draws(inputs), "arbitrary", departure_mm=departure).magnitude_mm
    at = int(np.argmax((errors > spread.tolerance_mm).sum(axis=0)))
    chance = share_beyond(errors, spread.tolerance_mm)
    return Remedy(
        "thinner record" if closing else "record nearer the target",
        f"The arbitrary axis, the record {room_words(size)} (incisors) from the target.",
        departure,
        float(np.quantile(errors.max(axis=1), spread.coverage)),
        spread.names[at],
        chance <= spread.risk_limit,
        chance,
    )
