"""The main job in order: read casts, mount, pose, close about both axes, judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.base.arrays import Progress
from kinematics.base.axis import opening_motion
from kinematics.base.errors import Finding
from kinematics.case.read import Case
from kinematics.casts.cast import Cast
from kinematics.casts.health import MeshHealth
from kinematics.closure.close import SAME_POSE_DEG, ByGeometry, Closures, close
from kinematics.closure.geometry import Geometry
from kinematics.closure.place import PlacedCase, place
from kinematics.closure.scanned_pose import open_as_scanned
from kinematics.closure.stops import Stop, StopResult, high_amount
from kinematics.closure.tooth_contact import ContactReport, MouthReturn, mouth_return, return_report
from kinematics.decision.by_error import DepartureCurve, departure_curve
from kinematics.decision.decide import decide
from kinematics.decision.transfer import Transfer, transfer_of
from kinematics.decision.verdict import Verdict
from kinematics.excursions.compare import compare_excursions
from kinematics.excursions.results import ExcursionErrors
from kinematics.excursions.settings import case_guidance
from kinematics.mounting.mount import Mounting
from kinematics.uncertainty.risk import Risk, mounting_findings, risk_of
from kinematics.uncertainty.summary import UncertaintySummary


@dataclass(frozen=True, eq=False)
class Assessment(ByGeometry):
    """Everything that ``assess`` found; lengths in mm, frame ``axis_orbital``.

    Attributes
    ----------
    upper, lower_true, lower_record : Cast or None
        The upper (fixed), and the lower at the target and at the record pose.
    landmarks : LandmarkSet
        At the target pose; ``landmarks_record_mm`` at the record pose.
    true_closing_deg : float
        theta, degrees, closing positive from the record.
    departure_mm, departure_deg : float
        Target against record, at the incisors, opening positive.
    stops, unavailable
        Result by stop, and the reason for a stop that has none.
    contact_true, contact_arbitrary : ContactReport
        First contact from the record about each axis.
    contact_pair : StopResult or None
        Both bites with the teeth together: the articulator at its first contact against the
        patient at the patient's own, whatever the target. Equal to ``stops["contact"]`` where the
        target is the first contact.
    mouth : MouthReturn or None
    risk : Risk or None
        Where the case has ``[uncertainty]``.
    excursions : ExcursionErrors or None
        Where the case has ``[articulator]`` and the arbitrary axis was measured; the front stopped
        as it says.
    occlusal_index : ndarray
        Occlusal vertices of the lower; ``occlusal_high_mm`` gives the high amount there by stop.
    """

    closures: Closures
    case: Case
    mounting: Mounting
    geometry: Geometry
    upper: Cast | None
    lower_true: Cast | None
    health: Mapping[str, MeshHealth]
    stops: Mapping[Stop, StopResult]
    unavailable: Mapping[Stop, str]
    contact_true: ContactReport
    contact_arbitrary: ContactReport
    contact_pair: StopResult | None
    mouth: MouthReturn | None
    occlusal_index: NDArray[np.intp]
    occlusal_high_mm: Mapping[Stop, NDArray[np.float64]]
    verdict: Verdict
    curve: DepartureCurve
    findings: tuple[Finding, ...]
    transfer: Transfer
    risk: Risk | None = None
    excursions: ExcursionErrors | None = None

    @property
    def record_opening_deg(self) -> float:
        """Opening of the record, degrees from the scanned pose."""
        return self.geometry.poses.record_opening_deg

    @property
    def target_opening_deg(self) -> float:
        """Opening of the target, degrees from the scanned pose."""
        return self.geometry.poses.target_opening_deg

    @property
    def record_from_true(self) -> RigidTransform:
        """Motion from the target pose back to the record pose."""
        return opening_motion(self.true_axis, self.true_closing_deg)

    @property
    def charted(self) -> dict[Stop, StopResult]:
        """Stops whose errors share one chart: ``contact`` only where the target is tooth contact.

        Elsewhere the contact stop's error holds the way from the target to the contact, which is
        no error of the axis; ``contact_pair`` is the comparison then.
        """
        apart = abs(self.contact_true.closing_deg - self.true_closing_deg)
        together = self.verdict.stop == "contact" or apart < SAME_POSE_DEG
        return {s: r for s, r in self.stops.items() if s != "contact" or together}

    @property
    def uncertainty(self) -> UncertaintySummary | None:
        """Spread and probabilities, where the case has ``[uncertainty]``."""
        return None if self.risk is None else self.risk.spread

    @cached_property
    def lower_record(self) -> Cast | None:
        """The lower at the record pose."""
        return None if self.lower_true is None else self.lower_true.moved(self.record_from_true)

    @property
    def landmarks_record_mm(self) -> NDArray[np.float64]:
        """Landmarks at the record pose, shape (k, 3), mm."""
        return self.record_from_true.apply(self.landmarks.points_mm)

    @property
    def pin_tip_record_mm(self) -> NDArray[np.float64]:
        """Pin tip at the record pose, shape (3,), mm."""
        return self.record_from_true.apply(self.geometry.pin_tip_target_mm)

    @property
    def departure_deg(self) -> float:
        """Departure in degrees, opening positive."""
        return -self.true_closing_deg

    @property
    def departure_mm(self) -> float:
        """Departure at the incisors, mm, opening positive."""
        point = self.landmarks.incisal_point_mm
        return float(self.record_from_true.apply(point)[2] - point[2])


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
        Whether to propagate the case's ``[uncertainty]``, where it has one, or else, with the
        stop ``contact``, what is known of the mounting.
    excursions : bool
        Whether to compare the excursions, where the case has ``[articulator]``.
    closed : Closures, optional
        Of the same placed case, where they are known already.

    Raises
    ------
    InputError
        The record or the target cannot be reached.
    """
    tell = progress or (lambda stage, fraction: None)
    case, upper, engine = placed.case, placed.upper, placed.contacts
    findings = [*placed.findings, *open_as_scanned(placed)]
    tell("Closing and first contact about both axes", 0.3)
    closed = closed or close(placed)
    geometry, stops, decision = closed.geometry, closed.stops, closed.decision
    poses, theta = geometry.poses, closed.true_closing_deg
    contact_true, contact_arbitrary = closed.contact_true, closed.contact_arbitrary
    lower_true = closed.lower_target
    guidance = ArticulatorSettings()
    if case.articulator is not None:
        told = case_guidance(case, geometry).patient
        guidance = told.settings
        findings += told.findings
    if closed.pair is not None:
        findings += _target_apart(case, closed.beyond_deg)
    if "already_touching" in (contact_arbitrary.status, contact_true.status):
        findings.append(engine.touching_finding(poses.record_opening_deg))
    if upper is not None and "none_in_range" in (contact_arbitrary.status, contact_true.status):
        findings.append(
            Finding(
                "warning",
                "casts",
                "the casts never meet when closed about the axis",
                "Check that upper and lower belong together and share one frame.",
            )
        )
    wanted = case.decision.stop
    if wanted in closed.unavailable:
        findings.append(
            Finding(
                "warning",
                "decision.stop",
                f"{wanted!r} is not available ({closed.unavailable[wanted]}); the verdict uses "
                "'pin'",
                "Choose another stop, or correct the casts.",
            )
        )

    if closed.decision != "contact" or uncertainty:
        findings += mounting_findings(closed)

    tell("Error map and return to the mouth", 0.6)
    index, high = _occlusal_map(placed, geometry, stops)
    mouth = _mouth(placed, geometry, stops[decision])

    risk = None
    if uncertainty:
        risk = risk_of(placed, progress=lambda words, done: tell(words, 0.65 + 0.2 * done))
    tell("Break-even departure and ways out", 0.85)
    verdict = decide(closed, risk)
    tell("Error against departure", 0.9)
    drawn = [
        stop
        for stop in (stops if curve else ())
        if stop != "contact" or decision == "contact" or closed.together
    ]
    traced = departure_curve(closed, verdict.break_even_departure_mm, drawn)
    compared = None
    if case.articulator is not None and excursions and verdict.basis == "error":
        compared = compare_excursions(closed, progress=lambda words, done: tell(words, 0.98))
    tell("Done", 1.0)
    return Assessment(
        case=case,
        mounting=placed.mounting,
        geometry=geometry,
        upper=upper,
        lower_true=lower_true,
        health=placed.scans.health,
        stops=stops,
        unavailable=closed.unavailable,
        contact_true=contact_true,
        contact_arbitrary=contact_arbitrary,
        contact_pair=closed.pair,
        mouth=mouth if verdict.basis == "error" else None,
        occlusal_index=index,
        occlusal_high_mm=high,
        verdict=verdict,
        curve=traced,
        findings=tuple(findings),
        transfer=transfer_of(
            case,
            placed.mounting,
            theta,
            geometry.landmarks.points_mm,
            opening_motion(closed.true_axis, theta).apply(geometry.pin_tip_target_mm),
            guidance,
        ),
        risk=risk,
        excursions=compared,
        closures=closed,
    )


def _target_apart(case: Case, beyond_deg: float) -> list[Finding]:
    if case.decision.stop != "contact" or abs(beyond_deg) < SAME_POSE_DEG:
        return []
    return [
        Finding(
            "warning",
            "decision.stop",
            "'contact' sets the articulator's teeth together, but the target lies "
            f"{beyond_deg:+.3f} degrees from the patient's own first contact, and that difference "
            "is in the error",
            "Set [target] first_contact = true to compare tooth contacts, or stop = 'pin'.",
        )
    ]


def _occlusal_map(
    placed: PlacedCase, geometry: Geometry, stops: Mapping[Stop, StopResult]
) -> tuple[NDArray[np.intp], dict[Stop, NDArray[np.float64]]]:
    surface = placed.lower_occlusal
    if surface is None:
        return np.zeros(0, dtype=np.intp), {}
    to_target = geometry.poses.target_from_scanned
    points = to_target.apply(surface.points_mm)
    normals = to_target.rotation.apply(surface.normals)
    return surface.index, {
        stop: high_amount(result.error_motion, points, normals) for stop, result in stops.items()
    }


def _mouth(placed: PlacedCase, geometry: Geometry, result: StopResult) -> MouthReturn | None:
    surface, upper, lower, tree = (
        placed.upper_occlusal,
        placed.upper,
        placed.lower,
        placed.lower_tree,
    )
    if surface is None or upper is None or lower is None or tree is None:
        return None
    points = surface.points_mm
    scanned = geometry.poses.target_from_scanned.inv().apply(points)
    gap, nearest = tree.query(scanned)
    found = mouth_return(points, surface.normals, gap, geometry.true_axis, result.error_motion)
    if found is None:
        return None
    first, propped_deg = found
    return return_report(
        points[first],
        int(upper.tooth[surface.index[first]]),
        int(lower.tooth[nearest[first]]),
        propped_deg,
        geometry.true_axis,
        geometry.landmarks.incisal_point_mm,
    )
