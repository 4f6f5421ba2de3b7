"""Whether the casts, as scanned, stand as the case says: closed in intercuspation."""

from __future__ import annotations

from kinematics.base.axis import closing_motion
from kinematics.base.errors import Finding
from kinematics.closure.place import PlacedCase

OPEN_AS_SCANNED_MM = 0.5
"""Way of the incisors to first contact beyond which casts do not stand in intercuspation (ours):
scans stored in occlusion are off by up to so much, as where they overlap."""


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
    axis, incisal = placed.mounting.true_axis, placed.landmarks.incisal_point_mm
    found = placed.contacts.first_contact(0.0, axis)
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
