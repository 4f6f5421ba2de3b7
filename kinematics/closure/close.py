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

SAME_POINT_MM = 1e-6
"""Axes closer than this are one: no offset was given (ours)."""

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
        Result by stop, and the reason for a stop that has none. ``contact`` compares both bites
        at their own first contact, whatever the planned OVD.
    stop : str
        The stop that the answer is about: the case's, or ``pin`` where that one is unavailable.
    """

    geometry: Geometry
    contact_true: ContactReport
    contact_arbitrary: ContactReport
    stops: Mapping[Stop, StopResult]
    unavailable: Mapping[Stop, str]
    stop: Stop

    @property
    def placed(self) -> PlacedCase:
        """The placed case: casts, axes, mounting."""
        return self.geometry.placed

    @property
    def case(self) -> Case:
        """The case."""
        return self.placed.case

    @property
    def measured(self) -> bool:
        """Whether one arbitrary axis is known: False where the case only gives a scatter."""
        table, offsets = (
            self.case.uncertainty,
            self.arbitrary_axis.points_mm - self.true_axis.points_mm,
        )
        scattered = table is not None and table.arbitrary_axis != "measured"
        return not scattered or bool(np.abs(offsets).max() >= SAME_POINT_MM)

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
        """The casts' fit: closing from the planned OVD to the patient's first contact, degrees."""
        return self.contact_true.closing_deg - self.true_closing_deg

    def bite(self, stop: Stop) -> Geometry:
        """Record, and the patient's pose that a stop's error is counted from as its target.

        The planned OVD, or with ``contact`` the patient's own first contact.
        """
        closing = self.stops[stop].true_closing_deg
        return replace(self.geometry, target_opening_deg=self.geometry.record_opening_deg - closing)

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

    def lower_at(self, stop: Stop) -> Cast | None:
        """The lower at the patient's pose of a stop (:meth:`bite`)."""
        lower = self.placed.lower
        if stop != "contact" or lower is None:
            return self.lower_target
        return lower.moved(self.bite(stop).target_from_scanned)

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
        found = {}
        for stop, result in self.stops.items():
            to_bite = self.bite(stop).target_from_scanned
            points, normals = (
                to_bite.apply(surface.points_mm),
                to_bite.rotation.apply(surface.normals),
            )
            found[stop] = high_amount(result.error_motion, points, normals)
        return found

    @cached_property
    def mouth(self) -> MouthReturn | None:
        """A restoration made at the answer's stop, back in the mouth; None without casts."""
        placed, bite = self.placed, self.bite(self.stop)
        surface, upper, lower, tree = (
            placed.upper_occlusal,
            placed.upper,
            placed.lower,
            placed.lower_tree,
        )
        if surface is None or upper is None or lower is None or tree is None:
            return None
        points = surface.points_mm
        gap, nearest = tree.query(bite.target_from_scanned.inv().apply(points))
        error = self.stops[self.stop].error_motion
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
            bite.landmarks.incisal_point_mm,
        )

    def findings(self) -> list[Finding]:
        """What the closures say about the case: casts that touch or never meet, another stop."""
        found, wanted = [], self.case.decision.stop
        statuses = self.contact_arbitrary.status, self.contact_true.status
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
                    f"{wanted!r} is not available ({self.unavailable[wanted]}); the answer uses "
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
    unmet = [c.message for c in (contact, contact_true) if c.status != "contact"]
    for stop in STOPS:
        if stop == "contact" and unmet:
            unavailable[stop] = unmet[0]
        else:
            both = contact_true.closing_deg, contact.closing_deg
            stops[stop] = geometry.result(stop, arbitrary, both)
    wanted: Stop = placed.case.decision.stop
    return Closures(
        geometry=geometry,
        contact_true=contact_true,
        contact_arbitrary=contact,
        stops=stops,
        unavailable=unavailable,
        stop="pin" if wanted in unavailable else wanted,
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
