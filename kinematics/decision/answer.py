"""The answer's record: the outcome, the ways out with their chances, the largest closure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from kinematics.base.to_json import form
from kinematics.case.tables import Decision as DecisionTable
from kinematics.closure.stops import Stop
from kinematics.uncertainty.chance import Chances
from kinematics.uncertainty.inputs import Axis

Outcome = Literal["not_needed", "worth_it", "helps_not_enough", "cannot_tell"]
"""What locating and transferring the true axis is worth."""

Limit = Literal["closure", "excursions"]
"""What exceeds the risk limit."""


@dataclass(frozen=True, eq=False)
class WayOut:
    """One way to proceed, weighed.

    Attributes
    ----------
    name, what : str
        Short name (:mod:`kinematics.uncertainty.ways`), and what it means in one sentence.
    axis : {"arbitrary", "located"}
        The articulator's.
    closure_mm : float
        From the record to the planned OVD at the incisors, closing positive.
    displacement_mm, high_mm : float
        Largest displacement, and the largest amount along the occlusal normal by size (positive
        high, negative out of contact). With nothing off; where only a scatter of arbitrary axes is
        known, the sizes that the coverage's share of axes keeps.
    landmark, tooth
        Where the largest one by the measure is; the tooth is 0 where it is not known.
    chances : Chances
        Of any tooth beyond, in closure and in excursions.
    holds : bool
        Whether the chance of either stays at or under the risk limit.
    """

    name: str
    what: str
    axis: Axis
    closure_mm: float
    displacement_mm: float
    high_mm: float
    landmark: str
    tooth: int
    chances: Chances
    holds: bool

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        return form(self, chance="chances") | {"tooth": self.tooth or None}


@dataclass(frozen=True, eq=False)
class Decision:
    """The answer for one end of closure: one rule, by chance.

    Attributes
    ----------
    outcome : {"not_needed", "worth_it", "helps_not_enough", "cannot_tell"}
        With the arbitrary axis the chance keeps the risk limit; it does not, but with the located
        axis it does; with neither; or the draws cannot tell.
    limited_by : {"closure", "excursions"} or None
        What exceeds the limit on the axis that decides (the located one for
        ``helps_not_enough``); None where nothing does.
    lowers : bool
        Whether locating the axis lowers the chance for certain: the two intervals lie apart.
    sentence, reason : str
        The answer in one sentence, and why.
    how_sure : tuple of str
        The chances in words.
    stop, table
        What ends the closure, and ``[decision]`` of the case.
    measured : bool
        Whether one arbitrary axis is known; otherwise only a scatter of such axes.
    ways_out : tuple of WayOut
        The plan first.
    chance : mapping
        "arbitrary", "located" and "record_at_planned" to their chances.
    largest_closure_mm, largest_closure_located_mm : float
        Largest closure (size, mm at the incisors, in the plan's direction) at which the chance in
        closure keeps the risk limit on either axis; infinite where 20 mm does.
    """

    outcome: Outcome
    limited_by: Limit | None
    lowers: bool
    sentence: str
    reason: str
    how_sure: tuple[str, ...]
    stop: Stop
    table: DecisionTable
    measured: bool
    ways_out: tuple[WayOut, ...]
    chance: Mapping[str, Chances]
    largest_closure_mm: float
    largest_closure_located_mm: float

    @property
    def worst(self) -> WayOut:
        """The plan's own row: largest displacement, largest high amount, and where."""
        return self.ways_out[0]

    @property
    def holds(self) -> bool:
        """Whether the plan itself keeps the risk limit."""
        return self.outcome == "not_needed"

    @property
    def tolerance_mm(self) -> float:
        """The case's, for closure."""
        return self.table.tolerance_mm

    @property
    def risk_limit(self) -> float:
        """The case's."""
        return self.table.risk_limit

    def json_form(self) -> dict[str, Any]:
        """In result.json; ``how_sure`` stands with the uncertainty."""
        plan = self.worst
        return {
            "sentence": self.sentence,
            "reason": self.reason,
            "outcome": self.outcome,
            "limited_by": self.limited_by,
            "locating_lowers_the_chance": self.lowers,
            "stop": self.stop,
            "measure": self.table.measure,
            "tolerance_mm": self.tolerance_mm,
            "excursion_tolerance_mm": self.table.excursion_tolerance_mm or self.tolerance_mm,
            "risk_limit": self.risk_limit,
            "arbitrary_axis_measured": self.measured,
            "worst": {
                "displacement_mm": plan.displacement_mm,
                "high_mm": plan.high_mm,
                "landmark": plan.landmark,
                "tooth": plan.tooth or None,
            },
            "chance": self.chance,
            "largest_closure_mm": self.largest_closure_mm,
            "largest_closure_located_mm": self.largest_closure_located_mm,
            "ways_out": self.ways_out,
        }
