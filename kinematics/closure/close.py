"""One placed case closed about both axes: first contacts, stops, error map, return to the mouth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import Finding
from kinematics.case.read import Case
from kinematics.casts.cast import Cast
from kinematics.closure.geometry import Geometry, geometry_of
from kinematics.closure.landmarks import LandmarkSet
from kinematics.closure.place import PlacedCase
from kinematics.closure.stops import STOPS, Stop, StopResult, high_amount
from kinematics.closure.tooth_contact import (
    ContactReport,
    MouthReturn,
    mouth_return,
    return_report,
)

SAME_POSE_DEG = 0.01
"""Target and first contact closer than this count as one pose (ours: 15 µm at the incisors)."""

OPEN_AS_SCANNED_MM = 0.5
"""Way of the incisors to first contact beyond which casts do not stand in intercuspation (ours):
scans stored in occlusion are off by up to so much, as where they overlap."""


@dataclass(frozen=True, eq=False)
class Closures:
    """The closures of one placed case; lengths in mm, frame ``axis_orbital``.

    Attributes
    ----------
    geometry : Geometry
        The placed case at its record and its target.
    contact_true, contact_arbitrary : ContactReport
        First contact from the record about each axis.
    stops, unavailable
        Result by stop, and the reason for a stop that has none.
    decision : str
        The stop that the verdict is about: the case's, or ``pin`` where that one is unavailable.
    pair : StopResult or None
        Both bites with the teeth together: the articulator at its first contact against the
        patient at the patient's own, whatever the target. None where either has no contact.
        Equal to ``stops["contact"]`` where the target is the first contact.
    """

    geometry: Geometry
    contact_true: ContactReport
    contact_arbitrary: ContactReport
    stops: Mapping[Stop, StopResult]
    unavailable: Mapping[Stop, str]
    decision: Stop
    pair: StopResult | None

    @property
    def placed(self) -> PlacedCase:
        """The placed case: casts, axes, mounting."""
        return self.geometry.placed

    @property
    def case(self) -> Case:
        """The case."""
        return self.placed.case

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
        return self.geometry.landmarks

    @property
    def true_closing_deg(self) -> float:
        """Theta: the patient's closing from the record to the target, degrees."""
        return self.geometry.true_closing_deg

    @property
    def beyond_deg(self) -> float:
        """Closing from the target to the patient's own first contact, degrees."""
        return self.contact_true.closing_deg - self.true_closing_deg

    @property
    def together(self) -> bool:
        """Whether the target is the patient's own tooth contact."""
        return abs(self.beyond_deg) < SAME_POSE_DEG

    @property
    def charted(self) -> dict[Stop, StopResult]:
        """Stops whose errors share one chart: ``contact`` only where the target is tooth contact.

        Elsewhere the contact stop's error holds the way from the target to the contact, which is
        no error of the axis; ``pair`` is the comparison then.
        """
        apart = self.decision != "contact" and not self.together
        return {s: r for s, r in self.stops.items() if s != "contact" or not apart}

    @cached_property
    def landmarks_record_mm(self) -> NDArray[np.float64]:
        """Landmarks at the record pose, shape (k, 3), mm."""
        points = self.geometry.record_from_target.apply(self.landmarks.points_mm)
        points.flags.writeable = False
        return points

    @property
    def departure_mm(self) -> float:
        """Departure: from target to record at the incisors, mm, opening positive."""
        record = self.landmarks_record_mm[self.landmarks.incisal_index]
        return float(record[2] - self.landmarks.incisal_point_mm[2])

    @property
    def departure_deg(self) -> float:
        """Departure in degrees, opening positive."""
        return -self.true_closing_deg

    @cached_property
    def lower_target(self) -> Cast | None:
        """The lower at the target pose."""
        lower = self.placed.lower
        return None if lower is None else lower.moved(self.geometry.target_from_scanned)

    @cached_property
    def lower_record(self) -> Cast | None:
        """The lower at the record pose."""
        lower = self.placed.lower
        return None if lower is None else lower.moved(self.geometry.record_from_scanned)

    @property
    def occlusal_index(self) -> NDArray[np.intp]:
        """Occlusal vertices of the lower, which ``occlusal_high_mm`` maps; none without casts."""
        surface = self.placed.lower_occlusal
        return np.zeros(0, dtype=np.intp) if surface is None else surface.index

    @cached_property
    def occlusal_high_mm(self) -> Mapping[Stop, NDArray[np.float64]]:
        """High (positive) or open amount at the lower's occlusal vertices by stop, mm."""
        surface = self.placed.lower_occlusal
        if surface is None:
            return {}
        to_target = self.geometry.target_from_scanned
        points = to_target.apply(surface.points_mm)
        normals = to_target.rotation.apply(surface.normals)
        return {s: high_amount(r.error_motion, points, normals) for s, r in self.stops.items()}

    @cached_property
    def mouth(self) -> MouthReturn | None:
        """A restoration made at the decision stop, back in the mouth; None without casts."""
        placed = self.placed
        surface, upper, lower, tree = (
            placed.upper_occlusal,
            placed.upper,
            placed.lower,
            placed.lower_tree,
        )
        if surface is None or upper is None or lower is None or tree is None:
            return None
        points = surface.points_mm
        gap, nearest = tree.query(self.geometry.target_from_scanned.inv().apply(points))
        error = self.stops[self.decision].error_motion
        found = mouth_return(points, surface.normals, gap, self.true_axis, error)
        if found is None:
            return None
        first, propped_deg = found
        return return_report(
            points[first],
            int(upper.tooth[surface.index[first]]),
            int(lower.tooth[nearest[first]]),
            propped_deg,
            self.true_axis,
            self.landmarks.incisal_point_mm,
        )

    def findings(self) -> list[Finding]:
        """What the closures say about the case: a target apart from contact, casts that touch."""
        found, wanted = [], self.case.decision.stop
        statuses = self.contact_arbitrary.status, self.contact_true.status
        if self.pair is not None and wanted == "contact" and not self.together:
            found.append(
                Finding(
                    "warning",
                    "decision.stop",
                    "'contact' sets the articulator's teeth together, but the target lies "
                    f"{self.beyond_deg:+.3f} degrees from the patient's own first contact, and "
                    "that difference is in the error",
                    "Set [target] first_contact = true to compare tooth contacts, or stop = 'pin'.",
                )
            )
        if "already_touching" in statuses:
            at_record = self.geometry.record_from_scanned
            found.append(self.placed.contacts.touching_finding(at_record, self.true_axis))
        if "none_in_range" in statuses:
            found.append(
                Finding(
                    "warning",
                    "casts",
                    "the casts never meet when closed about the axis",
                    "Check that upper and lower belong together and share one frame.",
                )
            )
        if wanted in self.unavailable:
            found.append(
                Finding(
                    "warning",
                    "decision.stop",
                    f"{wanted!r} is not available ({self.unavailable[wanted]}); the verdict uses "
                    "'pin'",
                    "Choose another stop, or correct the casts.",
                )
            )
        return found


def close(placed: PlacedCase, before: Closures | None = None) -> Closures:
    """Close a placed case about both axes.

    Parameters
    ----------
    placed : PlacedCase
    before : Closures, optional
        Of the case before a change; what the change leaves alone is taken from it.

    Raises
    ------
    InputError
        The record or the target cannot be reached.

    Notes
    -----
    *Guarantee*: the same numbers with and without ``before`` (tested).
    """
    if before is not None and same_poses(placed, before):
        geometry, contact_true = replace(before.geometry, placed=placed), before.contact_true
    else:
        geometry = geometry_of(placed)
        contact_true = placed.contacts.report(
            geometry.record_from_scanned, placed.true_axis, "the true axis"
        )
    arbitrary = placed.arbitrary_axis
    contact = placed.contacts.report(geometry.record_from_scanned, arbitrary, "the arbitrary axis")
    stops: dict[Stop, StopResult] = {}
    unavailable: dict[Stop, str] = {}
    for stop in STOPS:
        if stop == "contact" and contact.status != "contact":
            unavailable[stop] = contact.message
        else:
            stops[stop] = geometry.result(stop, arbitrary, contact.closing_deg)
    pair = None
    if contact_true.status == contact.status == "contact":
        at_contact = geometry.record_opening_deg - contact_true.closing_deg
        bites = replace(geometry, target_opening_deg=at_contact)
        pair = bites.result("contact", arbitrary, contact.closing_deg)
    wanted: Stop = placed.case.decision.stop
    return Closures(
        geometry=geometry,
        contact_true=contact_true,
        contact_arbitrary=contact,
        stops=stops,
        unavailable=unavailable,
        decision="pin" if wanted in unavailable else wanted,
        pair=pair,
    )


def same_poses(placed: PlacedCase, before: Closures) -> bool:
    """Whether a change left record, target, pin, casts, landmarks and true axis alone."""
    if placed.landmarks is not before.placed.landmarks:
        return False
    here, there = placed.case, before.case
    return (
        (here.record, here.target, here.pin) == (there.record, there.target, there.pin)
        and placed.contacts is before.placed.contacts
        and np.array_equal(placed.true_axis.points_mm, before.true_axis.points_mm)
    )


def open_as_scanned(placed: PlacedCase) -> list[Finding]:
    """Warn of casts that are said to be scanned in intercuspation and stand apart.

    Parameters
    ----------
    placed : PlacedCase

    Notes
    -----
    The measure is the exact first contact about the true axis from the scanned pose, told as the
    vertical way of the incisal point. Nothing is said without casts, where they touch or never
    meet, or where they were scanned in the record.
    """
    casts = placed.case.casts
    if casts is None or casts.scanned_at == "record":
        return []
    axis, incisal = placed.true_axis, placed.landmarks.incisal_point_mm
    found = placed.contacts.first_contact(RigidTransform.identity(), axis)
    if found is None or found.status != "contact":
        return []
    closed = closing_motion(axis, found.closing_deg).apply(incisal)
    gap_mm = float(closed[2] - incisal[2])
    if gap_mm <= OPEN_AS_SCANNED_MM:
        return []
    return [
        Finding(
            "warning",
            "casts.scanned_at",
            f"the casts stand open, not in intercuspation: the teeth meet after closing "
            f"{gap_mm:.1f} mm at the incisors ({found.closing_deg:.2f} degrees about the true "
            "axis)",
            "If the lower was scanned in the record, set scanned_at = 'record' and [record] "
            "as_scanned = true; otherwise register the scans in intercuspation.",
        )
    ]
