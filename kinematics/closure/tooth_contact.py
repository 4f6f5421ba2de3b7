"""Where the teeth first meet: about either axis, and when the restoration returns to the mouth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import Finding
from kinematics.base.to_json import form
from kinematics.casts.cast import Cast
from kinematics.contact.first_contact import (
    FirstContact,
    Interpenetration,
    PreparedPair,
    first_contact,
    interpenetration,
    prepare,
)

ContactStatus = Literal["contact", "already_touching", "none_in_range", "no_meshes"]

MAX_CLOSING_DEG = 45.0
"""How far a closing is followed before "the casts never meet" is said (ours)."""

STEEPEST_COSINE = 0.5
"""Least cosine between an occlusal normal and the opening path that counts as a contact surface:
walls steeper than 60 degrees carry no occlusal contact (ours; published cusp angles are 15 to 33
degrees, published_values.md section 7)."""

RETURN_REACH_MM = 3.0
"""Upper surface farther from the lower at the target than the nearest by more than this carries
no restoration (ours)."""


@dataclass(frozen=True, eq=False)
class ContactReport:
    """First contact in the user's terms.

    Attributes
    ----------
    status : {"contact", "already_touching", "none_in_range", "no_meshes"}
    closing_deg : float
        From the record pose, closing positive; for the return to the mouth from the target pose
        (negative: the teeth meet before the target). NaN where nothing meets.
    point_mm : ndarray, shape (3,), mm, ``axis_orbital``
    upper_tooth, lower_tooth : int
        ISO 3950 numbers, 0 where the cast is not labelled there.
    message : str
        One sentence.
    """

    status: ContactStatus
    closing_deg: float
    point_mm: NDArray[np.float64]
    upper_tooth: int
    lower_tooth: int
    message: str

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        teeth = {"tooth": self.lower_tooth or None, "upper_tooth": self.upper_tooth or None}
        place = self.point_mm if self.status == "contact" else None
        told = form(self, "lower_tooth", angle_deg="closing_deg")
        return told | teeth | {"point_mm": place}


NO_MESHES = ContactReport(
    "no_meshes", float("nan"), np.full(3, np.nan), 0, 0, "No casts were given, so no contact."
)
"""What stands for a contact where the case has no casts."""


@dataclass(frozen=True, eq=False)
class MouthReturn:
    """A restoration that fits on the articulator, placed in the mouth.

    Attributes
    ----------
    contact : ContactReport
        First contact of the restored lower with the upper, closing about the true axis.
    propped_deg, propped_incisors_mm : float
        How far the bite stays open short of the target (positive), or closes beyond it (negative).
    """

    contact: ContactReport
    propped_deg: float
    propped_incisors_mm: float

    def json_form(self) -> dict[str, Any]:
        """In result.json: the contact, and how far the bite is propped."""
        return self.contact.json_form() | form(self, "contact")


def tooth_text(tooth: int) -> str:
    """Name a tooth for a sentence."""
    return f"tooth {tooth}" if tooth else "an unlabelled place"


def contact_report(found: FirstContact, upper: Cast, lower: Cast, about: str) -> ContactReport:
    """Put a first contact about an axis into the user's terms.

    Parameters
    ----------
    found : FirstContact
        From the record pose.
    upper, lower : Cast
        Whose faces it names; the lower's pose does not matter.
    about : str
        Words for the axis, as in "the true axis".
    """
    nowhere = np.full(3, np.nan)
    if found.status == "none_in_range":
        text = f"The casts never meet within {MAX_CLOSING_DEG:g} degrees of closing about {about}."
        return ContactReport("none_in_range", float("nan"), nowhere, 0, 0, text)
    if found.status == "already_touching":
        text = "The casts already touch or interpenetrate at the record pose."
        return ContactReport("already_touching", 0.0, found.point_mm, 0, 0, text)
    upper_tooth = upper.face_tooth(found.upper_face)
    lower_tooth = lower.face_tooth(found.lower_face)
    text = (
        f"Closing {found.closing_deg:.3f} degrees about {about}, {tooth_text(lower_tooth)} of the "
        f"lower first meets {tooth_text(upper_tooth)} of the upper."
    )
    return ContactReport(
        "contact", float(found.closing_deg), found.point_mm, upper_tooth, lower_tooth, text
    )


class CastContacts:
    """First contacts of one pair of casts, prepared once, from wherever the record puts the lower.

    Parameters
    ----------
    upper, lower : Cast or None
        In ``axis_orbital``, the lower at the scanned pose. Motions count from there.
    """

    def __init__(self, upper: Cast | None, lower: Cast | None) -> None:
        self._casts = None if upper is None or lower is None else (upper, lower)

    @cached_property
    def pair(self) -> PreparedPair | None:
        """The casts prepared for first contacts, lower at the scanned pose; None without casts."""
        if self._casts is None:
            return None
        upper, lower = self._casts
        return prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)

    def first_contact(
        self, record_from_scanned: RigidTransform, axis: HingeAxis
    ) -> FirstContact | None:
        """First contact about an axis, from the record pose; None without casts."""
        if self.pair is None:
            return None
        at_record = self.pair.with_lower_motion(record_from_scanned)
        return first_contact(at_record, axis, max_closing_deg=MAX_CLOSING_DEG)

    def closing_deg(self, record_from_scanned: RigidTransform, axis: HingeAxis) -> float:
        """Closing about an axis at first contact, degrees; 0 where touching, NaN where none."""
        found = self.first_contact(record_from_scanned, axis)
        return float("nan") if found is None else float(found.closing_deg)

    def report(
        self, record_from_scanned: RigidTransform, axis: HingeAxis, about: str
    ) -> ContactReport:
        """First contact in words."""
        found = self.first_contact(record_from_scanned, axis)
        if found is None or self._casts is None:
            return NO_MESHES
        return contact_report(found, *self._casts, about)

    def overlap(self, motion: RigidTransform, axis: HingeAxis) -> Interpenetration:
        """How far the casts reach into each other, and the opening about the axis that parts them.

        Raises
        ------
        ValueError
            There are no casts.
        """
        if self.pair is None:
            raise ValueError("no casts")
        return interpenetration(self.pair.with_lower_motion(motion), axis)

    def touching_finding(self, record_from_scanned: RigidTransform, axis: HingeAxis) -> Finding:
        """Say how far the casts interpenetrate at the record pose, and what would clear them."""
        depth = self.overlap(record_from_scanned, axis)
        return Finding(
            "warning",
            "record",
            "the casts already touch or interpenetrate at the record pose (by about "
            f"{depth.depth_mm:.2f} mm); they part after opening {depth.clearing_opening_deg:.3f} "
            "degrees more about the true axis",
            "Scans stored in occlusion usually overlap by 0.05 to 0.5 mm: give a record that holds "
            "the casts apart, or correct the bite registration.",
        )


def mouth_return(
    points_mm: NDArray[np.float64],
    normals: NDArray[np.float64],
    gap_mm: NDArray[np.float64],
    true_axis: HingeAxis,
    error: RigidTransform,
) -> tuple[int, float] | None:
    """First contact when a restoration made on the articulator is closed in the mouth.

    The restoration is carried by the lower; its occlusal surface is the imprint of the upper in
    the articulator, so at the target pose it stands at ``E^-1`` of the upper's occlusal surface.
    Where that overlaps the upper, the mandible must stay open about the true axis.

    Parameters
    ----------
    points_mm, normals : ndarray, shape (n, 3)
        The upper's occlusal vertices and unit outward normals.
    gap_mm : ndarray, shape (n,), mm
        Their distance from the lower at the target pose.
    true_axis : HingeAxis
    error : RigidTransform
        E.

    Returns
    -------
    (index, propped_deg) or None
        Where it first meets, and how far the bite is propped open (positive) or closes beyond the
        target (negative), degrees; None where the casts share no occlusal surface.

    Notes
    -----
    With n the upper's outward normal at q and v the velocity of opening a radian, the restored
    surface overlaps by ``-(E^-1 q - q) . n`` and parts at ``n . v`` a radian; the largest quotient
    decides. *Guarantee*: first order in the error on each tangent plane (exact for planes;
    compared with the exact first contact of curved surfaces in the tests); walls steeper than 60
    degrees to the path are left out. *Source*: derived here.
    """
    path = np.cross(true_axis.direction, points_mm - true_axis.midpoint_mm)
    rate = np.einsum("ij,ij->i", normals, path)
    facing = rate > STEEPEST_COSINE * np.linalg.norm(path, axis=1)
    chosen = np.flatnonzero(facing & (gap_mm <= gap_mm.min(initial=np.inf) + RETURN_REACH_MM))
    if not len(chosen):
        return None
    points, normals = points_mm[chosen], normals[chosen]
    overlap = -np.einsum("ij,ij->i", error.inv().apply(points) - points, normals)
    opening_rad = overlap / rate[chosen]
    first = int(np.argmax(opening_rad))
    return int(chosen[first]), float(np.degrees(opening_rad[first]))


def return_report(
    point_mm: NDArray[np.float64],
    upper_tooth: int,
    lower_tooth: int,
    propped_deg: float,
    true_axis: HingeAxis,
    incisal_point_true_mm: NDArray[np.float64],
) -> MouthReturn:
    """Put a return to the mouth into the user's terms; lengths in mm, ``axis_orbital``."""
    low = opening_motion(true_axis, propped_deg).apply(incisal_point_true_mm)
    propped_mm = float(incisal_point_true_mm[2] - low[2])
    side = "left" if point_mm[1] >= 0.0 else "right"
    where = (
        f"between {tooth_text(upper_tooth)} and {tooth_text(lower_tooth)}"
        if upper_tooth or lower_tooth
        else f"on the patient's {side} (no tooth labels)"
    )
    if propped_mm > 5e-4:
        text = (
            f"In the mouth the restoration first meets {where} and props the bite open by "
            f"{propped_mm:.2f} mm at the incisors."
        )
    else:
        text = (
            f"In the mouth the restoration first meets {where}, {abs(propped_mm):.2f} mm (at the "
            "incisors) past the target."
        )
    report = ContactReport("contact", -propped_deg, point_mm, upper_tooth, lower_tooth, text)
    return MouthReturn(report, propped_deg, propped_mm)
