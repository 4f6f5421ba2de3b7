"""The main job in order: read casts, mount, pose, close about both axes, judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.base.arrays import Progress
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding
from kinematics.case.read import Case
from kinematics.casts.cast import Cast
from kinematics.closure.close import Closures, close, open_as_scanned
from kinematics.closure.geometry import Geometry
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.place import PlacedCase, place
from kinematics.closure.stops import Stop, StopResult
from kinematics.closure.tooth_contact import ContactReport, MouthReturn
from kinematics.decision.answer import Decision
from kinematics.decision.curve import DepartureCurve, departure_curve
from kinematics.decision.decide import decide
from kinematics.decision.transfer import Transfer, transfer_of
from kinematics.excursions.compare import compare_excursions
from kinematics.excursions.results import ExcursionErrors
from kinematics.excursions.settings import case_guidance
from kinematics.mounting.mount import Mounting
from kinematics.uncertainty.risk import Risk, risk_of
from kinematics.uncertainty.summary import UncertaintySummary


@dataclass(frozen=True, eq=False)
class Assessment:
    """Everything that ``assess`` found; lengths in mm, frame ``axis_orbital``.

    Attributes
    ----------
    closures : Closures
        The placed case closed about both axes.
    risk : Risk or None
        How sure the answer is; None where that step has not been done.
    decision : Decision or None
        The answer, which the chance decides; None before it is known.
    curve : DepartureCurve
        Error against departure.
    excursions : ExcursionErrors or None
        Where the case has ``[articulator]`` and one arbitrary axis is known (of a scatter only the
        chance is told); the front stopped as it says.
    transfer : Transfer
    findings : tuple of Finding
    """

    closures: Closures
    risk: Risk | None
    decision: Decision | None
    curve: DepartureCurve
    excursions: ExcursionErrors | None
    transfer: Transfer
    findings: tuple[Finding, ...]

    @property
    def placed(self) -> PlacedCase:
        """The placed case: casts, axes, mounting."""
        return self.closures.placed

    @property
    def case(self) -> Case:
        """The case."""
        return self.placed.case

    @property
    def mounting(self) -> Mounting:
        """Pose of the casts and both axes."""
        return self.placed.mounting

    @property
    def geometry(self) -> Geometry:
        """The placed case at its record and its target."""
        return self.closures.geometry

    @property
    def true_axis(self) -> HingeAxis:
        """The located axis."""
        return self.placed.true_axis

    @property
    def arbitrary_axis(self) -> HingeAxis:
        """The axis that was, or would be, transferred."""
        return self.placed.arbitrary_axis

    @property
    def landmarks(self) -> LandmarkSet:
        """Landmarks at the target pose."""
        return self.closures.landmarks

    @property
    def stops(self) -> Mapping[Stop, StopResult]:
        """Result by stop."""
        return self.closures.stops

    @property
    def contact_true(self) -> ContactReport:
        """First contact from the record about the true axis."""
        return self.closures.contact_true

    @property
    def contact_arbitrary(self) -> ContactReport:
        """First contact from the record about the arbitrary axis."""
        return self.closures.contact_arbitrary

    @property
    def landmarks_record_mm(self) -> NDArray[np.float64]:
        """Landmarks at the record pose, shape (k, 3), mm."""
        return self.closures.landmarks_record_mm

    @property
    def true_closing_deg(self) -> float:
        """Theta: the patient's closing from the record to the target, degrees."""
        return self.closures.true_closing_deg

    @property
    def departure_mm(self) -> float:
        """Departure at the incisors, mm, opening positive."""
        return self.closures.departure_mm

    @property
    def upper(self) -> Cast | None:
        """The upper, which does not move."""
        return self.placed.upper

    @property
    def mouth(self) -> MouthReturn | None:
        """A restoration back in the mouth; None where only a scatter of axes is known."""
        return self.closures.mouth if self.closures.measured else None

    @property
    def uncertainty(self) -> UncertaintySummary | None:
        """Spread and chances; None where that step has not been done."""
        return None if self.risk is None else self.risk.spread


def assess(case: Case, *, progress: Progress | None = None) -> Assessment:
    """Answer the question of one case.

    Parameters
    ----------
    case : Case
    progress : callable, optional
        Called with a stage in words and the fraction done.

    Raises
    ------
    InputError
        The case or a mesh cannot be used; the message says what to do.

    Examples
    --------
    An axis 5 mm too far forward under a 3 mm record, no casts:

    >>> from kinematics import assess, case_from_dict
    >>> point = {"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]}
    >>> case = case_from_dict({
    ...     "schema": "hingewise-case/1", "label": "case 1", "landmarks": [point],
    ...     "true_axis": {"width_mm": 110.0}, "target": {"as_scanned": True},
    ...     "record": {"thickness_mm": 3.0, "site": "incisors"},
    ...     "arbitrary_axis": {
    ...         "left_anterior_mm": 5.0, "left_superior_mm": 0.0,
    ...         "right_anterior_mm": 5.0, "right_superior_mm": 0.0,
    ...     },
    ... })
    >>> found = assess(case)
    >>> {stop: round(1e3 * float(r.magnitude_mm.max())) for stop, r in found.stops.items()}
    {'equal_angle': 168, 'pin': 73}
    """
    tell = progress or (lambda stage, fraction: None)
    tell("Reading and mounting the casts", 0.0)
    return assess_placed(place(case), progress=progress)


def assess_placed(
    placed: PlacedCase,
    *,
    progress: Progress | None = None,
    curve: bool = True,
    uncertainty: bool = True,
    excursions: bool = True,
    closed: Closures | None = None,
) -> Assessment:
    """Answer the question of a case that is read and placed already.

    Parameters
    ----------
    placed : PlacedCase
        :meth:`PlacedCase.with_case` gives it for a changed case.
    progress : callable, optional
    curve : bool
        Whether to trace the error against departure (the contact stop needs a first contact a
        sample); without it the curve has no samples.
    uncertainty : bool
        Whether to propagate what is uncertain, by ``[uncertainty]`` or its defaults; without it
        there is no decision.
    excursions : bool
        Whether to compare the excursions, where the case has ``[articulator]``.
    closed : Closures, optional
        Of the same placed case, where they are known already.

    Raises
    ------
    InputError
        The record or the target cannot be reached.
    """
    tell = progress or (lambda words, share: None)
    tell("Closing and first contact about both axes", 0.3)
    closures = closed or close(placed)
    case, geometry = placed.case, closures.geometry
    guidance = None if case.articulator is None else case_guidance(geometry).patient
    findings = [
        *placed.findings,
        *open_as_scanned(placed),
        *(() if guidance is None else guidance.findings),
        *closures.findings(),
    ]
    tell("Error map and return to the mouth", 0.6)
    _ = closures.occlusal_high_mm, closures.mouth  # kept there for who asks
    risk = decision = None
    if uncertainty:
        risk = risk_of(closures, progress=lambda words, done: tell(words, 0.65 + 0.2 * done))
        decision = decide(closures, risk.spread)
    tell("Error against departure", 0.9)
    largest = float("nan") if decision is None else decision.largest_closure_mm
    traced = departure_curve(closures, largest, None if curve else ())
    compared = None
    if case.articulator is not None and excursions and closures.measured:
        compared = compare_excursions(
            closures, progress=lambda words, done: tell(words, 0.98 + 0.02 * done)
        )
    settings = ArticulatorSettings() if guidance is None else guidance.settings
    tell("Done", 1.0)
    return Assessment(
        closures=closures,
        risk=risk,
        decision=decision,
        curve=traced,
        excursions=compared,
        transfer=transfer_of(closures, settings),
        findings=tuple(findings),
    )
