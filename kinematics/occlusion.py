"""Where the teeth first meet: about either axis, and when the restoration returns to the mouth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform

from kinematics.axis import HingeAxis, opening_motion
from kinematics.contact import FirstContact, first_contact, prepare
from kinematics.mesh import Cast
from kinematics.occlusal import nearest_tooth

ContactStatus = Literal["contact", "already_touching", "none_in_range", "no_meshes"]

MAX_CLOSING_DEG = 45.0
"""How far a closing is followed before "the casts never meet" is said (ours)."""

RETURN_OPENING_DEG = 8.0
"""Opening from which the return to the mouth closes (ours: some 8 mm at the molars)."""

RETURN_DRAFT = 0.17
"""Least slope (sine, about 10 degrees) of upper faces against the closing path that counts as
occlusal surface of the restoration: steeper walls carry no restoration (ours)."""

RETURN_REACH_MM = 8.0
"""Upper faces farther than this from the lower at the target carry no restoration (ours)."""


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


def tooth_text(tooth: int) -> str:
    """Name a tooth for a sentence."""
    return f"tooth {tooth}" if tooth else "an unlabelled place"


def contact_report(
    found: FirstContact,
    upper: Cast,
    lower_at_start: Cast,
    axis: HingeAxis,
    about: str,
) -> ContactReport:
    """Put a first contact about an axis into the user's terms.

    Parameters
    ----------
    found : FirstContact
        From the pose of ``lower_at_start``.
    upper, lower_at_start : Cast
        In ``axis_orbital``.
    axis : HingeAxis
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
    at_start = opening_motion(axis, found.closing_deg).apply(found.point_mm)
    upper_tooth = int(nearest_tooth(upper, found.point_mm[None])[0])
    lower_tooth = int(nearest_tooth(lower_at_start, at_start[None])[0])
    text = (
        f"Closing {found.closing_deg:.3f} degrees about {about}, {tooth_text(lower_tooth)} of the "
        f"lower first meets {tooth_text(upper_tooth)} of the upper."
    )
    return ContactReport(
        "contact", float(found.closing_deg), found.point_mm, upper_tooth, lower_tooth, text
    )


def restored_faces(
    upper: Cast, lower_true: Cast, axis: HingeAxis, occlusal_index: NDArray[np.intp]
) -> NDArray[np.int32]:
    """Upper faces whose imprint is the occlusal surface of a restoration on the lower.

    Faces of the upper's occlusal vertices that lie within 8 mm of the lower and face the closing
    path by at least 10 degrees.

    Returns
    -------
    ndarray of int32, shape (m, 3)
        Rows of ``upper.faces``.
    """
    chosen = np.zeros(len(upper.vertices_mm), dtype=bool)
    chosen[occlusal_index] = True
    near = cKDTree(lower_true.vertices_mm).query(
        upper.vertices_mm[occlusal_index], distance_upper_bound=RETURN_REACH_MM
    )[0]
    chosen[occlusal_index[~np.isfinite(near)]] = False
    faces = upper.faces[chosen[upper.faces].all(axis=1)]
    corners = upper.vertices_mm[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1)
    path = np.cross(axis.direction, corners.mean(axis=1) - axis.midpoint_mm)
    path /= np.maximum(np.linalg.norm(path, axis=1, keepdims=True), 1e-12)
    # `path` is the opening direction; the upper's occlusal surface looks along it.
    facing = np.einsum("ij,ij->i", normal, path) > RETURN_DRAFT * length
    return faces[facing & (length > 0.0)]


def mouth_return(
    upper: Cast,
    lower_true: Cast,
    upper_occlusal: NDArray[np.intp],
    true_axis: HingeAxis,
    error: RigidTransform,
    incisal_point_true_mm: NDArray[np.float64],
) -> MouthReturn | None:
    """First contact when a restoration made on the articulator is closed in the mouth.

    The restoration is carried by the lower and its occlusal surface is the imprint of the upper
    in the articulator, so at the target pose it stands at ``E^-1`` of the upper's occlusal surface.
    It is opened 8 degrees about the true axis and closed until it first touches the upper.

    Returns
    -------
    MouthReturn or None
        None where the casts share no occlusal surface.

    Notes
    -----
    *Guarantee*: exact for the two surfaces; without error the restoration meets everywhere at the
    target (propped 0 within rounding). *Source*: derived here.
    """
    faces = restored_faces(upper, lower_true, true_axis, upper_occlusal)
    if not len(faces):
        return None
    used, flat = np.unique(faces, return_inverse=True)
    faces = flat.reshape(-1, 3).astype(np.int32)
    surface = upper.vertices_mm[used]
    restored_true = error.inv().apply(surface)
    opened = opening_motion(true_axis, RETURN_OPENING_DEG).apply(restored_true)
    found = first_contact(
        prepare(surface, faces, opened, faces), true_axis, max_closing_deg=2.0 * RETURN_OPENING_DEG
    )
    if found.status != "contact":
        text = (
            "The restored surfaces do not meet in the mouth near the target."
            if found.status == "none_in_range"
            else "The error is too large for the return to the mouth to be simulated."
        )
        report = ContactReport(found.status, float("nan"), np.full(3, np.nan), 0, 0, text)
        return MouthReturn(report, float("nan"), float("nan"))
    propped = RETURN_OPENING_DEG - float(found.closing_deg)
    upper_tooth = int(nearest_tooth(upper, found.point_mm[None])[0])
    lower_tooth = int(nearest_tooth(lower_true, found.point_mm[None])[0])
    low = opening_motion(true_axis, propped).apply(incisal_point_true_mm)
    propped_mm = float(incisal_point_true_mm[2] - low[2])
    where = f"between {tooth_text(upper_tooth)} and {tooth_text(lower_tooth)}"
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
    report = ContactReport("contact", -propped, found.point_mm, upper_tooth, lower_tooth, text)
    return MouthReturn(report, propped, propped_mm)
