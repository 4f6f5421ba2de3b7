"""The main job in order: read casts, mount, pose, close about both axes, judge."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.axis import HingeAxis, opening_motion
from kinematics.case import Case
from kinematics.closure import STOPS, UP, Stop, StopResult, high_amount
from kinematics.errors import Finding
from kinematics.geometry import Geometry
from kinematics.landmarks import LandmarkSet
from kinematics.mesh import Cast
from kinematics.mesh_health import MeshHealth
from kinematics.mounting import Mounting
from kinematics.occlusal import occlusal_vertices, vertex_normals
from kinematics.occlusion import ContactReport, MouthReturn, mouth_return
from kinematics.placement import CastContacts, place
from kinematics.verdict import Remedy, Verdict, answer, break_even, why, worst_of

CURVE_POINTS = 41
"""Samples of the error against departure."""

Progress = Callable[[str, float], None]
Worst = Callable[
    [Stop, HingeAxis, NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.intp]]
]


@dataclass(frozen=True, eq=False)
class DepartureCurve:
    """Worst landmark error against departure (mm at the incisors, opening positive)."""

    departure_mm: NDArray[np.float64]
    worst_error_mm: Mapping[Stop, NDArray[np.float64]]


@dataclass(frozen=True, eq=False)
class Assessment:
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
    mouth : MouthReturn or None
    occlusal_index : ndarray
        Occlusal vertices of the lower; ``occlusal_high_mm`` gives the high amount there by stop.
    """

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
    mouth: MouthReturn | None
    occlusal_index: NDArray[np.intp]
    occlusal_high_mm: Mapping[Stop, NDArray[np.float64]]
    verdict: Verdict
    curve: DepartureCurve
    findings: tuple[Finding, ...]
    uncertainty: object | None = None

    @property
    def true_axis(self) -> HingeAxis:
        """The located axis."""
        return self.geometry.true_axis

    @property
    def arbitrary_axis(self) -> HingeAxis:
        """The axis that was, or would be, transferred."""
        return self.geometry.arbitrary_axis

    @property
    def landmarks(self) -> LandmarkSet:
        """Landmarks at the target pose."""
        return self.geometry.landmarks

    @property
    def true_closing_deg(self) -> float:
        """Theta: the patient's closing from record to target, degrees."""
        return self.geometry.poses.true_closing_deg

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
    """
    tell = progress or (lambda stage, fraction: None)
    tell("Reading and mounting the casts", 0.0)
    placed = place(case)
    upper, engine = placed.upper, placed.contacts
    findings = list(placed.findings)
    tell("Closing about the true axis", 0.3)
    geometry = placed.geometry()
    poses = geometry.poses
    true_axis, arbitrary_axis = geometry.true_axis, geometry.arbitrary_axis
    lower_true = None if placed.lower is None else placed.lower.moved(poses.target_from_scanned)
    theta = poses.true_closing_deg

    tell("First contact about both axes", 0.4)
    contact_true = engine.report(poses.record_opening_deg, true_axis, "the true axis")
    contact_arbitrary = engine.report(
        poses.record_opening_deg, arbitrary_axis, "the arbitrary axis"
    )
    stops: dict[Stop, StopResult] = {}
    unavailable: dict[Stop, str] = {}
    for stop in STOPS:
        if stop != "contact":
            stops[stop] = geometry.closed_form(stop, arbitrary_axis, theta)
        elif contact_arbitrary.status == "contact":
            stops[stop] = geometry.at_angle(
                stop, arbitrary_axis, theta, contact_arbitrary.closing_deg
            )
        else:
            unavailable[stop] = contact_arbitrary.message
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
    decision: Stop = case.decision.stop
    if decision in unavailable:
        findings.append(
            Finding(
                "warning",
                "decision.stop",
                f"{decision!r} is not available ({unavailable[decision]}); the verdict uses 'pin'",
                "Choose another stop, or correct the casts.",
            )
        )
        decision = "pin"

    tell("Error map and return to the mouth", 0.6)
    index = np.zeros(0, dtype=np.intp)
    high: dict[Stop, NDArray[np.float64]] = {}
    mouth: MouthReturn | None = None
    if upper is not None and lower_true is not None:
        index = occlusal_vertices(lower_true, UP)
        normals = vertex_normals(lower_true)[index]
        points = lower_true.vertices_mm[index]
        high = {s: high_amount(r.error_motion, points, normals) for s, r in stops.items()}
        mouth = mouth_return(
            upper,
            lower_true,
            occlusal_vertices(upper, UP),
            true_axis,
            stops[decision].error_motion,
            geometry.landmarks.incisal_point_mm,
        )

    tell("Break-even departure and remedies", 0.7)
    worst = worst_by_departure(geometry, engine)
    verdict = judge(case, geometry, stops, decision, worst)
    tell("Error against departure", 0.85)
    curve = departure_curve(verdict, geometry, stops, worst)
    tell("Done", 1.0)
    return Assessment(
        case=case,
        mounting=placed.mounting,
        geometry=geometry,
        upper=upper,
        lower_true=lower_true,
        health=placed.health,
        stops=stops,
        unavailable=unavailable,
        contact_true=contact_true,
        contact_arbitrary=contact_arbitrary,
        mouth=mouth,
        occlusal_index=index,
        occlusal_high_mm=high,
        verdict=verdict,
        curve=curve,
        findings=tuple(findings),
    )


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
    index, size = worst_of(stops[decision])
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
                f"The arbitrary axis, with the record {even:.2f} mm (incisors) from the target.",
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
            "The axis is located on the patient and transferred; the record stays.",
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
    return Verdict(
        stop=decision,
        tolerance_mm=tolerance,
        worst_error_mm=size,
        worst_landmark=marks.names[index],
        worst_tooth=marks.teeth[index],
        within=bool(size <= tolerance),
        break_even_departure_mm=even,
        sentence=answer(size, marks.names[index], tolerance, departure, even, decision),
        reason=why(stops[decision].error_mm, offsets),
        remedies=tuple(remedies),
    )


def departure_curve(
    verdict: Verdict,
    geometry: Geometry,
    stops: Mapping[Stop, StopResult],
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
