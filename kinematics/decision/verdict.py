"""The answer's record: the ways out, each weighed, and the largest departure that is kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from kinematics.base.to_json import form
from kinematics.closure.stops import Stop
from kinematics.uncertainty.inputs import Axis


@dataclass(frozen=True, eq=False)
class WayOut:
    """One way to proceed, weighed.

    Attributes
    ----------
    name, what : str
        Short name (:mod:`kinematics.uncertainty.ways`), and what it means in one sentence.
    axis : {"arbitrary", "located"}
        The articulator's.
    departure_mm : float
        At the incisors, opening positive.
    error_mm, landmark
        Largest landmark error with it, and where. Where the chance decides: the largest error that
        the coverage's share of axes keeps, and where the tolerance is left most often.
    chance : float or None
        Probability that the error leaves the tolerance; None where nothing is uncertain.
    within : bool
        Whether the error is within the tolerance; where the chance decides, whether the chance
        stays at or under the risk limit.
    """

    name: str
    what: str
    axis: Axis
    departure_mm: float
    error_mm: float
    landmark: str
    chance: float | None
    within: bool

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        renamed = {"worst_error_mm": "error_mm", "worst_landmark": "landmark"}
        return form(self, "axis", chance_beyond="chance", **renamed)


@dataclass(frozen=True, eq=False)
class Verdict:
    """The decision for one stop.

    Attributes
    ----------
    basis : {"error", "chance"}
        Whether one error decides, or the chance, since the arbitrary axis was not measured.
    stop, tolerance_mm
        What it is about.
    worst_error_mm, worst_landmark, worst_tooth
        Of the plan, as in its way out.
    within : bool
    break_even_departure_mm : float
        Largest departure (size, mm at the incisors, same direction as the case's) that keeps the
        error within the tolerance, or the chance at or under the risk limit; infinite where no
        departure up to 20 mm exceeds it, NaN where that was not worked out.
    sentence, reason : str
        The answer in one sentence, and why.
    how_sure : tuple of str
        What is uncertain in words; empty where nothing is.
    ways_out : tuple of WayOut
        The plan first.
    """

    basis: Literal["error", "chance"]
    stop: Stop
    tolerance_mm: float
    worst_error_mm: float
    worst_landmark: str
    worst_tooth: int
    within: bool
    break_even_departure_mm: float
    sentence: str
    reason: str
    how_sure: tuple[str, ...]
    ways_out: tuple[WayOut, ...]

    def json_form(self) -> dict[str, Any]:
        """In result.json; ``how_sure`` stands with the uncertainty."""
        return form(self, "how_sure", remedies="ways_out") | {
            "worst_tooth": self.worst_tooth or None
        }
