"""Casts in an excursion: first contact about the moved axis, and clearance along the way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.axis import HingeAxis
from kinematics.clearance import ClearanceSurface, surface_of
from kinematics.contact import PreparedPair, first_contact, prepare
from kinematics.excursion_path import ExcursionPath, ToothContact
from kinematics.mesh import Cast

NEAR_CONTACT_MM = 0.05
"""Clearance below which a tooth counts as in contact (ours; a thin foil is 0.008 to 0.04 mm)."""
CLEARANCE_LIMIT_MM = 3.0
"""Clearances are looked for up to here; farther is reported as infinite (ours)."""


@dataclass(frozen=True, eq=False)
class CastStop:
    """Both casts as a stop for the front; made by :func:`cast_stop`.

    Attributes
    ----------
    upper, lower : Cast
        In the frame ``articulator``, the lower at the excursion's start.
    prepared : PreparedPair
    """

    upper: Cast
    lower: Cast
    prepared: PreparedPair

    @cached_property
    def upper_surface(self) -> ClearanceSurface:
        """The upper, prepared for clearances."""
        return surface_of(self.upper)

    def close(self, motion: RigidTransform, axis: HingeAxis, max_deg: float) -> ToothContact:
        """First contact when the lower, moved from its start, closes about an axis.

        Notes
        -----
        *Guarantee*: that of :func:`kinematics.contact.first_contact`.
        """
        moved = self.prepared.with_lower_motion(motion)
        found = first_contact(moved, axis, max_closing_deg=max_deg)
        return ToothContact(
            found.status,
            found.closing_deg,
            found.point_mm,
            _face_tooth(self.upper, found.upper_face),
            _face_tooth(self.lower, found.lower_face),
        )


def cast_stop(upper: Cast, lower: Cast) -> CastStop:
    """Prepare two casts (frame ``articulator``, lower at the start) as a stop."""
    pair = prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)
    return CastStop(upper, lower, pair)


def _face_tooth(cast: Cast, face: int) -> int:
    """Tooth of a face: its corners' commonest number, 0 where none is labelled."""
    if face < 0:
        return 0
    labels = cast.tooth[cast.faces[face]]
    labels = labels[labels > 0]
    return int(np.bincount(labels).argmax()) if len(labels) else 0


def clearance_mm(
    points_mm: ArrayLike, cast: Cast, limit_mm: float = CLEARANCE_LIMIT_MM
) -> NDArray[np.float64]:
    """Distance of points from a cast's surface, shape (n,), mm; infinite beyond the limit.

    Notes
    -----
    *Guarantee*: exact (point to triangle) up to the limit. Unsigned: a point inside the cast has
    a positive distance too; :mod:`kinematics.clearance` gives the sign. *Source*: derived here.
    """
    return np.abs(surface_of(cast).clearance(points_mm, limit_mm)[0])


def clearance_by_tooth(
    stop: CastStop, motion: RigidTransform, limit_mm: float = CLEARANCE_LIMIT_MM
) -> dict[int, float]:
    """Least clearance of each labelled lower tooth to the upper cast at a pose, mm.

    Negative where the tooth reaches into the upper cast. Teeth farther than the limit are left
    out. Taken at the lower's vertices, so an edge that touches between two of them is seen only
    as close as its ends; :mod:`kinematics.excursion_teeth` looks at the upper's vertices too.
    """
    labelled = np.flatnonzero(stop.lower.tooth > 0)
    labels = stop.lower.tooth[labelled]
    points = motion.apply(stop.lower.vertices_mm[labelled])
    gaps, _ = stop.upper_surface.clearance(points, limit_mm)
    out: dict[int, float] = {}
    for tooth in np.unique(labels):
        least = float(gaps[labels == tooth].min())
        if np.isfinite(least):
            out[int(tooth)] = least
    return out


@dataclass(frozen=True)
class ToothAlongTheWay:
    """One lower tooth at one step: its clearance and whether it works.

    Attributes
    ----------
    step, tooth : int
    clearance_mm : float, mm
    where : {"working", "non_working", "midline"}
        ISO 3950 quadrants 3 and 7 are the patient's left; working is the side the mandible
        moves to.
    """

    step: int
    tooth: int
    clearance_mm: float
    where: str


def contacts_along(
    path: ExcursionPath, stop: CastStop, within_mm: float = NEAR_CONTACT_MM
) -> tuple[ToothAlongTheWay, ...]:
    """Lower teeth within a distance of the upper cast at every reached step."""
    out = []
    for number, step in enumerate(path.reached):
        for tooth, gap in clearance_by_tooth(stop, step.motion, within_mm).items():
            left = tooth // 10 in (3, 7)
            side = step.demand.side
            where = "midline" if side == 0.0 else "working" if left == (side > 0) else "non_working"
            out.append(ToothAlongTheWay(number, tooth, gap, where))
    return tuple(out)
