"""Casts as a stop for the front in an excursion: first contact about the moved axis."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.spatial.transform import RigidTransform

from kinematics.articulator.path import ToothContact
from kinematics.base.axis import HingeAxis
from kinematics.casts.cast import Cast
from kinematics.contact.first_contact import PreparedPair, first_contact, prepare


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

    def close(self, motion: RigidTransform, axis: HingeAxis, max_deg: float) -> ToothContact:
        """First contact when the lower, moved from its start, closes about an axis.

        Notes
        -----
        *Guarantee*: that of :func:`kinematics.contact.first_contact.first_contact`.
        """
        moved = self.prepared.with_lower_motion(motion)
        found = first_contact(moved, axis, max_closing_deg=max_deg)
        return ToothContact(
            found.status,
            found.closing_deg,
            found.point_mm,
            self.upper.face_tooth(found.upper_face),
            self.lower.face_tooth(found.lower_face),
        )


def cast_stop(upper: Cast, lower: Cast) -> CastStop:
    """Prepare two casts (frame ``articulator``, lower at the start) as a stop."""
    pair = prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)
    return CastStop(upper, lower, pair)
