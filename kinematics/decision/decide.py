"""One rule for every answer: the chance decides, never the error of one axis alone."""

from __future__ import annotations

from kinematics.closure.close import Closures
from kinematics.decision.answer import Decision, Limit, Outcome, WayOut
from kinematics.decision.words import how_sure, sentence, why
from kinematics.uncertainty.chance import Chances
from kinematics.uncertainty.summary import UncertaintySummary, WayChance
from kinematics.uncertainty.ways import AS_PLANNED, LOCATED


def outcome_of(arbitrary: Chances, located: Chances, risk_limit: float) -> Outcome:
    """The rule.

    Notes
    -----
    *Guarantee*: an interval that straddles the limit gives ``cannot_tell``, unless the outcome is
    the same on either side of it. *Source*: ours, in the manner of JCGM 106:2012, 8.3.
    """
    first, second = (chances.either.settled(risk_limit) for chances in (arbitrary, located))
    if first == "below":
        return "not_needed"
    if "cannot_tell" in (first, second):
        return "cannot_tell"
    return "worth_it" if second == "below" else "helps_not_enough"


def limit_of(chances: Chances, risk_limit: float) -> Limit | None:
    """What exceeds the limit, or makes the larger part where only both together do."""
    if chances.either.value <= risk_limit:
        return None
    further = chances.excursions
    return "closure" if further is None or further.value <= chances.closure.value else "excursions"


def decide(closed: Closures, spread: UncertaintySummary) -> Decision:
    """Answer the question of a closed case.

    Parameters
    ----------
    closed : Closures
    spread : UncertaintySummary
        Its chances.
    """
    table = closed.case.decision
    arbitrary, located = (spread.way(name).chances for name in (AS_PLANNED, LOCATED))
    outcome = outcome_of(arbitrary, located, table.risk_limit)
    decisive = located if outcome == "helps_not_enough" else arbitrary
    limited_by = None if outcome == "not_needed" else limit_of(decisive, table.risk_limit)
    lowers = located.either.high < arbitrary.either.low
    ways = tuple(way_out(way, spread) for way in spread.ways)
    return Decision(
        outcome=outcome,
        limited_by=limited_by,
        lowers=lowers,
        sentence=sentence(outcome, ways, spread, measured=closed.measured, lowers=lowers),
        reason=why(closed, limited_by),
        how_sure=how_sure(spread),
        stop=spread.stop,
        table=table,
        measured=closed.measured,
        ways_out=ways,
        chance=spread.chance,
        largest_closure_mm=spread.largest_closure_mm,
        largest_closure_located_mm=spread.largest_closure_located_mm,
    )


def way_out(found: WayChance, spread: UncertaintySummary) -> WayOut:
    """One way out by its chances."""
    return WayOut(
        name=found.name,
        what=found.way.what,
        axis=found.way.axis,
        closure_mm=-found.departure_mm,
        displacement_mm=found.displacement_mm,
        high_mm=found.high_mm,
        landmark=spread.names[found.worst],
        tooth=spread.teeth[found.worst],
        chances=found.chances,
        holds=found.chances.either.value <= spread.risk_limit,
    )
